"""The connector's whole surface laid flat about the fibre, from all views.

Azimuthal equidistant: the distance from the raster's middle is the travel distance, the angle is
theta (theta 0 to the right, 90 up: row 0 is the top). Each view's share in a place grows with how
finely and squarely it sees it, so seams fall where both views see equally well, and fade.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.profile import MeridianProfile
from ...model.shape import ConnectorShape
from ...model.surfaces import Surface
from .look import Look, MappedView, Places, look_at, places_on

__all__ = ["TravelMap", "front_reach_um", "lay_travel_map", "whole_reach_um"]

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

SHARPNESS = 2.0  # exponent of the weights: the better view dominates
FADE_PX = 24.0  # over which a view's weight falls to nothing towards its frame
FRONT_REACH = 1.15  # the enlarged map ends this far beyond the chamfer
GAIN_RANGE = (0.5, 2.0)  # how far a view's brightness is brought in line with the best one's
SLIVER_PX = 5  # of the raster


@dataclass(frozen=True)
class TravelMap:
    """The fused map; rasters [M, M].

    `rgb` uint8 [M, M, 3]: the fused picture, 0 where unseen. `kind` uint8: kinds as segmented in
    the view that sees the place best. `seen`: some view shows the place finely enough. `limit_um`
    float32: the smallest flat disc that some view shows there, infinite where none shows the place.
    `on_surface`: the raster's pixel lies on the connector's surface. `um_per_px`: travel distance
    per raster pixel. `s_end_um`: where each surface ends, averaged over theta.
    """

    rgb: Bytes
    kind: Bytes
    seen: Mask
    on_surface: Mask
    um_per_px: float
    s_end_um: dict[Surface, float]
    limit_um: Floats

    def broadly_seen(self) -> Mask:
        """`seen` without clean slivers, too narrow to look at: drawn, they pass for threads."""
        import cv2

        cv: Any = cv2
        disc = cv.getStructuringElement(cv.MORPH_ELLIPSE, (SLIVER_PX, SLIVER_PX))
        broad: Mask = cv.morphologyEx(self.seen.view(np.uint8), cv.MORPH_OPEN, disc) > 0
        return broad | (self.seen & (self.kind > 0))


def whole_reach_um(profile: MeridianProfile) -> float:
    """How far the map of the whole connector reaches: to the farthest corner of the rim."""
    return float(profile.s_ends_at(np.arange(0.0, 360.0, 1.0))[Surface.CAVITY].max())


def front_reach_um(profile: MeridianProfile) -> float:
    """How far the enlarged map of the front reaches."""
    return FRONT_REACH * profile.s_end_um[Surface.CHAMFER]


def lay_travel_map(
    views: Sequence[MappedView],
    shape: ConnectorShape,
    size_um: float,
    map_px: int = 900,
    reach_um: float | None = None,
) -> TravelMap:
    """The map out to `reach_um` (None: to the farthest corner of the rim), `map_px` on a side.

    `size_um`: the size of deposit that `seen` asks for.
    """
    profile = MeridianProfile(shape)
    if reach_um is None:
        reach_um = whole_reach_um(profile)
    um_per_px = 2 * reach_um / map_px
    centre = (np.arange(map_px) + 0.5 - map_px / 2) * um_per_px
    s_all = np.hypot(centre[None], centre[:, None])
    theta_all = np.degrees(np.arctan2(-centre[:, None], centre[None])) % 360.0
    inside = s_all <= reach_um
    places = places_on(profile, s_all[inside], theta_all[inside])
    rgb, kind, limit = _fuse(views, places, um_per_px)
    on_surface = places.surface != Surface.SURROUND

    def raster(values: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
        out = np.zeros((map_px, map_px, *values.shape[1:]), values.dtype)
        out[inside] = values
        return out

    return TravelMap(
        rgb=raster(rgb).astype(np.uint8),
        kind=raster(kind).astype(np.uint8),
        seen=raster(limit <= size_um).astype(np.bool_),
        on_surface=raster(on_surface).astype(np.bool_),
        um_per_px=um_per_px,
        s_end_um=dict(profile.s_end_um),
        limit_um=np.where(raster(on_surface), raster(limit), np.inf).astype(np.float32),
    )


def _fuse(
    views: Sequence[MappedView], places: Places, um_per_px: float
) -> tuple[Bytes, Bytes, Floats]:
    """Fused rgb [n, 3], kind [n] and the smallest disc shown [n], um, of the places."""
    count = places.s_um.size
    kind, limit = np.zeros(count, np.uint8), np.full(count, np.inf, np.float32)
    best = np.zeros(count, np.float32)
    total = np.zeros((count, 1), np.float32)
    colour = np.zeros((count, 3), np.float32)
    for view in _best_first(views):
        look = look_at(view, places)
        at = np.flatnonzero(look.shown)
        look = _picked(look, at)
        weight = _weight(view, look)
        rgb, kinds = _sampled(view, look, um_per_px)
        rgb *= _gain(colour[at], total[at], rgb)
        colour[at] += weight[:, None] * rgb
        total[at, 0] += weight
        better = weight > best[at]
        kind[at[better]] = kinds[better]
        best[at] = np.maximum(best[at], weight)
        limit[at] = np.minimum(limit[at], look.resolved_um)
    shown = total[:, 0] > 0
    rgb = np.zeros((count, 3), np.uint8)
    rgb[shown] = np.clip(colour[shown] / total[shown] + 0.5, 0, 255).astype(np.uint8)
    return rgb, kind, limit.astype(np.float32)


def _best_first(views: Sequence[MappedView]) -> list[MappedView]:
    """Finest view first, so that the result does not depend on the order given."""
    return sorted(views, key=lambda v: (v.camera.um_per_px, v.camera.tilt_deg, v.camera.turn_deg))


def _weight(view: MappedView, look: Look) -> Floats:
    """How much each shown place takes from the view: by detail, and fading towards the frame."""
    height, width = view.camera.size_hw
    to_frame = np.minimum.reduce(
        [look.row, look.column, height - 1 - look.row, width - 1 - look.column]
    )
    fade = np.minimum(to_frame / np.float32(FADE_PX), 1).astype(np.float32)
    detail = np.maximum(look.facing, 0) / np.maximum(look.um_per_px, 1e-3) ** 2
    clear = 1 - view.unseen[look.row, look.column]
    return ((detail * clear * fade) ** np.float32(SHARPNESS)).astype(np.float32)


def _picked(look: Look, at: npt.NDArray[np.intp]) -> Look:
    """The look at some of its places."""
    return Look(*(values[at] for values in vars(look).values()))


def _sampled(view: MappedView, look: Look, um_per_px: float) -> tuple[Floats, Bytes]:
    """Colour [n, 3] and kind [n] at the looked-at pixels, averaged (kind: largest) over a cell."""
    import cv2

    side = max(1, round(um_per_px / view.camera.um_per_px))
    rgb, kind = view.rgb, view.kind
    if side > 1:
        rgb = np.asarray(cv2.blur(rgb, (side, side)), np.uint8)
        kind = np.asarray(cv2.dilate(kind, np.ones((side, side), np.uint8)), np.uint8)
    at = look.row, look.column
    return rgb[at].astype(np.float32), kind[at]


def _gain(colour: Floats, total: Floats, rgb: Floats) -> Floats:
    """Factor [3] that brings a view's colours in line with what is there where both are seen."""
    both = total[:, 0] > 0
    if np.count_nonzero(both) < 200:
        return np.ones(3, np.float32)
    ratio = (colour[both] / total[both] + 1) / (rgb[both] + 1)
    return np.clip(np.median(ratio, axis=0), *GAIN_RANGE).astype(np.float32)
