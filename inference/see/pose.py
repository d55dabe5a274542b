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
from ...model.families import ConnectorFamily, find_family
from ...model.shape import FIBER_RADIUS_UM, ConnectorShape
from ...model.surfaces import Surface
from .connector_fit import (
    BARREL,
    BOW,
    CHAMFER,
    DEPTH,
    EDGE,
    LOG_SCALE,
    MOUTH,
    NEARNESS,
    SHAPE_SIZE,
    VIEW_SIZE,
    FitResult,
    Prior,
    ViewPoints,
    fit_views,
)
from .pose_start import first_views, robust_ellipse, sort_points
from .rims import ViewOutlines, outlines_of

__all__ = ["ConnectorFit", "Pose", "ViewSegmentation", "bottom_offset_deg", "fit_connector"]

Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]

MOST_CUT = 0.45  # share of the endface's outline that the frame may cut off
LEAST_AGREEMENT = 0.70  # intersection over union of fitted and seen endface, and ferrule front
LEAST_NEAR = 0.55  # share of edge and rim points within the tolerance of the fit
NEAR_PX, NEAR_SHARE = 2.5, 0.012  # that tolerance: px, and share of the ferrule's radius
FAREST = 1e-4  # nearness of a camera so far away that its perspective cannot be told


class ViewSegmentation(Protocol):
    """What a fit needs of one segmented picture."""

    @property
    def surface(self) -> Bytes:
        """Index of the surface per pixel, uint8 [H, W]."""
        ...


@dataclass(frozen=True)
class Pose:
    """One view's camera and the shape it was fitted with.

    `scale_source`: "ferrule" (its stated diameter) or "fibre" (the fibre's 125 um told which of the
    two ferrules it is). `um_per_px_interval`: 95 %. `tilt_sd_deg`: standard deviation. `quality`:
    0..1, share of the surfaces' pixels on which fit and mask agree.
    """

    camera: Camera
    shape: ConnectorShape
    scale_source: str
    um_per_px_interval: tuple[float, float]
    tilt_sd_deg: float
    quality: float


@dataclass(frozen=True)
class ConnectorFit:
    """The connector's shape (None if no view could be placed) and per view its pose or a reason."""

    shape: ConnectorShape | None
    poses: tuple[Pose | None, ...]
    why_not: tuple[str | None, ...]


def bottom_offset_deg(tilt_deg: float, roll_deg: float) -> float:
    """theta at the bottom of the picture (straight below the fibre) less the camera's turn."""
    tilt, roll = np.radians([tilt_deg, roll_deg])
    return float(np.degrees(np.arctan2(np.sin(roll) * np.cos(tilt), np.cos(roll))))


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
    family = _family(ferrule_mm, list(lines.values()))
    if family is None:
        reason = "the ferrule's size is not stated and no fibre shows it: give --ferrule"
        return ConnectorFit(None, (None,) * len(views), tuple(w or reason for w in why))
    fitted = _fit_all(lines, family, why)
    if fitted is None:
        return ConnectorFit(None, (None,) * len(views), tuple(why))
    keys, fit = fitted
    shape = _shape(fit.shape, family)
    turns = turns_deg or [None] * len(views)
    source = "fibre" if ferrule_mm is None else "ferrule"
    poses: list[Pose | None] = [None] * len(views)
    for row, key in enumerate(keys):
        pose = _pose(fit, row, (shape, source, turns[key], lines[key]))
        poses[key], why[key] = _checked(pose, views[key].surface)
    _check_fiber(poses, lines, ferrule_mm)
    return ConnectorFit(shape if any(poses) else None, tuple(poses), tuple(why))


def _outlines(surface: Bytes) -> ViewOutlines | str:
    lines = outlines_of(surface)
    if not isinstance(lines, str) and lines.endface.cut_share > MOST_CUT:
        return "the endface is cut off by the frame"
    return lines


