"""Least squares of one connector's shape and the cameras of its views on the views' outlines.

Lengths are in units of the ferrule's radius here, so the fit knows nothing of micrometres. A view
has eight unknowns: the axis' lean in the picture (two), the fibre's pixel (two), the log of the
scale at the fibre (ferrule radii per px), the nearness (ferrule radii over the camera's distance)
and, for an angled endface, the lean of its normal from the axis (two, else held at 0). The views of
one connector share the shape. Each outline point is compared with the curve it lies on:

    circle of radius r at height z   where the point's ray meets that height, less r
    barrel's silhouette              distance between the point's ray and the axis, less 1
    edge of an angled endface        where the ray meets the leaning ball, less the cone's radius

both divided by their slope in the picture, so that residuals are in px (Sampson's distance).
Weights fall with the residual (Geman-McClure), so dirt on an outline and wrong labels hardly count.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

__all__ = [
    "POINT_SD_PX",
    "FitResult",
    "Pinhole",
    "Prior",
    "ViewPoints",
    "circle_points",
    "circle_residual",
    "fit_views",
    "heights",
    "settled_sd_px",
    "side_residual",
    "view_residuals",
]

Floats = npt.NDArray[np.float64]

# Columns of a view's parameters and of the shape's.
LEAN_X, LEAN_Y, FIBER_X, FIBER_Y, LOG_SCALE, NEARNESS, FACE_X, FACE_Y = range(8)
EDGE, CHAMFER, BOW, BARREL = range(4)
VIEW_SIZE, SHAPE_SIZE = 8, 4
POINT_SD_PX = 1.5  # of one outline point, until residuals tell
LEAST_SD_PX = 0.3
_STEP = 1e-5


@dataclass(frozen=True)
class ViewPoints:
    """The points px [n, 2] of one view by the curve they lie on; empty where none were found.

    `edge`: endface against chamfer. `rim`: chamfer against barrel, or against the ground where the
    far chamfer is seen. `side`: the barrel's silhouette. `floor`: barrel against cavity floor.
    `fiber_px`: the fibre's centre. `centre_px`: the picture's. `sd_px`: by group ("fiber" too) how
    well one of its points is known.
    """

    edge: Floats
    rim: Floats
    side: Floats
    floor: Floats
    fiber_px: tuple[float, float] | None
    centre_px: tuple[float, float]
    sd_px: Mapping[str, float]


@dataclass(frozen=True)
class Prior:
    """What is known of the shape beforehand: mean and standard deviation of each, [4].

    `nearness_mean`, `nearness_sd`: of each view [V], or one of all. `face_sd`: of the tangent of an
    angled endface's lean; 0 for an upright one.
    """

    mean: Floats
    sd: Floats
    nearness_mean: float | Floats
    nearness_sd: float | Floats
    face_sd: float = 0.0


@dataclass(frozen=True)
class FitResult:
    """Where a fit ended: views [V, 8], shape [4], their covariance [8 V + 4, 8 V + 4].

    `residual_px`: per view the residuals of each group of points.
    """

    views: Floats
    shape: Floats
    covariance: Floats
    residual_px: tuple[dict[str, Floats], ...] = field(default=())


@dataclass(frozen=True)
class Pinhole:
    """A view's parameters made ready: the axis in camera axes, scale, 1 / focal length."""

    axis: Floats
    fiber: Floats
    scale: float
    per_focal: float
    centre: Floats
    face: Floats

    @staticmethod
    def of(view: Floats, centre_px: tuple[float, float]) -> "Pinhole":
        """From the parameters of one view [8]."""
        lean = float(np.hypot(view[LEAN_X], view[LEAN_Y]))
        share = np.sinc(lean / np.pi)  # sin(lean) / lean
        axis = np.array([share * view[LEAN_X], -share * view[LEAN_Y], -np.cos(lean)])
        scale = float(np.exp(view[LOG_SCALE]))
        per_focal = scale * float(view[NEARNESS])
        fiber, face = view[FIBER_X : FIBER_Y + 1], view[FACE_X : FACE_Y + 1]
        return Pinhole(axis, fiber, scale, per_focal, np.array(centre_px), face)

    def face_normal(self) -> Floats:
        """The endface's normal at the fibre in camera axes, unit length [3]."""
        aside = np.array([1.0, 0.0, 0.0]) - self.axis[0] * self.axis
        aside /= np.linalg.norm(aside)
        normal = self.axis + self.face[0] * aside + self.face[1] * np.cross(self.axis, aside)
        return normal / np.linalg.norm(normal)

    def rays(self, px: Floats) -> tuple[Floats, Floats]:
        """Ray bases (at the fibre's depth) and directions [n, 3] of picture points [n, 2]."""
        base = np.zeros((len(px), 3))
        base[:, :2] = (px - self.fiber) * self.scale
        direction = np.ones((len(px), 3))
        direction[:, :2] = (px - self.centre) * self.per_focal
        return base, direction


