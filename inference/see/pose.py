"""Scale and pose of every view, and the connector's shape, from masks of surfaces.

The scale comes from the ferrule's known diameter. Per view the outlines of endface, chamfer and
barrel give a first guess (ellipses), then all views of the connector are fitted together
(`connector_fit`). A view whose outlines do not fit a round ferrule is refused with a reason.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from ...model.camera import Camera, surface_coordinates
from ...model.errors import UsageError
from ...model.families import ConnectorFamily, default_shape
from ...model.profile import MeridianProfile
from ...model.shape import ConnectorShape
from ...model.surfaces import Surface
from .angled import face_azimuth_deg, face_lean_deg
from .camera_pose import Pose
from .closeup import close_up, close_up_pose
from .connector_fit import (
    BARREL,
    BOW,
    CHAMFER,
    EDGE,
    LOG_SCALE,
    NEARNESS,
    VIEW_SIZE,
    FitResult,
    heights,
)
from .ferrule import check_fiber, family_of
from .mouth import MouthFit, fit_mouth, highest_rim, lowest_barrel, mouth_points
from .rims import ViewOutlines, outlines_of
from .turns import Turns, settle_turns, tilt_and_roll_deg
from .views_fit import fit_connector_views, fits

__all__ = ["ConnectorFit", "Pose", "ViewSegmentation", "fit_connector"]

Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]

MOST_CUT = 0.45  # share of the endface's outline that the frame may cut off
LEAST_AGREEMENT = 0.75  # intersection over union of fitted and seen ferrule front
LEAST_FACE_AGREEMENT = 0.5  # and of the endface, which may run into a chamfer that looks alike
NO_FERRULE = "the outlines do not fit a round ferrule's endface"
NO_SIDE = "a ferrule so tilted would show its side, and none is seen; aim at a plug and retake"
OBLIQUE_DEG = 20.0  # from here on a ferrule that stands out of its housing shows its side
LEAST_SIDE = 0.01  # of the front's pixels
RIM_SLACK = 0.15  # by how much, in ferrule radii, a mouth may seem to hide what is seen,
RIM_SLACK_SHARP = 0.3  # and one whose edge was seen sharply: surer than where the barrel ends
FAREST = 1e-4  # nearness of a camera so far away that its perspective cannot be told


class ViewSegmentation(Protocol):
    """What a fit needs of one segmented picture."""

    @property
    def surface(self) -> Bytes:
        """Index of the surface per pixel, uint8 [H, W]."""
        ...


@dataclass(frozen=True)
class ConnectorFit:
    """The connector's shape (None if no view could be placed) and per view its pose or a reason.

    `floor_sd_um`: how well the height of the cavity's floor is known, standard deviation; it is
    large where no view shows the barrel's foot and the family's range had to stand in.
    """

    shape: ConnectorShape | None
    poses: tuple[Pose | None, ...]
    why_not: tuple[str | None, ...]
    floor_sd_um: float | None = None


def fit_connector(
    views: Sequence[ViewSegmentation],
    ferrule_mm: float | None,
    turns_deg: Sequence[float | None] | None,
) -> ConnectorFit:
    """Pose of each view of one connector.

    `ferrule_mm`: 2.5, 1.25, or None to tell it from the fibre. `turns_deg`: per view the stated
    theta at the bottom of the picture, or None (then 0 within that view). Raises UsageError where
    the stated ferrule contradicts the fibre's 125 um.
    """
    if turns_deg is not None and len(turns_deg) != len(views):
        raise UsageError(f"{len(turns_deg)} turns for {len(views)} pictures: give one per picture")
    found = [_outlines(view.surface) for view in views]
    lines = {k: got for k, got in enumerate(found) if not isinstance(got, str)}
    why = [got if isinstance(got, str) else None for got in found]
    family = family_of(ferrule_mm, list(lines.values()))
    if family is None:
        reason = "the ferrule's size is not stated and no fibre shows it: give --ferrule"
        return ConnectorFit(None, (None,) * len(views), tuple(w or reason for w in why))
    stated = list(turns_deg or [None] * len(views))
    poses: list[Pose | None] = [None] * len(views)
    shape, floor_sd = _place(views, lines, family, stated, (poses, why))
    if ferrule_mm is not None:
        check_fiber([(p.camera, lines[k].fiber) for k, p in enumerate(poses) if p], ferrule_mm)
    else:
        poses = [None if p is None else replace(p, scale_source="fibre") for p in poses]
    for k, view in enumerate(views):
        found_close = close_up(view.surface) if poses[k] is None else None
        near = shape or default_shape(family)
        pose = None if found_close is None else close_up_pose(found_close, near, stated[k])
        if pose is not None:
            poses[k], why[k] = _checked(pose, view.surface)
            shape = shape or (near if poses[k] else None)
    if not any(poses):
        return ConnectorFit(None, tuple(poses), tuple(why))
    return ConnectorFit(shape, tuple(poses), tuple(why), floor_sd)


def _place(
    views: Sequence[ViewSegmentation],
    lines: dict[int, ViewOutlines],
    family: ConnectorFamily,
    stated: Sequence[float | None],
    out: tuple[list[Pose | None], list[str | None]],
) -> tuple[ConnectorShape | None, float | None]:
    """Fit the views with outlines, write poses or reasons to `out`; the shape, its floor's sd."""
    poses, why = out
    fitted = fit_connector_views(lines, family, why)
    if fitted is None:
        return None, None
    keys, fit = fitted
    cavity = _cavity(fit, [lines[k] for k in keys], family)
    shape = _shape(fit, cavity, family)
    floor_sd = float(np.sqrt(cavity.barrel_var)) * shape.ferrule_radius_um
    turns = _settled(fit, [stated[k] for k in keys], shape, cavity.mouth)
    shape = replace(shape, key_deg=turns.key_deg)
    marks = _marks(fit, shape, cavity.mouth)
    possible = _possible(shape)
    for row, key in enumerate(keys):
        if not possible or not fits(fit, row):
            why[key] = NO_FERRULE
            continue
        pose = _pose(fit, row, (shape, turns, lines[key].size_hw))
        fitted_mouth = cavity.mouth is not None and cavity.mouth.stands_for_mask
        mark, period = marks[row]
        pose = replace(
            pose,
            floor_sd_um=floor_sd,
            mouth_fitted=fitted_mouth,
            mark_deg=mark,
            mark_period_deg=period,
        )
        poses[key], why[key] = _checked(pose, views[key].surface)
    return (shape if any(poses) else None), floor_sd


