"""An ellipse through points of which some lie elsewhere."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Ellipse", "robust_ellipse"]

Floats = npt.NDArray[np.float64]
FEWEST = 12


@dataclass(frozen=True)
class Ellipse:
    """Centre px (x, y), half axes px (long, short), direction of the short axis (unit vector).

    `inlier_share`: share of the points that lie on it.
    """

    centre: Floats
    long_px: float
    short_px: float
    short_axis: Floats
    inlier_share: float


def robust_ellipse(px: Floats) -> Ellipse | None:
    """The ellipse through most of the points [n, 2]: fit, drop what lies far off, fit again."""
    import cv2

    keep = np.ones(len(px), bool)
    result: Ellipse | None = None
    for _ in range(5):
        if keep.sum() < FEWEST:
            return result
        (cx, cy), (width, height), angle = cv2.fitEllipseDirect(px[keep].astype(np.float32))
        if not (width > 4 and height > 4):
            return result
        turn = np.radians(angle if width < height else angle + 90)
        short_axis = np.array([np.cos(turn), np.sin(turn)])
        long_px, short_px = max(width, height) / 2, min(width, height) / 2
        centre = np.array([cx, cy])
        off = px - centre
        u, v = off @ short_axis, off @ np.array([-short_axis[1], short_axis[0]])
        gap = (np.hypot(u / short_px, v / long_px) - 1) * short_px
        spread = float(np.median(np.abs(gap)))
        keep = np.abs(gap) < max(0.8, 3 * spread)
        result = Ellipse(centre, long_px, short_px, short_axis, float(keep.mean()))
    return result
