"""Which picture to take next, so that most of what is not seen yet is seen.

Candidates are pictures straight from the front and oblique ones aimed at each gap, like the
pictures at hand in scale and sharpness. What each would show is computed on the fitted connector,
its own body and housing in the way as they are.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...model.camera import Camera
from ...model.shape import ConnectorShape
from ...model.surfaces import SURFACE_NAMES, Surface
from .look import MappedView, Places, faultless_view, look_at

__all__ = ["NextPicture", "Unseen", "choose_next"]

Mask = npt.NDArray[np.bool_]

ASKED = (Surface.FIBER, Surface.ENDFACE, Surface.CHAMFER, Surface.BARREL)  # a cavity never ends
TILTS_DEG = (45.0, 60.0)
SIZE_HW = (150, 200)  # px of a candidate; enough for what hides what
FILL = 0.75  # how much of the frame's height the ferrule takes where no view says
LEAST_GAIN = 0.02  # share of a surface that a picture must add to be worth taking


@dataclass(frozen=True)
class Unseen:
    """The places of one surface that are asked for, and which of them no view shows.

    `seen` bool [n]: whether some view does; `area_um2` [n]; `theta_deg` [n].
    """

    places: Places
    seen: Mask
    area_um2: npt.NDArray[np.float64]
    theta_deg: npt.NDArray[np.float64]


@dataclass(frozen=True)
class NextPicture:
    """A picture to take: tilt and turn, deg, and by surface's name what share it would add."""

    tilt_deg: float
    turn_deg: float
    adds: Mapping[str, float]


def choose_next(
    views: Sequence[MappedView],
    shape: ConnectorShape,
    unseen: Mapping[Surface, Unseen],
    size_um: float,
) -> NextPicture | None:
    """The picture that adds most; None where none adds anything worth while.

    Each surface's share counts alike. `size_um`: of the deposit that must be seen.
    """
    asked = {surface: unseen[surface] for surface in ASKED if surface in unseen}
    best: NextPicture | None = None
    for tilt, turn in _candidates(asked):
        view = _imagined(views, shape, (tilt, turn))
        adds = {
            SURFACE_NAMES[surface]: share
            for surface, part in asked.items()
            if (share := _added(view, part, size_um)) >= LEAST_GAIN
        }
        if sum(adds.values()) > (0.0 if best is None else sum(best.adds.values())):
            best = NextPicture(tilt, turn, adds)
    return best


def _candidates(asked: Mapping[Surface, Unseen]) -> list[tuple[float, float]]:
    """Tilts and turns worth a try: the front, and at each gap of a surface its middle."""
    turns = sorted({middle for part in asked.values() for middle in _middles(part)})
    if not turns:
        return []
    return [(0.0, 0.0), *((tilt, turn) for turn in turns for tilt in TILTS_DEG)]


def _middles(part: Unseen) -> list[float]:
    """The middles (whole deg) of the runs of angles of which most is unseen; 0 if that is all."""
    angles, index = np.unique(part.theta_deg, return_inverse=True)
    missing = np.bincount(index, part.area_um2 * ~part.seen) > 0.5 * np.bincount(
        index, part.area_um2
    )
    if not missing.any():
        return []
    if missing.all():
        return [0.0]
    first = int(np.argmin(missing))
    turned = np.roll(missing, -first)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], turned.astype(int), [0]])))
    width = 360.0 / len(angles)
    return [
        float(round((angles[0] + (first + (a + b - 1) / 2) * width) % 360.0) % 360)
        for a, b in edges.reshape(-1, 2)
    ]


def _imagined(
    views: Sequence[MappedView], shape: ConnectorShape, pose: tuple[float, float]
) -> MappedView:
    """A faultless view at tilt and turn, of the median scale and sharpness of those at hand."""
    height, width = SIZE_HW
    coarser = [view.camera.size_hw[0] / height for view in views]
    um_per_px = float(
        np.median([v.camera.um_per_px * c for v, c in zip(views, coarser, strict=True)])
        if views
        else 2 * shape.ferrule_radius_um / (FILL * height)
    )
    limit_um = float(np.median([v.limit_px * v.camera.um_per_px for v in views])) if views else 0.0
    distance = float(np.median([v.camera.distance_um for v in views])) if views else 50_000.0
    # the ferrule's end a little above the middle, so that its side has room
    middle = (width / 2, height * (0.5 if pose[0] == 0 else 0.4))
    camera = Camera(pose[0], pose[1], 0.0, um_per_px, middle, distance, SIZE_HW)
    return faultless_view(camera, shape, limit_um / um_per_px)


def _added(view: MappedView, part: Unseen, size_um: float) -> float:
    """The share of a surface's asked-for area that the view would add."""
    look = look_at(view, part.places)
    new = look.shown & (look.resolved_um <= size_um) & ~part.seen
    return float(np.sum(part.area_um2 * new) / np.sum(part.area_um2))
