"""From outlines to cameras: each view alone, then all views of a connector together."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ...model.families import ConnectorFamily
from ...model.shape import FIBER_RADIUS_UM
from .angled import face_lean_deg
from .connector_fit import (
    EDGE,
    LEAN_X,
    LEAN_Y,
    LOG_SCALE,
    NEARNESS,
    VIEW_SIZE,
    FitResult,
    Prior,
    ViewPoints,
    fit_views,
    settled_sd_px,
)
from .ferrule import shape_prior
from .pose_start import first_views, sort_points, with_foot
from .rims import ViewOutlines

__all__ = ["fit_connector_views", "fits"]

Floats = npt.NDArray[np.float64]

NEAR_PX, NEAR_SHARE = 3.0, 0.03  # on the curve: within px, or this share of the ferrule's radius
LEAST_NEAR = 0.6  # share of edge and rim on their curves, or
LEAST_NEAR_ALONE, LEAST_ALONE = 0.75, 40  # of two kinds of curve each, and how many points
UPRIGHT_NEAR = 0.9  # with that share of points on the curves the endface is upright
LEAST_ANGLE_DEG, MOST_ANGLE_DEG = 4.0, 13.0  # of an angled endface
STRAIGHT_DEG = 20.0  # up to this tilt a view does not tell its own perspective
FOCAL_SD = 0.3  # of the log of the focal lengths of one connector's pictures: focusing changes them
LEAST_GAIN = 0.05  # in the share of points on the curves, for an endface to be taken for angled


def fit_connector_views(
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
    _, prior = shape_prior(family, edge)
    fiber = 2 * FIBER_RADIUS_UM / family.ferrule_diameter.nominal
    upright = _fit_together([lines[k] for k in keys], start, prior, fiber)
    if np.median([near_share(upright, row) for row in range(len(keys))]) >= UPRIGHT_NEAR:
        return keys, upright
    angled = _fit_together([lines[k] for k in keys], upright, replace(prior, face_sd=0.15), fiber)
    return keys, angled if _is_angled(angled, upright) else upright


def _is_angled(angled: FitResult, upright: FitResult) -> bool:
    """Whether an angled endface describes the views clearly better than an upright one."""
    rows = range(len(upright.views))
    lean = float(np.median([face_lean_deg(view) for view in angled.views]))
    gain = np.mean([near_share(angled, row) - near_share(upright, row) for row in rows])
    return LEAST_ANGLE_DEG <= lean <= MOST_ANGLE_DEG and float(gain) > LEAST_GAIN


def _fit_together(
    lines: Sequence[ViewOutlines], start: FitResult, prior: Prior, fiber: float
) -> FitResult:
    """All views at once, from coarse to fine; `fiber`: the fibre's radius in ferrule radii."""
    for width, all_groups, settled in ((4.0, False, False), (2.0, True, False), (2.0, True, True)):
        points = [
            sort_points(line, view, start.shape, fiber, all_groups)
            for line, view in zip(lines, start.views, strict=True)
        ]
        if settled:
            points = [
                replace(view, sd_px=settled_sd_px(view, residual))
                for view, residual in zip(points, start.residual_px, strict=True)
            ]
        elif all_groups:
            start = replace(start, shape=with_foot(points, start.views, start.shape))
        known = _one_camera(points, start, prior) if settled else prior
        start = fit_views(points, start, known, width)
    return start


def _one_camera(points: Sequence[ViewPoints], fit: FitResult, prior: Prior) -> Prior:
    """The prior with what oblique views say of the perspective of those straight from the front.

    Seen from the front, all outlines lie at nearly one distance and hardly tell how near the camera
    stood. One camera took pictures of one size, so but for focusing they share its focal length.
    """
    count = len(points)
    scale = np.exp(fit.views[:, LOG_SCALE])
    at = VIEW_SIZE * np.arange(count) + NEARNESS
    per_focal = scale * fit.views[:, NEARNESS]
    weight = 1 / np.maximum(scale**2 * fit.covariance[at, at], 1e-18)
    straight = np.hypot(fit.views[:, LEAN_X], fit.views[:, LEAN_Y]) < np.radians(STRAIGHT_DEG)
    mean, sd = (np.full(count, v) for v in (prior.nearness_mean, prior.nearness_sd))
    for row, own in enumerate(points):
        if not straight[row]:
            continue
        same = np.array([view.centre_px == own.centre_px for view in points]) & ~straight
        if same.any():
            common = _weighted_median(per_focal[same], weight[same])
            spread = np.hypot(FOCAL_SD * common, 1 / np.sqrt(weight[same].sum()))
            mean[row], sd[row] = common / scale[row], spread / scale[row]
    return replace(prior, nearness_mean=mean, nearness_sd=sd)


def _weighted_median(values: Floats, weights: Floats) -> float:
    """The value at which half of the weight lies below, between neighbours."""
    order = np.argsort(values)
    below = np.cumsum(weights[order]) - weights[order] / 2
    middle = float(weights.sum()) / 2
    return float(np.interp(middle, below, values[order]))


def _fit_alone(line: ViewOutlines, family: ConnectorFamily) -> FitResult | str:
    """One view's own fit from the better of its guesses, or why it cannot be fitted."""
    edge_default = family.endface_edge_diameter.nominal / family.ferrule_diameter.nominal
    first = first_views(line, edge_default)
    if first is None:
        return "the endface's outline is no ellipse"
    guesses, edge = first
    shape, prior = shape_prior(family, edge)
    fiber = 2 * FIBER_RADIUS_UM / family.ferrule_diameter.nominal
    best: tuple[float, FitResult] | None = None
    for guess in guesses:
        fit = FitResult(guess[None], shape, np.zeros((0, 0)))
        for width in (12.0, 3.0):
            points = sort_points(line, fit.views[0], fit.shape, fiber, all_groups=False)
            fit = fit_views([points], fit, prior, width)
        miss = _typical_miss(fit.residual_px[0])
        if best is None or miss < best[0]:
            best = miss, fit
    assert best is not None
    return best[1]


def _typical_miss(residual: dict[str, Floats]) -> float:
    rims = np.abs(np.concatenate([residual["edge"], residual["rim"], residual["side"]]))
    return float(np.mean(np.minimum(rims, 10.0))) if rims.size else float("inf")


def fits(fit: FitResult, row: int) -> bool:
    """Whether a view's outlines are those of a ferrule with this shape.

    Most points of edge and rim lie on the fitted curves, or two of edge, rim and silhouette do so
    each by itself: a net loses one of them where two surfaces look alike.
    """
    if near_share(fit, row) >= LEAST_NEAR:
        return True
    good = [
        near_share(fit, row, (name,)) >= LEAST_NEAR_ALONE
        for name in ("edge", "rim", "side")
        if len(fit.residual_px[row][name]) >= LEAST_ALONE
    ]
    return sum(good) >= 2


def near_share(fit: FitResult, row: int, groups: tuple[str, ...] = ("edge", "rim")) -> float:
    """Share of a view's points of these groups that lie on the fitted curves."""
    residual = fit.residual_px[row]
    off = np.abs(np.concatenate([residual[name] for name in groups]))
    radius_px = float(np.exp(-fit.views[row, LOG_SCALE]))
    return float(np.mean(off < max(NEAR_PX, NEAR_SHARE * radius_px))) if off.size else 0.0