def circle_points(camera: Pinhole, px: Floats, z: float) -> tuple[Floats, Floats, Floats]:
    """Where rays meet height z: points [n, 3], radii [n], and d radius / d px [n]."""
    base, direction = camera.rays(px)
    along = direction @ camera.axis
    t = (z - base @ camera.axis) / along
    point = base + t[:, None] * direction
    radius = np.sqrt(np.maximum(np.einsum("ij,ij->i", point, point) - z * z, 1e-12))
    size = camera.scale + t * camera.per_focal
    tug = np.einsum("ij,ij->i", point, direction) / along
    gx = (point[:, 0] - camera.axis[0] * tug) * size / radius
    gy = (point[:, 1] - camera.axis[1] * tug) * size / radius
    return point, radius, np.hypot(gx, gy)


def circle_residual(camera: Pinhole, px: Floats, radius: float, z: float) -> Floats:
    """Signed distance px [n] of points outside a circle about the axis at height z."""
    _, found, slope = circle_points(camera, px, z)
    return (found - radius) / np.maximum(slope, 1e-9)


def edge_residual(camera: Pinhole, px: Floats, shape: Floats) -> Floats:
    """Signed distance px [n] of points outside the endface's edge."""
    edge_z = heights(shape)[0]
    if not camera.face.any():
        return circle_residual(camera, px, float(shape[EDGE]), edge_z)
    gap = _beyond_edge(camera, px, shape)
    slope_x = _beyond_edge(camera, px + [1.0, 0.0], shape) - gap
    slope_y = _beyond_edge(camera, px + [0.0, 1.0], shape) - gap
    return gap / np.maximum(np.hypot(slope_x, slope_y), 1e-9)


def _beyond_edge(camera: Pinhole, px: Floats, shape: Floats) -> Floats:
    """Where rays meet the leaning ball: distance from the axis less the cone's radius there."""
    base, direction = camera.rays(px)
    bow = max(float(shape[BOW]), 1e-3)
    normal = camera.face_normal()
    # |P|^2 bow / 2 + P . normal = 0 for P on the ball through the fibre
    a = bow / 2 * np.sum(direction * direction, axis=1)
    b = bow * np.sum(base * direction, axis=1) + direction @ normal
    c = bow / 2 * np.sum(base * base, axis=1) + base @ normal
    root = np.sqrt(np.maximum(b * b - 4 * a * c, 0.0))
    point = base + (2 * c / (root - b))[:, None] * direction
    height = point @ camera.axis
    radius = np.sqrt(np.maximum(np.sum(point * point, axis=1) - height * height, 1e-12))
    widening = (1 - float(shape[EDGE])) / float(shape[CHAMFER])
    return radius - (float(shape[EDGE]) + widening * (heights(shape)[0] - height))


def side_residual(camera: Pinhole, px: Floats) -> Floats:
    """Signed distance px [n] of points outside the barrel's silhouette (radius 1)."""
    base, direction = camera.rays(px)
    ax, ay, az = camera.axis
    dx, dy = direction[:, 0], direction[:, 1]  # direction z is 1, base z is 0
    nx, ny, nz = dy * az - ay, ax - dx * az, dx * ay - dy * ax
    norm = np.sqrt(np.maximum(nx * nx + ny * ny + nz * nz, 1e-18))
    gap = np.abs(base[:, 0] * nx + base[:, 1] * ny) / norm
    flat_base = base - (base @ camera.axis)[:, None] * camera.axis
    flat_ray = direction - (direction @ camera.axis)[:, None] * camera.axis
    t = -np.sum(flat_base * flat_ray, axis=1) / np.maximum(np.sum(flat_ray**2, axis=1), 1e-9)
    size = np.maximum(camera.scale + t * camera.per_focal, 0.2 * camera.scale)
    return (gap - 1) / size