def _outlines(surface: Bytes) -> ViewOutlines | str:
    lines = outlines_of(surface)
    if not isinstance(lines, str) and lines.endface.cut_share > MOST_CUT:
        return "the endface is cut off by the frame"
    return lines


@dataclass(frozen=True)
class _Cavity:
    """Barrel length, cavity depth and half width in ferrule radii; the length's variance."""

    barrel: float
    barrel_var: float
    depth: float
    half: float
    corner: float
    mouth: MouthFit | None


def _cavity(fit: FitResult, lines: Sequence[ViewOutlines], family: ConnectorFamily) -> _Cavity:
    """Barrel and cavity from the barrel's foot and the mouth's rim, as far as views show them.

    The rim's height ties barrel length and cavity depth together: what is seen of it is shared out
    between the two by how well each is known. Without a rim the family's depth serves, or less
    where that would hide what a view shows.
    """
    unit = family.ferrule_diameter.nominal / 2
    rim_z = heights(fit.shape)[1]
    row = family.cavity_depth
    depth, depth_var = row.nominal / unit, ((row.high - row.low) / 2 / unit) ** 2
    barrel, barrel_var = float(fit.shape[BARREL]), float(fit.covariance[-1, -1])
    seen = [
        (line, view, (line.size_hw[1] / 2, line.size_hw[0] / 2))
        for line, view in zip(lines, fit.views, strict=True)
    ]
    shown = rim_z - min(lowest_barrel(*each) for each in seen)
    if barrel < shown:  # what was taken for the barrel's foot was none
        row = family.barrel_length
        barrel, barrel_var = max(row.nominal / unit, shown), ((row.high - row.low) / 2 / unit) ** 2
    floor_z = rim_z - barrel
    points = [mouth_points(*each) for each in seen]
    mouth = fit_mouth(points, floor_z + depth, float(np.sqrt(barrel_var + depth_var)))
    if mouth is not None:
        highest = min(highest_rim(*each, mouth.reach) for each in seen)
        slack = RIM_SLACK_SHARP if mouth.sharp else RIM_SLACK
        if mouth.height > highest + slack:  # it would hide barrel that a view shows
            mouth = None
    if mouth is None:
        half = family.cavity_half_width.nominal / unit
        highest = min(highest_rim(*each, half) for each in seen)
        depth = float(min(depth, max(highest - floor_z, 0.2)))
        return _Cavity(barrel, barrel_var, depth, half, 1.0, None)
    off = mouth.height - (floor_z + depth)
    total = barrel_var + depth_var + mouth.height_sd**2
    return _Cavity(
        barrel=max(barrel - barrel_var / total * off, shown, 0.2),
        barrel_var=barrel_var * (1 - barrel_var / total),
        depth=max(depth + depth_var / total * off, 0.1),
        half=max(mouth.half, 1.02),
        corner=mouth.corner,
        mouth=mouth,
    )


def _shape(fit: FitResult, cavity: _Cavity, family: ConnectorFamily) -> ConnectorShape:
    """The shape in micrometres."""
    unit = family.ferrule_diameter.nominal / 2
    bow = float(np.clip(fit.shape[BOW], unit / 60000.0, 0.45))
    return ConnectorShape(
        ferrule_radius_um=unit,
        dome_radius_um=unit / bow,
        endface_edge_um=float(fit.shape[EDGE]) * unit,
        chamfer_depth_um=float(fit.shape[CHAMFER]) * unit,
        barrel_length_um=cavity.barrel * unit,
        cavity_radius_um=cavity.half * unit,
        cavity_depth_um=cavity.depth * unit,
        cavity_corner=cavity.corner,
        apc_angle_deg=float(np.median([face_lean_deg(view) for view in fit.views])),
    )


