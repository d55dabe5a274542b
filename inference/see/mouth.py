"""The mouth of the cavity: its outline's size, corners and height, from its edge in several views.

The outline is a circle, a square or, where no square fits, an oblong with rounded corners about the
ferrule's axis. Poses are known by now, so each edge point is carried to a height along its ray and
compared with the outline there. Lengths are in ferrule radii; angles about the axis count from the
camera's azimuth.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.surfaces import Surface
from .connector_fit import LEAN_X, LEAN_Y, Pinhole, circle_points, side_residual
from .rims import ViewOutlines

__all__ = [
    "MouthFit",
    "MouthPoints",
    "fit_mouth",
    "highest_rim",
    "lowest_barrel",
    "mouth_points",
    "oblong_radius",
    "square_radius",
]

Floats = npt.NDArray[np.float64]

FEWEST = 15
SEARCH_POINTS, SEARCH_HEIGHTS = 48, 33  # of each view, and over four deviations
LEAST_SLANT = 0.2  # sine of the least tilt at which silhouettes tell heights
ROUND = 0.85  # corners larger than this share of the half width: taken for a circle
BESIDE_PX, BESIDE_SHARE = 6.0, 0.12  # so near to the ferrule's outline, px or of its radius
MOST_MISS_PX = 4.0  # typical miss of an accepted outline, px, or this share of the ferrule's radius
MOST_MISS_SHARE = 0.05
SHARP_SHARE = 0.02  # typical miss of an outline good enough to redraw the mask by
OBLONG = (1.25, 1.6)  # long side over short that are tried where no square fits well
OBLONG_GAIN = 0.6  # of the square's typical miss, which an oblong must fall below
SQUARE_LOG = 0.03  # log of long over short side up to which an oblong is a square
HEIGHT, LOG_HALF, CORNER, LOG_LONG, TURNS = range(5)  # of a trial; from TURNS on one each view


@dataclass(frozen=True)
class MouthPoints:
    """One view's edge points px [n, 2] and its camera; `lean` as in the view's parameters [2]."""

    px: Floats
    camera: Pinhole
    lean: Floats

    def thinned(self, count: int) -> "MouthPoints":
        """The same view with at most about `count` of its points."""
        return replace(self, px=self.px[:: max(1, len(self.px) // count)])

    def polar(self, z: float) -> tuple[Floats, Floats, Floats]:
        """Radius, angle (deg, from the camera's azimuth) and px per radius of the points at z."""
        point, radius, slope = circle_points(self.camera, self.px, z)
        tilt, roll = float(np.hypot(*self.lean)), float(np.arctan2(self.lean[0], self.lean[1]))
        down = np.array([-np.sin(roll), np.cos(roll), 0.0])
        toward = np.cos(tilt) * down + np.sin(tilt) * np.array([0.0, 0.0, -1.0])
        aside = np.cross(self.camera.axis, toward)
        angle = np.degrees(np.arctan2(point @ aside, point @ toward))
        return radius, angle, 1 / np.maximum(slope, 1e-9)


@dataclass(frozen=True)
class MouthFit:
    """The outline: half width, corner radius over half width (1 = circle), height of the rim.

    `half`: of an oblong the square root of its two half widths' product. `oblong`: long over short
    side, 1 for circle and square. `turn_deg`: per view the direction of a side from the camera's
    azimuth, in [0, 90), None for a circle or a view without edge points. `height_sd`: standard
    deviation of the height. `sharp`: whether the points lie near the outline.
    """

    half: float
    corner: float
    height: float
    height_sd: float
    turn_deg: tuple[float | None, ...]
    sharp: bool
    oblong: float = 1.0

    @property
    def reach(self) -> float:
        """The greatest distance from the axis to the outline: to a corner."""
        angles = np.linspace(0.0, 90.0, 91)
        short = self.half / np.sqrt(self.oblong)
        return short * float(oblong_radius(angles, self.corner, self.oblong).max())

    @property
    def stands_for_mask(self) -> bool:
        """Whether circle or square may divide cavity and housing in the net's place."""
        return self.sharp and self.oblong == 1.0


def square_radius(angle_deg: Floats, corner: float) -> Floats:
    """Distance from the centre to a rounded square of half width 1, a side facing 0 deg."""
    return oblong_radius(angle_deg, corner, 1.0)


def oblong_radius(angle_deg: Floats, corner: float, oblong: float) -> Floats:
    """Distance from the centre to a rounded oblong.

    Its half widths are `oblong` (>= 1) along 0 deg and 1 along 90 deg, its corners' radius `corner`
    in 0..1.
    """
    phi = np.radians(np.abs((angle_deg + 90.0) % 180.0 - 90.0))
    cos, sin = np.cos(phi), np.sin(phi)
    long, short = oblong - corner, 1 - corner  # the corner's centre
    with np.errstate(divide="ignore"):
        end, side = oblong / cos, 1 / sin
    m = long * cos + short * sin
    bow = m + np.sqrt(np.maximum(m * m - long**2 - short**2 + corner**2, 0.0))
    on_end, on_side = oblong * sin <= short * cos, cos <= long * sin
    return np.where(on_end, end, np.where(on_side, side, bow))


def mouth_points(lines: ViewOutlines, view: Floats, centre_px: tuple[float, float]) -> MouthPoints:
    """Edge points between the cavity, or the barrel that runs into it, and the housing.

    Those beside the ferrule's outline are left out: a net draws slivers of cavity there.
    """
    camera = Pinhole.of(view, centre_px)
    lean = view[LEAN_X : LEAN_Y + 1]
    mouth = lines.mouth
    if mouth is None:
        return MouthPoints(np.zeros((0, 2)), camera, lean)
    off_side = np.abs(side_residual(camera, mouth.px))
    barrel = (mouth.inside == Surface.BARREL) & (off_side > max(6.0, 0.1 / camera.scale))
    gaps = np.linalg.norm(mouth.px[:, None] - lines.ferrule.px, axis=2).min(axis=1)
    off_ferrule = gaps > max(BESIDE_PX, BESIDE_SHARE / camera.scale)
    edge = (mouth.inside == Surface.CAVITY) & off_ferrule | barrel
    keep = edge & (mouth.outside == Surface.HOUSING)
    return MouthPoints(mouth.px[keep], camera, lean)


def lowest_barrel(lines: ViewOutlines, view: Floats, centre_px: tuple[float, float]) -> float:
    """The least height at which an oblique view shows the barrel's silhouette; inf if none does."""
    camera = Pinhole.of(view, centre_px)
    ferrule = lines.ferrule
    off_side = np.abs(side_residual(camera, ferrule.px))
    side = (ferrule.inside == Surface.BARREL) & (off_side < max(3.0, 0.06 / camera.scale))
    if np.hypot(camera.axis[0], camera.axis[1]) < LEAST_SLANT or side.sum() < FEWEST:
        return np.inf
    base, direction = camera.rays(ferrule.px[side])
    flat_base = base - (base @ camera.axis)[:, None] * camera.axis
    flat_ray = direction - (direction @ camera.axis)[:, None] * camera.axis
    t = -np.sum(flat_base * flat_ray, axis=1) / np.sum(flat_ray**2, axis=1)
    return float(np.percentile((base + t[:, None] * direction) @ camera.axis, 3))


def highest_rim(
    lines: ViewOutlines, view: Floats, centre_px: tuple[float, float], reach: float
) -> float:
    """The greatest height of a mouth that hides no barrel that the view shows.

    `reach`: the greatest distance from the axis to the mouth. A line of sight to the barrel's
    silhouette passes the axis at 1 and leaves the mouth sqrt(reach^2 - 1) further on, so the near
    rim hides the silhouette below its own height less that over tan(tilt).
    """
    lowest = lowest_barrel(lines, view, centre_px)
    if not np.isfinite(lowest):
        return np.inf
    axis = Pinhole.of(view, centre_px).axis
    further = np.sqrt(max(reach * reach - 1, 0.0))
    return lowest + further * -float(axis[2]) / float(np.hypot(axis[0], axis[1]))


def fit_mouth(
    views: Sequence[MouthPoints], height_mean: float, height_sd: float
) -> MouthFit | None:
    """The mouth's outline; None if no view shows its edge or no outline fits.

    `height_mean`, `height_sd`: what is known of the rim's height beforehand.
    """
    used = [k for k, view in enumerate(views) if len(view.px) >= FEWEST]
    if not used:
        return None
    picked = [views[k] for k in used]
    coarsest = max(1 / view.camera.scale for view in picked)
    found = _best_of(picked, (1.0,), height_mean, height_sd)
    if found.typical_px > _sharp_px(coarsest):
        longer = _best_of(picked, OBLONG, height_mean, height_sd)
        if longer.typical_px < OBLONG_GAIN * found.typical_px:
            found = longer
    if found.typical_px > max(MOST_MISS_PX, MOST_MISS_SHARE * coarsest):
        return None
    return _outline(found, used, len(views), found.typical_px <= _sharp_px(coarsest))


def _sharp_px(coarsest: float) -> float:
    """The most that a sharp outline misses its points by; `coarsest`: px per ferrule radius."""
    return max(MOST_MISS_PX, SHARP_SHARE * coarsest)


@dataclass(frozen=True)
class _Trial:
    """An outline, as numbered above, its covariance, and by how much it typically misses, px."""

    x: Floats
    covariance: Floats
    typical_px: float


def _best_of(
    views: Sequence[MouthPoints], oblongs: Sequence[float], mean: float, sd: float
) -> _Trial:
    """The best outline from starts that are so much longer than wide."""
    return _refined(views, _search(views, oblongs, mean, sd), mean, sd)


def _outline(trial: _Trial, used: Sequence[int], count: int, sharp: bool) -> MouthFit:
    """The trial as a mouth of a connector with `count` views."""
    height, log_half, corner, log_long = (float(v) for v in trial.x[:TURNS])
    oblong = float(np.exp(log_long)) if log_long > SQUARE_LOG else 1.0
    corner = float(np.clip(corner, 0.02, 1.0))
    if corner > ROUND and oblong == 1.0:
        corner = 1.0
    turns: list[float | None] = [None] * count
    if corner < 1.0 or oblong > 1.0:
        for k, turn in zip(used, trial.x[TURNS:], strict=True):
            turns[k] = float(turn) % 90.0
    return MouthFit(
        half=float(np.exp(log_half + log_long / 2)),
        corner=corner,
        height=height,
        height_sd=float(np.sqrt(trial.covariance[HEIGHT, HEIGHT])),
        turn_deg=tuple(turns),
        sharp=sharp,
        oblong=oblong,
    )


def _search(
    views: Sequence[MouthPoints], oblongs: Sequence[float], mean: float, sd: float
) -> Floats:
    """Best of a coarse grid: [height, log half, corner, log long, turn of each view (deg)].

    `log half`: of the short side; `log long`: of the long side over the short one.
    """
    best, start = np.inf, np.zeros(0)
    few = [view.thinned(SEARCH_POINTS) for view in views]
    kinds = [
        (oblong, corner, np.arange(0.0, 90.0 if oblong == 1.0 else 180.0, 10.0))
        for oblong in oblongs
        for corner in ((1.0, 0.5, 0.15) if oblong == 1.0 else (0.5, 0.15))
    ]
    for height in mean + sd * np.linspace(-2, 2, SEARCH_HEIGHTS):
        polar = [view.polar(float(height)) for view in few]
        for oblong, corner, turns in kinds:
            chosen: list[float] = []
            logs: list[Floats] = []
            for radius, angle, _ in polar:
                drawn = oblong_radius(angle - turns[:, None], corner, oblong)
                shifted = np.log(radius) - np.log(drawn)
                spread = np.mean(np.abs(shifted - np.median(shifted, axis=1)[:, None]), axis=1)
                pick = int(np.argmin(spread))
                chosen.append(float(turns[pick]))
                logs.append(shifted[pick])
            together = np.concatenate(logs)
            half = float(np.median(together))
            cost = float(np.mean(np.minimum(np.abs(together - half), 0.2)))
            cost += 0.002 * (height - mean) ** 2 / sd**2
            if cost < best:
                best = cost
                start = np.array([height, half, corner, np.log(oblong), *chosen])
    return start


def _misses(views: Sequence[MouthPoints], x: Floats) -> list[Floats]:
    """Per view the points' distance px outside the outline."""
    out: list[Floats] = []
    corner, oblong = float(np.clip(x[CORNER], 0.02, 1.0)), float(np.exp(max(x[LOG_LONG], 0.0)))
    for view, turn in zip(views, x[TURNS:], strict=True):
        radius, angle, px_per_radius = view.polar(float(x[HEIGHT]))
        gap = radius - np.exp(x[LOG_HALF]) * oblong_radius(angle - turn, corner, oblong)
        out.append(gap * px_per_radius)
    return out


def _refined(views: Sequence[MouthPoints], start: Floats, mean: float, sd: float) -> _Trial:
    """Least squares from the start; a square stays one."""
    from scipy import optimize

    solver: Any = optimize
    free = np.ones(start.size, bool)
    free[LOG_LONG] = start[LOG_LONG] > 0

    def whole(part: Floats) -> Floats:
        x = start.copy()
        x[free] = part
        return x

    def residuals(part: Floats) -> Floats:
        x = whole(part)
        beyond = 100 * max(float(x[CORNER]) - 1.0, 0.0)
        prior = [(float(x[HEIGHT]) - mean) / sd, beyond]
        return np.concatenate([*(m / 3.0 for m in _misses(views, x)), prior])

    scale = np.array([0.1, 0.02, 0.1, 0.05, *([3.0] * len(views))])[free]
    found = solver.least_squares(
        residuals, start[free], x_scale=scale, loss="soft_l1", max_nfev=40, ftol=1e-4, xtol=1e-6
    )
    x = whole(np.asarray(found.x, np.float64))
    jac = np.asarray(found.jac, np.float64)
    covariance = np.zeros((start.size, start.size))
    covariance[np.ix_(free, free)] = np.linalg.pinv(jac.T @ jac)
    typical = float(np.median(np.abs(np.concatenate(_misses(views, x)))))
    return _Trial(x, covariance, typical)
