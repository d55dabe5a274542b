"""Whether a label's outlines lie on the picture's own edges, or beside them.

The picture's edge strength (Sobel, square root so that no single bright edge decides) is averaged
along the label's outlines, for every shift of the label within `REACH_PX`. A label that was drawn
on this picture is strongest where it lies; one shifted by an export or resize is so elsewhere.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...inference.see.pieces import ring_around
from .label import NOT_ANNOTATED, PictureLabel

__all__ = ["Alignment", "outlines_of", "read_alignment"]

REACH_PX = 32
LEAST_OUTLINE_PX = 200
OFF_PX = 5.0  # nobody outlines much more exactly than this
STRONGER = 1.15  # by how much the best place must beat the label's own

Floats = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Alignment:
    """Where a label fits best: shift (x, y) px; how much better than where it lies; evidence."""

    shift_xy: tuple[int, int]
    gain: float
    outline_px: int

    @property
    def off(self) -> bool:
        """Whether the label lies beside what it outlines."""
        far = float(np.hypot(*self.shift_xy)) >= OFF_PX
        return far and self.gain >= STRONGER and self.outline_px >= LEAST_OUTLINE_PX


def outlines_of(label: PictureLabel) -> npt.NDArray[np.bool_]:
    """bool [H, W]: pixels beside another surface or kind, where both sides are annotated."""
    found = np.zeros(label.size_hw, bool)
    for mask in (label.surface, label.kind):
        known = mask != NOT_ANNOTATED
        for axis in (0, 1):
            a, b = (np.delete(mask, end, axis) for end in (-1, 0))
            both = np.delete(known, -1, axis) & np.delete(known, 0, axis)
            edge = (a != b) & both
            inside = np.s_[:-1] if axis == 0 else np.s_[:, :-1]
            found[inside] |= edge
    return found


def edge_strength(rgb: npt.NDArray[np.uint8]) -> Floats:
    """Square root of the picture's gradient, float32 [H, W]."""
    import cv2

    cv: Any = cv2
    grey = cv.GaussianBlur(rgb.mean(axis=2, dtype=np.float32), (0, 0), 1.0)
    gx, gy = cv.Sobel(grey, cv.CV_32F, 1, 0), cv.Sobel(grey, cv.CV_32F, 0, 1)
    return np.sqrt(np.hypot(gx, gy)).astype(np.float32)


def read_alignment(rgb: npt.NDArray[np.uint8], label: PictureLabel) -> Alignment:
    """How well the label lies on the picture (uint8 [H, W, 3] of the same size)."""
    outline = outlines_of(label)
    count = int(outline.sum())
    if count < LEAST_OUTLINE_PX:
        return Alignment((0, 0), 1.0, count)
    strength = _along(edge_strength(rgb), ring_around(outline, 1) | outline)
    middle = float(strength[REACH_PX, REACH_PX])
    y, x = np.unravel_index(int(strength.argmax()), strength.shape)
    gain = float(strength.max()) / max(middle, 1e-9)
    return Alignment((int(x) - REACH_PX, int(y) - REACH_PX), gain, count)


def _along(edges: Floats, outline: npt.NDArray[np.bool_]) -> Floats:
    """Mean edge strength along the outline, for every shift within reach: [2 R + 1, 2 R + 1]."""
    height, width = edges.shape
    r = REACH_PX
    size = height + 2 * r, width + 2 * r
    spectrum = np.fft.rfft2(edges, size) * np.conj(np.fft.rfft2(outline.astype(np.float32), size))
    total = np.fft.irfft2(spectrum, size)
    ones = np.fft.rfft2(np.ones_like(edges), size)
    inside = np.fft.irfft2(ones * np.conj(np.fft.rfft2(outline.astype(np.float32), size)), size)
    near = np.arange(-r, r + 1)
    pick = np.ix_(near % size[0], near % size[1])
    return (total[pick] / np.maximum(inside[pick], 1.0)).astype(np.float32)
