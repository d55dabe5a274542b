"""Connected pieces of a mask."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Pieces", "connected_pieces", "ring_around"]

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Pieces:
    """The 8-connected pieces of a mask; number 0 is everything outside it.

    `labels` int32 [H, W]: each pixel's piece. `box` int [n, 4]: x, y, width, height of its bounding
    box, px. `area` int [n]: its pixels.
    """

    labels: npt.NDArray[np.int32]
    box: npt.NDArray[np.int32]
    area: npt.NDArray[np.int32]


def connected_pieces(mask: Mask) -> Pieces:
    """The pieces of a bool mask [H, W], numbered in raster order.

    Only the part of the picture that holds the mask is looked at.
    """
    import cv2

    cv: Any = cv2
    height, width = mask.shape
    labels = np.zeros(mask.shape, np.int32)
    rows, columns = (np.flatnonzero(mask.any(axis=axis)) for axis in (1, 0))
    if rows.size == 0:
        box, area = np.array([[0, 0, width, height]], np.int32), np.array([mask.size], np.int32)
        return Pieces(labels, box, area)
    # from even places: OpenCV goes by blocks of 2 x 2, and so numbers as in the whole picture
    top, left = int(rows[0]) & ~1, int(columns[0]) & ~1
    part = np.s_[top : int(rows[-1]) + 1, left : int(columns[-1]) + 1]
    pixels = np.ascontiguousarray(mask[part]).view(np.uint8)
    _, labels[part], stats, _ = cv.connectedComponentsWithStats(pixels, connectivity=8)
    stats[1:, :2] += (left, top)
    outside = mask.size - stats[1:, 4].sum()
    stats[0] = (0, 0, width, height, outside)
    return Pieces(labels, stats[:, :4], stats[:, 4])


def ring_around(mask: Mask, reach_px: int) -> Mask:
    """The pixels within `reach_px` (a square's half side) of a mask [h, w] but outside it."""
    import cv2

    cv: Any = cv2
    square = np.ones((2 * reach_px + 1, 2 * reach_px + 1), np.uint8)
    return (cv.dilate(mask.view(np.uint8), square) > 0) & ~mask
