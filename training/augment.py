"""All use of albumentations: pictures with their masks, varied as a shop's bench varies them.

The same seed gives the same bits. Masks move with the picture by nearest neighbour; what comes in
from beyond the picture's edge is not annotated. The library only warns of arguments it does not
know and goes on without them: here that is an error.
"""

import os
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .labels.label import NOT_ANNOTATED

os.environ["NO_ALBUMENTATIONS_UPDATE"] = "1"  # else it looks for a newer version when imported

__all__ = ["Augmenter", "Patch"]

Bytes = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Patch:
    """A piece of a picture with its labels, all [h, w].

    rgb uint8 [h, w, 3]; surface, kind uint8, 255 = not annotated; instance int32; weight uint8: 0
    where the kind's label does not count; unseen uint8: 0 to 254 for a probability of 0 to 1.
    unlike: 1 where the picture shows no connector.
    """

    rgb: Bytes
    surface: Bytes
    kind: Bytes
    instance: npt.NDArray[np.int32]
    weight: Bytes
    unseen: Bytes
    unlike: float = 0.0

    def masks(self) -> list[Any]:
        """What lies on the picture's pixels."""
        return [self.surface, self.kind, self.instance, self.weight, self.unseen]


class Augmenter:
    """Varies patches, and cuts out of their middle what was asked for."""

    def __init__(self) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("error", UserWarning)
            self.compose = _pipeline()

    def __call__(self, patch: Patch, seed: int, size_hw: tuple[int, int]) -> Patch:
        """The varied patch, of `size_hw` px at most: the same for the same patch and seed."""
        self.compose.set_random_seed(seed)
        made = self.compose(image=patch.rgb, masks=patch.masks())
        (height, width), (h, w) = patch.kind.shape, size_hw
        top, left = max(height - h, 0) // 2, max(width - w, 0) // 2
        middle = np.s_[top : top + h, left : left + w]
        surface, kind, instance, weight, unseen = (mask[middle] for mask in made["masks"])
        outside = kind == NOT_ANNOTATED
        return Patch(
            rgb=np.ascontiguousarray(made["image"][middle]),
            surface=surface,
            kind=kind,
            instance=np.where(outside, 0, instance).astype(np.int32),
            weight=np.where(outside, 0, weight).astype(np.uint8),
            unseen=np.where(unseen == NOT_ANNOTATED, 0, unseen).astype(np.uint8),
            unlike=patch.unlike,
        )


def _pipeline() -> Any:
    """Mirror, small turns and scales, light, colour, blur, noise and compression."""
    import albumentations
    import cv2

    a: Any = albumentations
    cv: Any = cv2
    steps: Sequence[Any] = [
        a.HorizontalFlip(p=0.5),
        a.Affine(
            scale=(0.92, 1.12),
            rotate=(-6, 6),
            shear=(-2, 2),
            interpolation=cv.INTER_LINEAR,
            mask_interpolation=cv.INTER_NEAREST,
            fill=0,
            fill_mask=NOT_ANNOTATED,
            p=0.6,
        ),
        a.RandomBrightnessContrast(brightness_limit=0.15, contrast_limit=0.15, p=0.5),
        a.RandomGamma(gamma_limit=(80, 125), p=0.3),
        a.HueSaturationValue(
            hue_shift_limit=6, sat_shift_limit=15, val_shift_limit=0, p=0.3
        ),
        a.GaussianBlur(blur_limit=0, sigma_limit=(0.2, 0.9), p=0.2),
        a.GaussNoise(std_range=(0.003, 0.015), p=0.3),
        a.ImageCompression(quality_range=(75, 98), p=0.2),
    ]  # fmt: skip
    return a.Compose(steps, seed=0)
