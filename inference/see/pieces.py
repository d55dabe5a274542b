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
    """The pieces of a bool mask [H, W], numbered in raster order."""
    import cv2

    cv: Any = cv2
    _, labels, stats, _ = cv.connectedComponentsWithStats(mask.view(np.uint8), connectivity=8)
    return Pieces(labels, stats[:, :4], stats[:, 4])


def ring_around(mask: Mask, reach_px: int) -> Mask:
    """The pixels within `reach_px` (a square's half side) of a mask [h, w] but outside it."""
    import cv2

    cv: Any = cv2
    square = np.ones((2 * reach_px + 1, 2 * reach_px + 1), np.uint8)
    return (cv.dilate(mask.view(np.uint8), square) > 0) & ~mask
