"""The true outline of a deposit as an opaque mask, laid where it blocks a fibre most.

Pictures show where a deposit's light stops; where it will come to lie on the core nobody knows, so
every place is tried and the worst one counts.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ..see.deposits import SeenDeposit
from ..see.fuse import Deposit

__all__ = ["Outline", "outline_of", "worst_core_share", "worst_mode_share"]

# The grid: fine against a mode of 9 um, coarser for long threads
FINEST_UM, COARSEST_UM, CELLS = 0.5, 2.0, 300


@dataclass(frozen=True)
class Outline:
    """A mask of covered share, float32 [H, W] in 0..1, square cells of `um_per_cell`."""

    covered: npt.NDArray[np.float32]
    um_per_cell: float


def outline_of(deposit: Deposit) -> Outline | None:
    """The outline as the sighting shows it that the deposit's sizes come from; None without one."""
    seen = _measured_by(deposit, deposit.sightings)
    return None if seen is None or seen.metric is None else _laid_flat(seen)


def _measured_by(deposit: Deposit, sightings: Sequence[SeenDeposit]) -> SeenDeposit | None:
    same = [seen for seen in sightings if seen.size_um == deposit.size_um]
    return max(same or sightings, key=lambda seen: seen.pixel_count, default=None)


def _laid_flat(seen: SeenDeposit) -> Outline | None:
    """Its pixels through its metric onto a square grid in um."""
    import cv2

    cv: Any = cv2
    metric = np.asarray(seen.metric, np.float64)
    height, width = seen.mask.shape
    corners = np.array([(0, 0), (width, 0), (0, height), (width, height)], np.float64) @ metric.T
    if not np.isfinite(corners).all() or abs(np.linalg.det(metric)) < 1e-12:
        return None
    low, extent = corners.min(axis=0), np.ptp(corners, axis=0)
    step = min(max(FINEST_UM, float(extent.max()) / CELLS), COARSEST_UM)
    # pixel i covers [i, i+1), OpenCV's pixel i has its middle at i: half a pixel here and there
    turn = metric / step
    move = -low / step + turn @ (0.5, 0.5) - 0.5
    size = tuple(int(np.ceil(side / step)) + 1 for side in extent)
    warp = np.column_stack([turn, move])
    flat = cv.warpAffine(seen.mask.astype(np.float32), warp, size, flags=cv.INTER_NEAREST)
    return Outline(flat, step)


def worst_mode_share(outline: Outline, mfd_um: float) -> float:
    """Share of a Gaussian mode's power that the mask blocks at the worst place, 0..1.

    The mask convolved with the mode's intensity (2 / (pi w^2)) exp(-2 r^2/w^2), a Gaussian of
    sigma w/2; its greatest value.
    """
    import cv2

    cv: Any = cv2
    sigma = mfd_um / 4 / outline.um_per_cell
    side = 2 * int(np.ceil(5 * sigma)) + 1
    mask, edge = outline.covered, cv.BORDER_CONSTANT  # the worst place lies within the hull
    blocked = cv.GaussianBlur(mask, (side, side), sigma, borderType=edge)
    return float(min(1.0, blocked.max()))


def worst_core_share(outline: Outline, core_um: float) -> float:
    """Share of an evenly filled core that the mask covers at the worst place, 0..1."""
    if float(np.hypot(*outline.covered.shape)) * outline.um_per_cell <= core_um:
        area_um2 = float(outline.covered.sum()) * outline.um_per_cell**2
        return min(1.0, area_um2 / (np.pi * core_um**2 / 4))  # all of it fits on the core
    import cv2

    cv: Any = cv2
    radius = core_um / 2 / outline.um_per_cell
    reach = int(np.ceil(radius))
    at = np.arange(-reach, reach + 1)
    disc = (np.hypot(*np.meshgrid(at, at)) <= radius).astype(np.float32)
    disc /= disc.sum()
    mask, edge = outline.covered, cv.BORDER_CONSTANT
    covered = cv.filter2D(mask, cv.CV_32F, disc, borderType=edge)
    return float(min(1.0, covered.max()))
