"""The mouth of the cavity: its outline's size, corners and height, from its edge in several views.

The outline is a circle or a square with rounded corners about the ferrule's axis. Poses are known
by now, so each edge point is carried to a height along its ray and compared with the outline there.
Lengths are in ferrule radii; angles about the axis count from the camera's azimuth.
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
    "square_radius",
]

Floats = npt.NDArray[np.float64]

FEWEST = 15
SEARCH_POINTS, SEARCH_HEIGHTS = 48, 33  # of each view, and over four deviations
LEAST_SLANT = 0.2  # sine of the least tilt at which silhouettes tell heights
ROUND = 0.85  # corners larger than this share of the half width: taken for a circle
MOST_MISS_PX = 4.0  # typical miss of an accepted outline, px, or this share of the ferrule's radius
MOST_MISS_SHARE = 0.05
SHARP_SHARE = 0.02  # typical miss of an outline good enough to redraw the mask by


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

    `turn_deg`: per view the direction of a side from the camera's azimuth, in [0, 90), None for a
    circle or a view without edge points. `height_sd`: standard deviation of the height.
    `sharp`: whether the points lie so near the outline that it may stand for them.
    """

    half: float
    corner: float
    height: float
    height_sd: float
    turn_deg: tuple[float | None, ...]
    sharp: bool

    @property
    def reach(self) -> float:
        """The greatest distance from the axis to the outline: to a corner."""
        return self.half * float(square_radius(np.array([45.0]), self.corner)[0])


def square_radius(angle_deg: Floats, corner: float) -> Floats:
    """Distance from the centre to a rounded square of half width 1, a side facing 0 deg."""
    phi = np.radians(np.abs((angle_deg + 45.0) % 90.0 - 45.0))
    centre = 1 - corner
    flat = 1 / np.cos(phi)
    m = centre * (np.cos(phi) + np.sin(phi))
    bow = m + np.sqrt(np.maximum(m * m - 2 * centre**2 + corner**2, 0.0))
    return np.where(np.tan(phi) <= centre, flat, bow)


def mouth_points(lines: ViewOutlines, view: Floats, centre_px: tuple[float, float]) -> MouthPoints:
    """Edge points between the cavity, or the barrel that runs into it, and the housing."""
    camera = Pinhole.of(view, centre_px)
    lean = view[LEAN_X : LEAN_Y + 1]
    mouth = lines.mouth
    if mouth is None:
        return MouthPoints(np.zeros((0, 2)), camera, lean)
    off_side = np.abs(side_residual(camera, mouth.px))
    barrel = (mouth.inside == Surface.BARREL) & (off_side > max(6.0, 0.1 / camera.scale))
    edge = (mouth.inside == Surface.CAVITY) | barrel
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
    start = _search(picked, height_mean, height_sd)
    return _refined(picked, used, len(views), (start, height_mean, height_sd))


def _search(views: Sequence[MouthPoints], mean: float, sd: float) -> Floats:
    """Best of a coarse grid: [height, log half, corner, turn of each view (deg)]."""
    best, start = np.inf, np.zeros(0)
    turns = np.arange(0.0, 90.0, 10.0)
    few = [view.thinned(SEARCH_POINTS) for view in views]
    for height in mean + sd * np.linspace(-2, 2, SEARCH_HEIGHTS):
        polar = [view.polar(float(height)) for view in few]
        for corner in (1.0, 0.5, 0.15):
            chosen: list[float] = []
            logs: list[Floats] = []
            for radius, angle, _ in polar:
                shifted = np.log(radius) - np.log(square_radius(angle - turns[:, None], corner))
                spread = np.mean(np.abs(shifted - np.median(shifted, axis=1)[:, None]), axis=1)
                pick = int(np.argmin(spread))
                chosen.append(float(turns[pick]))
                logs.append(shifted[pick])
            together = np.concatenate(logs)
            half = float(np.median(together))
            cost = float(np.mean(np.minimum(np.abs(together - half), 0.2)))
            cost += 0.002 * (height - mean) ** 2 / sd**2
            if cost < best:
                best, start = cost, np.array([height, half, corner, *chosen])
    return start


def _misses(views: Sequence[MouthPoints], x: Floats) -> list[Floats]:
    """Per view the points' distance px outside the outline."""
    out: list[Floats] = []
    corner = float(np.clip(x[2], 0.02, 1.0))
    for view, turn in zip(views, x[3:], strict=True):
        radius, angle, px_per_radius = view.polar(float(x[0]))
        gap = radius - np.exp(x[1]) * square_radius(angle - turn, corner)
        out.append(gap * px_per_radius)
    return out


def _refined(
    views: Sequence[MouthPoints],
    used: Sequence[int],
    count: int,
    known: tuple[Floats, float, float],
) -> MouthFit | None:
    from scipy import optimize

    solver: Any = optimize

    start, mean, sd = known

    def residuals(x: Floats) -> Floats:
        beyond = 100 * max(float(x[2]) - 1.0, 0.0)
        prior = [(float(x[0]) - mean) / sd, beyond]
        return np.concatenate([*(m / 3.0 for m in _misses(views, x)), prior])

    scale = np.array([0.1, 0.02, 0.1, *([3.0] * len(views))])
    found = solver.least_squares(
        residuals, start, x_scale=scale, loss="soft_l1", max_nfev=40, ftol=1e-4, xtol=1e-6
    )
    x = np.asarray(found.x, np.float64)
    misses = _misses(views, x)
    coarsest = max(1 / view.camera.scale for view in views)
    typical = float(np.median(np.abs(np.concatenate(misses))))
    if typical > max(MOST_MISS_PX, MOST_MISS_SHARE * coarsest):
        return None
    corner = float(np.clip(x[2], 0.02, 1.0))
    if corner > ROUND:
        corner = 1.0
    jac = np.asarray(found.jac, np.float64)
    spread = np.linalg.pinv(jac.T @ jac)
    turns: list[float | None] = [None] * count
    if corner < 1.0:
        for k, turn in zip(used, x[3:], strict=True):
            turns[k] = float(turn) % 90.0
    height_sd = float(np.sqrt(spread[0, 0]))
    sharp = typical <= max(MOST_MISS_PX, SHARP_SHARE * coarsest)
    return MouthFit(float(np.exp(x[1])), corner, float(x[0]), height_sd, tuple(turns), sharp)
