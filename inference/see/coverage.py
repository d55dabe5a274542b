"""How much of each surface some picture shows well enough.

A place counts as seen where a readable view shows it, inside the frame, facing the camera, with
nothing in the way, sharp and not clipped, finely enough for a flat disc of the stated size. A share
is of the surface's whole area: the barrel down to the cavity's floor, the cavity from its floor to
the housing's rim, although no picture from outside shows all of a deep plug's.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...model.profile import MeridianProfile
from ...model.shape import ConnectorShape
from ...model.surfaces import SURFACE_NAMES, Surface
from .look import MappedView, Places, look_at, places_on
from .next_picture import NextPicture, Unseen, choose_next
from .travel_map import TravelMap

__all__ = ["COVERED", "Coverage", "measure_coverage"]

COVERED = (Surface.FIBER, Surface.ENDFACE, Surface.CHAMFER, Surface.BARREL, Surface.CAVITY)
STEPS = {
    Surface.FIBER: 6,
    Surface.ENDFACE: 24,
    Surface.CHAMFER: 16,
    Surface.BARREL: 60,
    Surface.CAVITY: 48,
}
SECTORS = 180
GAP_SHARE = 0.5  # a sector of which less is seen is a gap
BAND_UM = 1000.0  # of barrel and cavity the sector's part nearest to the fibre is asked for
LEAST_GAP_DEG = 10.0
ZONES_UM = 125.0  # the graded zones of IEC 61300-3-35: 250 um of diameter
ZONES_SHARE = 0.95  # of their area that one view must show
FRONT_TO_DEG = 30.0  # up to this tilt a view counts as one of the endface


@dataclass(frozen=True)
class Coverage:
    """Share (0..1) of each surface's area on which a deposit of `size_um` would have been seen.

    `unseen_map`: bool raster of the travel map, True where nothing shows the surface; None where no
    view could be placed. `gaps`: plain sentences on what is missing. `next_picture`: the one that
    would show most of it, None where none would or nothing but cavity is missing. `zones_um`:
    diameter of the smallest deposit that one view of the endface shows all over the graded zones;
    None where none shows (nearly) all of them.
    """

    share: dict[Surface, float]
    size_um: float
    unseen_map: npt.NDArray[np.bool_] | None
    gaps: tuple[str, ...]
    next_picture: NextPicture | None = None
    zones_um: float | None = None


def measure_coverage(
    views: Sequence[MappedView],
    shape: ConnectorShape,
    size_um: float,
    travel_map: TravelMap | None = None,
) -> Coverage:
    """Coverage by the views for deposits of `size_um`; `travel_map` lends its `unseen` raster.

    More views never lower a share, and their order does not matter. The fibre counts with its own
    125 um disc, the endface without it.
    """
    profile = MeridianProfile(shape)
    theta = (np.arange(SECTORS) + 0.5) * (360.0 / SECTORS)
    ends = profile.s_ends_at(theta)
    share: dict[Surface, float] = {}
    gaps: list[str] = []
    unseen: dict[Surface, Unseen] = {}
    start = np.zeros(SECTORS)
    for surface in COVERED:
        steps = (np.arange(STEPS[surface]) + 0.5) / STEPS[surface]
        s = start + (ends[surface] - start) * steps[:, None]  # [steps, SECTORS]
        around = np.broadcast_to(theta, s.shape).astype(np.float64)
        places = places_on(profile, s.ravel(), around.ravel())
        seen = _seen(views, places, size_um).reshape(s.shape)
        area = profile.area_density(s, around) * (ends[surface] - start)
        share[surface] = float(np.sum(area * seen) / np.sum(area))
        near = s - start <= BAND_UM
        asked = np.maximum(np.sum(near, axis=0), 1)
        gaps += _gaps(surface, np.sum(seen & near, axis=0) / asked)
        part = near.ravel()
        unseen[surface] = Unseen(
            _picked(places, part), seen.ravel()[part], area.ravel()[part], around.ravel()[part]
        )
        start = ends[surface]
    hidden = None if travel_map is None else ~travel_map.seen & travel_map.on_surface
    following = choose_next(views, shape, unseen, size_um)
    zones_um = _zones_um(views, profile)
    return Coverage(share, size_um, hidden, tuple(gaps), following, zones_um)


def _zones_um(views: Sequence[MappedView], profile: MeridianProfile) -> float | None:
    """The finest that one view shows everywhere in the graded zones."""
    steps = (np.arange(10) + 0.5) / 10 * ZONES_UM
    theta = (np.arange(36) + 0.5) * 10.0
    s, around = (each.ravel() for each in np.meshgrid(steps, theta))
    places = places_on(profile, s, around)
    found: list[float] = []
    for view in views:
        look = look_at(view, places)
        share = float(np.sum(s * look.shown) / np.sum(s))  # area goes with the radius
        if view.camera.tilt_deg <= FRONT_TO_DEG and share >= ZONES_SHARE:
            found.append(float(np.max(look.resolved_um[look.shown])))
    return min(found, default=None)


def _seen(views: Sequence[MappedView], places: Places, size_um: float) -> npt.NDArray[np.bool_]:
    """Which of the places some view shows finely enough."""
    seen = np.zeros(places.s_um.size, bool)
    for view in views:
        look = look_at(view, places)
        seen |= look.shown & (look.resolved_um <= size_um)
    return seen


def _picked(places: Places, part: npt.NDArray[np.bool_]) -> Places:
    return Places(
        places.xyz_um[:, part], places.normal[:, part], places.s_um[part], places.surface[part]
    )


def _gaps(surface: Surface, seen_share: npt.NDArray[np.float64]) -> list[str]:
    """Sentences on the sectors of a surface that are not seen."""
    name = SURFACE_NAMES[surface]
    missing = seen_share < GAP_SHARE
    part = {
        Surface.BARREL: f" (its front {BAND_UM / 1000:g} mm)",
        Surface.CAVITY: f" ({BAND_UM / 1000:g} mm round the barrel's foot)",
    }.get(surface, "")
    if missing.all():
        return [f"{name}{part} not seen"]
    width = 360.0 / missing.size
    found: list[str] = []
    first = int(np.argmin(missing))  # start on a seen sector so that no gap is cut in two
    run: list[int] = []
    for k in [*range(first, first + missing.size), first]:
        if missing[k % missing.size] and len(run) < missing.size:
            run.append(k)
            continue
        if len(run) * width >= LEAST_GAP_DEG:
            begin, end = run[0] * width % 360, (run[-1] + 1) * width % 360
            found.append(f"{name}{part} from {begin:.0f} to {end:.0f} deg not seen")
        run = []
    return found