def heights(shape: Floats) -> tuple[float, float, float]:
    """Heights of edge, rim and floor; the fibre's is 0."""
    edge, bow = float(shape[EDGE]), float(shape[BOW])
    edge_z = -bow * edge * edge / (1 + np.sqrt(max(1 - (bow * edge) ** 2, 0.0)))
    rim_z = edge_z - float(shape[CHAMFER])
    return edge_z, rim_z, rim_z - float(shape[BARREL])


def view_residuals(points: ViewPoints, view: Floats, shape: Floats) -> dict[str, Floats]:
    """Residuals px of each group of points."""
    camera = Pinhole.of(view, points.centre_px)
    _, rim_z, floor_z = heights(shape)
    residuals = {
        "edge": edge_residual(camera, points.edge, shape),
        "rim": circle_residual(camera, points.rim, 1.0, rim_z),
        "side": side_residual(camera, points.side),
        "floor": circle_residual(camera, points.floor, 1.0, floor_z),
    }
    if points.fiber_px is not None:
        residuals["fiber"] = np.array(points.fiber_px) - view[FIBER_X : FIBER_Y + 1]
    return residuals


def _stacked(points: ViewPoints, view: Floats, shape: Floats) -> Floats:
    residuals = view_residuals(points, view, shape)
    return np.concatenate([r / points.sd_px[name] for name, r in residuals.items()])


def _jacobian(points: ViewPoints, view: Floats, shape: Floats, at: Floats, angled: bool) -> Floats:
    """Forward differences [n, 12] by the view's and the shape's parameters."""
    columns: list[Floats] = []
    for index in range(VIEW_SIZE + SHAPE_SIZE):
        if index in (FACE_X, FACE_Y) and not angled:
            columns.append(np.zeros_like(at))
            continue
        moved_view, moved_shape = view.copy(), shape.copy()
        size = 0.01 if index in (FIBER_X, FIBER_Y) else _STEP
        if index < VIEW_SIZE:
            moved_view[index] += size
        else:
            moved_shape[index - VIEW_SIZE] += size
        columns.append((_stacked(points, moved_view, moved_shape) - at) / size)
    return np.stack(columns, axis=1)


def _robust(residual: Floats, width: float) -> tuple[float, Floats]:
    """Geman-McClure cost and weights for residuals in standard deviations."""
    square = (residual / width) ** 2
    return float(np.sum(width**2 * square / (1 + square))), 1 / (1 + square) ** 2


class _Problem:
    """The normal equations of all views together."""

    def __init__(self, views: Sequence[ViewPoints], prior: Prior, width: float) -> None:
        self.views, self.prior, self.width = views, prior, width
        self.size = VIEW_SIZE * len(views) + SHAPE_SIZE

    def cost(self, x: Floats) -> float:
        """Robust cost of the points plus that of the prior."""
        cameras, shape = split(x)
        total = 0.0
        for points, view in zip(self.views, cameras, strict=True):
            residual = _stacked(points, view, shape)
            if not np.isfinite(residual).all():
                return float("inf")
            total += _robust(residual, self.width)[0]
        off = (shape - self.prior.mean) / self.prior.sd
        near = (cameras[:, NEARNESS] - self.prior.nearness_mean) / self.prior.nearness_sd
        face = cameras[:, FACE_X : FACE_Y + 1] * self._face_pull()
        return total + float(off @ off) + float(near @ near) + float(np.sum(face * face))

    def _face_pull(self) -> float:
        """One over the standard deviation of a face's lean; upright faces lie at 0 anyway."""
        return 1 / self.prior.face_sd if self.prior.face_sd > 0 else 1.0

    def equations(self, x: Floats) -> tuple[Floats, Floats]:
        """Matrix and right-hand side of the weighted normal equations at x."""
        cameras, shape = split(x)
        matrix, right = np.zeros((self.size, self.size)), np.zeros(self.size)
        common = np.arange(VIEW_SIZE * len(self.views), self.size)
        near_mean, near_sd = (
            np.broadcast_to(value, len(self.views))
            for value in (self.prior.nearness_mean, self.prior.nearness_sd)
        )
        for k, (points, view) in enumerate(zip(self.views, cameras, strict=True)):
            residual = _stacked(points, view, shape)
            slope = _jacobian(points, view, shape, residual, self.prior.face_sd > 0)
            weight = _robust(residual, self.width)[1]
            at = np.concatenate([np.arange(VIEW_SIZE * k, VIEW_SIZE * (k + 1)), common])
            matrix[np.ix_(at, at)] += (slope * weight[:, None]).T @ slope
            right[at] -= slope.T @ (weight * residual)
            near = VIEW_SIZE * k + NEARNESS
            pull = 1 / near_sd[k] ** 2
            matrix[near, near] += pull
            right[near] -= pull * (view[NEARNESS] - near_mean[k])
            for face in (FACE_X, FACE_Y):
                at_face = VIEW_SIZE * k + face
                matrix[at_face, at_face] += self._face_pull() ** 2
                right[at_face] -= self._face_pull() ** 2 * view[face]
        pull_shape = 1 / self.prior.sd**2
        matrix[common, common] += pull_shape
        right[common] -= pull_shape * (shape - self.prior.mean)
        return matrix, right