def _family(ferrule_mm: float | None, lines: Sequence[ViewOutlines]) -> ConnectorFamily | None:
    """The stated family, or the one whose fibre is as large against the front as seen."""
    if ferrule_mm is not None:
        try:
            return find_family(ferrule_mm)
        except KeyError:
            raise UsageError(f"--ferrule {ferrule_mm:g}: expected 2.5 or 1.25") from None
    ratios: list[float] = []
    for line in lines:
        ellipse = robust_ellipse(line.endface.px)
        if line.fiber is None or ellipse is None or line.front.cut_share > 0.1:
            continue
        across = line.front.px @ np.array([-ellipse.short_axis[1], ellipse.short_axis[0]])
        flatness = ellipse.short_px / ellipse.long_px
        fiber = 2 * np.sqrt(line.fiber.area_px / (np.pi * flatness))
        ratios.append(float(np.ptp(across)) / fiber)
    if not ratios:
        return None
    return find_family(2.5 if np.median(ratios) > 200**0.5 else 1.25)  # 20 against 10


def _prior(family: ConnectorFamily, edge: float) -> tuple[Floats, Prior]:
    """A start for the shape and what is known of it, in ferrule radii.

    The housing's dimensions are assumptions with wide ranges: half the range is one deviation.
    """
    unit = family.ferrule_diameter.nominal / 2
    mean, sd = np.zeros(SHAPE_SIZE), np.zeros(SHAPE_SIZE)
    mean[EDGE], sd[EDGE] = edge, 0.5
    mean[CHAMFER], sd[CHAMFER] = 0.7 * (1 - edge), 0.5 * (1 - edge)
    bows = [unit / family.dome_radius.high, unit / family.dome_radius.low]
    mean[BOW], sd[BOW] = np.mean(bows), np.ptp(bows) / 2
    for index, row in (
        (BARREL, family.barrel_length),
        (MOUTH, family.cavity_half_width),
        (DEPTH, family.cavity_depth),
    ):
        mean[index], sd[index] = row.nominal / unit, (row.high - row.low) / 2 / unit
    # cameras stand from 1 cm to far away: nearness 0.12 (2.5 mm ferrule at 1 cm) down to 0
    return mean, Prior(mean, sd, 0.03 if unit > 1000 else 0.015, 0.03 if unit > 1000 else 0.015)


def _fit_all(
    lines: dict[int, ViewOutlines], family: ConnectorFamily, why: list[str | None]
) -> tuple[list[int], FitResult] | None:
    """Fit each view alone, then together; views that do not fit get a reason in `why`."""
    alone: dict[int, FitResult] = {}
    for key, line in lines.items():
        fit = _fit_alone(line, family)
        if isinstance(fit, str):
            why[key] = fit
        else:
            alone[key] = fit
    if not alone:
        return None
    keys = sorted(alone)
    edge = float(np.median([alone[k].shape[EDGE] for k in keys]))
    shape = np.median([alone[k].shape for k in keys], axis=0)
    start = FitResult(np.concatenate([alone[k].views for k in keys]), shape, np.zeros((0, 0)))
    _, prior = _prior(family, edge)
    for width, all_groups in ((4.0, False), (2.0, True), (1.5, True)):
        points = [
            sort_points(lines[k], start.views[row], start.shape, all_groups)
            for row, k in enumerate(keys)
        ]
        start = fit_views(points, start, prior, width)
    return keys, start


def _fit_alone(line: ViewOutlines, family: ConnectorFamily) -> FitResult | str:
    """One view's own fit from the better of its guesses, or why it cannot be fitted."""
    edge_default = family.endface_edge_diameter.nominal / family.ferrule_diameter.nominal
    first = first_views(line, edge_default)
    if first is None:
        return "the endface's outline is no ellipse"
    guesses, edge = first
    shape, prior = _prior(family, edge)
    best: tuple[float, FitResult] | None = None
    for guess in guesses:
        fit = FitResult(guess[None], shape, np.zeros((0, 0)))
        for width in (12.0, 3.0):
            points = sort_points(line, fit.views[0], fit.shape, all_groups=False)
            fit = fit_views([points], fit, prior, width)
        miss = _typical_miss(fit.residual_px[0])
        if best is None or miss < best[0]:
            best = miss, fit
    assert best is not None
    return best[1]


def _typical_miss(residual: dict[str, Floats]) -> float:
    rims = np.abs(np.concatenate([residual["edge"], residual["rim"], residual["side"]]))
    return float(np.mean(np.minimum(rims, 10.0))) if rims.size else float("inf")


