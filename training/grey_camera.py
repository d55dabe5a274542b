"""Renders as a shop's grey camera would show them.

Where a shop's pictures have no colour, what they teach is of grey pictures alone, and nothing in
coloured renders gainsays it: the ends of a lamp's band on a chamfer became damage.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from .augment import Patch

__all__ = ["is_grey", "like_the_shops"]

REDUCED = 8  # times smaller, so that coloured noise averages out
GREY_DN = 6.0  # most difference of the colour planes, of 255, in 95 % of the reduced picture
EVERY = 2  # so many-th render is made grey; the others keep the colours from being forgotten


def is_grey(rgb: npt.NDArray[np.uint8]) -> bool:
    """Whether a picture, uint8 [H, W, 3], shows no colour but noise's."""
    import cv2

    cv: Any = cv2
    h, w = (max(1, side // REDUCED) for side in rgb.shape[:2])
    small: Any = cv.resize(rgb.astype(np.float32), (w, h), interpolation=cv.INTER_AREA)
    return bool(np.percentile(np.ptp(small, axis=2), 95) <= GREY_DN)


def like_the_shops(renders: Sequence[Patch], shop: Sequence[Patch]) -> list[Patch]:
    """The renders, every second one grey where most of the shop's pictures are."""
    if 2 * sum(is_grey(patch.rgb) for patch in shop) <= len(shop):
        return list(renders)
    return [greyed(p) if k % EVERY else p for k, p in enumerate(renders)]


def greyed(patch: Patch) -> Patch:
    """The same without colour (luma after ITU-R BT.601, as OpenCV reckons it)."""
    import cv2

    cv: Any = cv2
    grey: Any = cv.cvtColor(patch.rgb, cv.COLOR_RGB2GRAY)
    return replace(patch, rgb=np.repeat(grey[..., None], 3, axis=2))