def _settled(
    fit: FitResult,
    stated_deg: Sequence[float | None],
    shape: ConnectorShape,
    mouth: MouthFit | None,
) -> Turns:
    """The views' turns, by an angled endface's lean if there is one, else by a square mouth."""
    if shape.apc_angle_deg > 0:
        return settle_turns(
            fit.views, stated_deg, [face_azimuth_deg(view) for view in fit.views], 360.0
        )
    if mouth is None:
        return settle_turns(fit.views, stated_deg, (None,) * len(stated_deg), 90.0)
    return settle_turns(fit.views, stated_deg, mouth.turn_deg, 90.0, trusted=mouth.sharp)


def _marks(
    fit: FitResult, shape: ConnectorShape, mouth: MouthFit | None
) -> list[tuple[float | None, float]]:
    """Per view the direction of what all views share and can be trusted, and its period, deg."""
    if shape.apc_angle_deg > 0:
        return [(face_azimuth_deg(view), 360.0) for view in fit.views]
    if mouth is None or not mouth.sharp:
        return [(None, 360.0)] * len(fit.views)
    return [(turn, 90.0) for turn in mouth.turn_deg]


def _possible(shape: ConnectorShape) -> bool:
    """Whether the shape is one body."""
    try:
        MeridianProfile(shape)
    except ValueError:
        return False
    return True


def _pose(fit: FitResult, row: int, about: tuple[ConnectorShape, Turns, tuple[int, int]]) -> Pose:
    """The pose of the fit's view `row`; quality is filled in by `_checked`."""
    shape, turns, size_hw = about
    view, unit = fit.views[row], shape.ferrule_radius_um
    lean = view[:2]
    tilt, roll = tilt_and_roll_deg(view)
    um_per_px = float(np.exp(view[LOG_SCALE])) * unit
    camera = Camera(
        tilt_deg=tilt,
        turn_deg=turns.turn_deg[row],
        roll_deg=roll,
        um_per_px=um_per_px,
        fiber_px=(float(view[2]), float(view[3])),
        distance_um=unit / max(float(view[NEARNESS]), FAREST),
        size_hw=size_hw,
    )
    at = VIEW_SIZE * row
    spread = fit.covariance[at : at + VIEW_SIZE, at : at + VIEW_SIZE]
    share = 1.96 * float(np.sqrt(spread[LOG_SCALE, LOG_SCALE]))
    toward = lean / max(float(np.hypot(*lean)), 1e-9)
    tilt_sd = float(np.degrees(np.sqrt(max(toward @ spread[:2, :2] @ toward, 0.0))))
    interval = (um_per_px * np.exp(-share), um_per_px * np.exp(share))
    return Pose(
        camera=camera,
        shape=shape,
        scale_source="ferrule",
        um_per_px_interval=(float(interval[0]), float(interval[1])),
        tilt_sd_deg=tilt_sd,
        quality=0.0,
        turn_sd_deg=turns.sd_deg[row],
    )


def _checked(pose: Pose, surface: Bytes) -> tuple[Pose | None, str | None]:
    """The pose with its quality, or why the fit does not describe the picture."""
    step = max(1, round(min(surface.shape) / 240))
    seen = surface[step // 2 :: step, step // 2 :: step]
    height, width = seen.shape
    camera = pose.camera
    # a coarser picture of the same scene; its pixel centres are those sampled above to within half
    coarse = replace(
        camera,
        um_per_px=camera.um_per_px * step,
        fiber_px=(
            (camera.fiber_px[0] - camera.size_hw[1] / 2) / step + width / 2,
            (camera.fiber_px[1] - camera.size_hw[0] / 2) / step + height / 2,
        ),
        size_hw=(height, width),
    )
    drawn = surface_coordinates(coarse, pose.shape).surface
    face = (Surface.ENDFACE, Surface.FIBER)
    front = (*face, Surface.CHAMFER)
    face_agrees = _agreement(np.isin(drawn, face), np.isin(seen, face))
    front_agrees = _agreement(np.isin(drawn, front), np.isin(seen, front))
    if front_agrees < LEAST_AGREEMENT or face_agrees < LEAST_FACE_AGREEMENT:
        return None, NO_FERRULE
    if camera.tilt_deg >= OBLIQUE_DEG and _lacks_side(seen, front):
        return None, NO_SIDE
    ferrule = (*front, Surface.BARREL)
    body_agrees = _agreement(np.isin(drawn, ferrule), np.isin(seen, ferrule))
    return replace(pose, quality=face_agrees * front_agrees * body_agrees), None


def _lacks_side(seen: Bytes, front: tuple[Surface, ...]) -> bool:
    """Whether a whole front, not cut by the frame, stands there without any barrel."""
    mask = np.isin(seen, front)
    if mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any():
        return False
    return bool(np.count_nonzero(seen == Surface.BARREL) < LEAST_SIDE * np.count_nonzero(mask))


def _agreement(a: npt.NDArray[np.bool_], b: npt.NDArray[np.bool_]) -> float:
    union = int(np.count_nonzero(a | b))
    return int(np.count_nonzero(a & b)) / union if union else 0.0