def _shape(shape: Floats, family: ConnectorFamily) -> ConnectorShape:
    """The fitted shape in micrometres."""
    unit = family.ferrule_diameter.nominal / 2
    bow = float(np.clip(shape[BOW], unit / 60000.0, 0.45))
    return ConnectorShape(
        ferrule_radius_um=unit,
        dome_radius_um=unit / bow,
        endface_edge_um=float(shape[EDGE]) * unit,
        chamfer_depth_um=float(shape[CHAMFER]) * unit,
        barrel_length_um=float(shape[BARREL]) * unit,
        cavity_radius_um=float(shape[MOUTH]) * unit,
        cavity_depth_um=float(shape[DEPTH]) * unit,
    )


def _pose(
    fit: FitResult, row: int, about: tuple[ConnectorShape, str, float | None, ViewOutlines]
) -> Pose:
    """The pose of the fit's view `row`; quality is filled in by `_checked`."""
    shape, source, stated_turn, line = about
    view, unit = fit.views[row], shape.ferrule_radius_um
    lean = view[:2]
    tilt = float(np.degrees(np.hypot(*lean)))
    roll = float(np.degrees(np.arctan2(lean[0], lean[1])))
    um_per_px = float(np.exp(view[LOG_SCALE])) * unit
    camera = Camera(
        tilt_deg=tilt,
        turn_deg=((stated_turn or 0.0) - bottom_offset_deg(tilt, roll)) % 360.0,
        roll_deg=roll,
        um_per_px=um_per_px,
        fiber_px=(float(view[2]), float(view[3])),
        distance_um=unit / max(float(view[NEARNESS]), FAREST),
        size_hw=line.size_hw,
    )
    at = VIEW_SIZE * row
    spread = fit.covariance[at : at + VIEW_SIZE, at : at + VIEW_SIZE]
    share = 1.96 * float(np.sqrt(spread[LOG_SCALE, LOG_SCALE]))
    toward = lean / max(float(np.hypot(*lean)), 1e-9)
    tilt_sd = float(np.degrees(np.sqrt(max(toward @ spread[:2, :2] @ toward, 0.0))))
    interval = (um_per_px * np.exp(-share), um_per_px * np.exp(share))
    return Pose(camera, shape, source, (float(interval[0]), float(interval[1])), tilt_sd, 0.0)


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
    if min(face_agrees, front_agrees) < LEAST_AGREEMENT:
        return None, "the outlines do not fit a round ferrule's endface"
    ferrule = (*front, Surface.BARREL)
    body_agrees = _agreement(np.isin(drawn, ferrule), np.isin(seen, ferrule))
    return replace(pose, quality=face_agrees * front_agrees * body_agrees), None


def _agreement(a: npt.NDArray[np.bool_], b: npt.NDArray[np.bool_]) -> float:
    union = int(np.count_nonzero(a | b))
    return int(np.count_nonzero(a & b)) / union if union else 0.0


def _check_fiber(
    poses: Sequence[Pose | None], lines: dict[int, ViewOutlines], ferrule_mm: float | None
) -> None:
    """Raise UsageError where the fibre as seen cannot have 125 um at the stated ferrule's scale."""
    if ferrule_mm is None:
        return
    logs: list[float] = []
    sds: list[float] = []
    for key, pose in enumerate(poses):
        if pose is None or key not in lines or lines[key].fiber is None:
            continue
        fiber = lines[key].fiber
        assert fiber is not None
        camera = pose.camera
        flat = np.cos(np.radians(camera.tilt_deg))
        radius_px = float(np.sqrt(fiber.area_px / (np.pi * max(flat, 0.2))))
        logs.append(float(np.log(radius_px * camera.um_per_px / FIBER_RADIUS_UM)))
        # an edge labelled one pixel off all round, and dirt that hides or adds a tenth
        sds.append(float(np.hypot(1.0 / radius_px, 0.1)))
    if not logs:
        return
    middle, sd = float(np.median(logs)), float(np.median(sds))
    if abs(middle) > 1.96 * sd and abs(abs(middle) - np.log(2)) < 1.96 * sd:
        other = 1.25 if ferrule_mm > 2 else 2.5
        raise UsageError(
            f"--ferrule {ferrule_mm:g} contradicts the pictures: the fibre would be "
            f"{2 * FIBER_RADIUS_UM * np.exp(middle):.0f} um wide instead of 125; "
            f"is it a {other:g} mm ferrule?"
        )
