"""Where a grain or thread stands that sticks out beyond the ferrule's silhouette.

Its pixels show what lies behind it, so they do not tell its place; the line of sight to it does,
together with how high such a thing stands. One view leaves it open along that line, by as much as
its height is unknown; a second view from elsewhere closes it. Unknown are the way u along the
meridian from the chamfer's end (negative: on the chamfer), theta, and the height of what is seen.
Chamfer and barrel are straight in each meridian plane, so the surface is two formulas here.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...model.camera import Camera
from ...model.profile import MeridianProfile
from ...model.surfaces import Surface

__all__ = ["Line", "Standing", "stands_at"]

Floats = npt.NDArray[np.float64]

HEIGHT_SHARE, HEIGHT_SD_SHARE = 0.3, 0.15  # of the size: the middle of the part that sticks out
LEAST_HEIGHT_SD_UM = 3.0
WAYS, ANGLES_DEG = 64, 5.0  # ways along the meridian, and angles to start from, that are tried
ROUNDS = 8
TURN_STEP = 1e-3  # rad
SPAN = 5.0  # deviations to both sides that a second, finer look takes
MOST_MISS = 16.0  # squared, in deviations, per line: lines that miss by more meet nowhere


@dataclass(frozen=True)
class Line:
    """One view's line of sight to the middle of what sticks out, good to `sd_px` across it.

    `turn_sd_deg`: how well the view's turn is known.
    """

    camera: Camera
    xy_px: tuple[float, float]
    sd_px: float
    size_um: float
    turn_sd_deg: float


@dataclass(frozen=True)
class Standing:
    """Where it stands; `covariance` [2, 2] um2 along s and theta; `miss` squared, in deviations."""

    s_um: float
    theta_deg: float
    covariance: Floats
    miss: float


def stands_at(
    lines: Sequence[Line], profile: MeridianProfile, on: Surface | None = None
) -> Standing | None:
    """Where on chamfer or barrel it stands; None where the lines lead past both.

    For each way along the meridian the likeliest theta and height are sought (Gauss-Newton); the
    place is the mean over all ways, each weighing as likely as it is. `on`: the one surface meant.
    """
    problem = _Problem(lines, profile, on)
    low, high = problem.range_um
    found = None
    for _ in range(2):
        trials = problem.likeliest(np.linspace(low, high, WAYS))
        if trials is None or (found := _mean(trials, high - low)) is None:
            return None
        reach = SPAN * found.sd_um
        low, high = max(found.u_um - reach, low), min(found.u_um + reach, high)
    assert found is not None
    if found.miss > MOST_MISS * len(lines):
        return None
    theta = float(np.degrees(found.theta_rad)) % 360.0
    radius = float(problem.meridian(np.array([found.u_um]))[0][0])
    unit = np.array([1.0, radius])
    s_um = found.u_um + float(profile.s_ends_at(theta)[Surface.CHAMFER])
    return Standing(s_um, theta, found.covariance * np.outer(unit, unit), found.miss)


@dataclass(frozen=True)
class _Trials:
    """Ways along the meridian um [n], each with its likeliest theta (rad), that one's variance,
    and the squared miss."""

    u_um: Floats
    theta_rad: Floats
    var_rad2: Floats
    miss: Floats


@dataclass(frozen=True)
class _Mean:
    u_um: float
    theta_rad: float
    sd_um: float
    covariance: Floats  # of u (um) and theta (rad)
    miss: float


def _mean(trials: _Trials, span_um: float) -> _Mean | None:
    """The mean of the trials, each weighing as likely as it is; None if none is possible."""
    least = float(trials.miss.min())
    if not np.isfinite(least):
        return None
    weight = np.exp(-0.5 * (trials.miss - least))
    weight /= weight.sum()
    first = float(trials.theta_rad[int(np.argmin(trials.miss))])
    turn = (trials.theta_rad - first + np.pi) % (2 * np.pi) - np.pi
    u, theta = float(weight @ trials.u_um), float(weight @ turn)
    off = np.stack([trials.u_um - u, turn - theta])
    covariance = (off * weight) @ off.T
    covariance[0, 0] += (span_um / WAYS) ** 2 / 12
    covariance[1, 1] += float(weight @ trials.var_rad2)
    return _Mean(u, first + theta, float(np.sqrt(covariance[0, 0])), covariance, least)


class _Problem:
    """The misses of trials (u um, theta rad, height um)."""

    def __init__(self, lines: Sequence[Line], profile: MeridianProfile, on: Surface | None) -> None:
        shape = profile.shape
        size = max(line.size_um for line in lines)
        self.lines, self.height_um = lines, HEIGHT_SHARE * size
        self.height_sd_um = max(HEIGHT_SD_SHARE * size, LEAST_HEIGHT_SD_UM)
        self.radius_um, self.top_z = shape.ferrule_radius_um, profile.barrel_top_z_um
        run, drop = shape.ferrule_radius_um - shape.endface_edge_um, shape.chamfer_depth_um
        slant = float(np.hypot(run, drop))
        self.run, self.drop = run / slant, drop / slant
        self.range_um = (
            0.0 if on == Surface.BARREL else -slant,
            0.0 if on == Surface.CHAMFER else shape.barrel_length_um,
        )

    def meridian(self, u: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Radius and height at u [n], and the normal's radial and axial part."""
        cone = u < 0
        radius = self.radius_um + np.where(cone, u * self.run, 0.0)
        z = self.top_z - np.where(cone, u * self.drop, u)
        return radius, z, np.where(cone, self.drop, 1.0), np.where(cone, self.run, 0.0)

    def points(self, u: Floats, theta: Floats, height: Floats) -> Floats:
        """World points um [n, 3]."""
        radius, z, outward, upward = self.meridian(u)
        r = radius + height * outward
        return np.stack([r * np.cos(theta), r * np.sin(theta), z + height * upward], axis=-1)

    def misses(self, u: Floats, theta: Floats, height: Floats) -> Floats:
        """Misses in deviations [n, 2 L + 1]."""
        top = self.points(u, theta, height)
        ahead = self.points(u, theta + TURN_STEP, height)
        parts: list[Floats] = []
        for line in self.lines:
            px, _ = line.camera.project(top)
            # a turn off by its deviation carries the point round the axis: along `way`
            way = (line.camera.project(ahead)[0] - px) / TURN_STEP * np.radians(line.turn_sd_deg)
            length = np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-9)
            off, along = px - np.array(line.xy_px), way / length[:, None]
            around = np.sum(off * along, axis=1) / np.hypot(line.sd_px, length)
            aside = (off[:, 1] * along[:, 0] - off[:, 0] * along[:, 1]) / line.sd_px
            parts.append(np.stack([around, aside], axis=1))
        parts.append(((height - self.height_um) / self.height_sd_um)[:, None])
        return np.nan_to_num(np.concatenate(parts, axis=1), nan=1e3)

    def likeliest(self, u: Floats) -> _Trials | None:
        """For each way u [n] the likeliest theta; None where no side of it can stick out."""
        angles = np.radians(np.arange(0.0, 360.0, ANGLES_DEG))
        around, along = (grid.ravel() for grid in np.meshgrid(angles, u))
        height = np.full(around.size, self.height_um)
        miss = np.sum(self.misses(along, around, height) ** 2, axis=1)
        miss = np.where(self._shows(along, around), miss, np.inf).reshape(u.size, angles.size)
        possible = np.isfinite(miss.min(axis=1))
        if not possible.any():
            return None
        u, miss = u[possible], miss[possible]
        theta: Floats = angles[miss.argmin(axis=1)]
        height: Floats = np.full(u.size, self.height_um)
        for _ in range(ROUNDS):
            at, slope = self._linear(u, theta, height)
            turned = np.swapaxes(slope, 1, 2)
            matrix = turned @ slope + 1e-9 * np.eye(2)
            found: Floats = np.linalg.solve(matrix, turned @ at[..., None]).astype(np.float64)
            theta = theta - np.clip(found[:, 0, 0], -0.15, 0.15)
            height = np.clip(height - found[:, 1, 0], 0.0, 4 * self.height_um)
        at, slope = self._linear(u, theta, height)
        matrix = np.swapaxes(slope, 1, 2) @ slope
        # what sticks out lies near the silhouette, though lines say little of how near
        matrix[:, 0, 0] += 1 / np.radians(15.0) ** 2
        variance: Floats = np.linalg.inv(matrix)[:, 0, 0].astype(np.float64)
        cost = np.where(self._shows(u, theta), np.sum(at * at, axis=1), np.inf)
        return _Trials(u, theta, variance, cost)

    def _linear(self, u: Floats, theta: Floats, height: Floats) -> tuple[Floats, Floats]:
        """Misses [n, m] and their slopes by theta and height [n, m, 2]."""
        at = self.misses(u, theta, height)
        by_theta = (self.misses(u, theta + TURN_STEP, height) - at) / TURN_STEP
        by_height = self.misses(u, theta, height + 1.0) - at
        return at, np.stack([by_theta, by_height], axis=-1)

    def _shows(self, u: Floats, theta: Floats) -> npt.NDArray[np.bool_]:
        """Which places all cameras look at, or that lie beyond by less than what stands there."""
        over = self.radius_um / (self.radius_um + 3 * self.height_um)
        beyond = -np.sqrt(max(1 - over * over, 0.0)) - 0.03
        _, _, outward, upward = self.meridian(u)
        point = self.points(u, theta, np.zeros(u.size))
        shows = np.ones(u.size, bool)
        for line in self.lines:
            away = line.camera.centre_um() - point
            along = away[:, 0] * np.cos(theta) + away[:, 1] * np.sin(theta)
            facing = along * outward + away[:, 2] * upward
            shows &= facing > beyond * np.linalg.norm(away, axis=1)
        return shows