def split(x: Floats) -> tuple[Floats, Floats]:
    """Views [V, 8] and shape [4] of a parameter vector."""
    return x[:-SHAPE_SIZE].reshape(-1, VIEW_SIZE), x[-SHAPE_SIZE:]


def clamped(x: Floats) -> Floats:
    """x with what must be positive or bounded put back inside."""
    x = x.copy()
    cameras, shape = split(x)  # views into x
    cameras[:, NEARNESS] = np.clip(cameras[:, NEARNESS], 0.0, 0.2)
    cameras[:, FACE_X:] = np.clip(cameras[:, FACE_X:], -0.25, 0.25)
    shape[EDGE] = np.clip(shape[EDGE], 0.15, 0.98)
    shape[CHAMFER] = np.clip(shape[CHAMFER], 0.01, 1.5)
    shape[BOW] = np.clip(shape[BOW], 0.0, 0.45)
    shape[BARREL] = np.clip(shape[BARREL], 0.5, 25.0)
    return x


def fit_views(
    views: Sequence[ViewPoints], start: FitResult, prior: Prior, width: float, rounds: int = 15
) -> FitResult:
    """Levenberg-Marquardt from `start`; `width` is where weights fall, in point deviations."""
    problem = _Problem(views, prior, width)
    x = clamped(np.concatenate([start.views.ravel(), start.shape]))
    cost, damping = problem.cost(x), 1e-3
    matrix, right = problem.equations(x)
    for _ in range(rounds):
        diagonal = np.diag(np.diag(matrix) + 1e-9)
        trial = clamped(x + np.linalg.solve(matrix + damping * diagonal, right))
        trial_cost = problem.cost(trial)
        if trial_cost < cost:
            done = cost - trial_cost < 1e-4 * (1 + cost) and damping < 1e-2
            x, cost, damping = trial, trial_cost, max(damping / 10, 1e-7)
            if done:
                break
            matrix, right = problem.equations(x)
        else:
            damping *= 10
            if damping > 1e6:
                break
    cameras, shape = split(x)
    result = FitResult(cameras, shape, np.linalg.pinv(matrix).astype(np.float64))
    return replace(result, residual_px=_residuals(views, result))


def settled_sd_px(points: ViewPoints, residual: Mapping[str, Floats]) -> dict[str, float]:
    """How well the points of each group are known, px, from how well the group fits.

    Label errors run on along an outline, so n points are worth fewer: each one's variance is raised
    by n over their effective number, 1 + 2 sum of the autocorrelations up to its first zero (the
    usual effective sample size of a series).
    """
    out = dict(points.sd_px)
    for name in ("edge", "rim", "side", "floor"):
        if len(residual[name]):
            spread = 1.4826 * float(np.median(np.abs(residual[name])))
            out[name] = max(LEAST_SD_PX, spread * np.sqrt(_run_length(residual[name])))
    return out


def _run_length(residual: Floats) -> float:
    """How many neighbouring points share an error: n over the effective sample size."""
    limit = 4 * float(np.median(np.abs(residual))) + 1e-9
    series = np.clip(residual, -limit, limit)
    series = series - series.mean()
    power = float(series @ series)
    total = 1.0
    for lag in range(1, len(series) // 2):
        share = float(series[lag:] @ series[:-lag]) / max(power, 1e-12)
        if share <= 0:
            break
        total += 2 * share
    return total


def _residuals(views: Sequence[ViewPoints], fit: FitResult) -> tuple[dict[str, Floats], ...]:
    pairs = zip(views, fit.views, strict=True)
    return tuple(view_residuals(points, view, fit.shape) for points, view in pairs)
