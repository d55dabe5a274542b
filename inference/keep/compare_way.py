"""How far it is from one place on a connector to another, along its surface."""

import numpy as np
import numpy.typing as npt

from ...model.profile import MeridianProfile
from ...model.surfaces import Surface

__all__ = ["way_um"]

Floats = npt.NDArray[np.float64]

STEP_DEG = 1.0
ORDER = (Surface.ENDFACE, Surface.CHAMFER, Surface.BARREL)


def way_um(profile: MeridianProfile, a: tuple[float, float], b: tuple[float, float]) -> float:
    """The shortest way (um) on the surface between two places (s_um, theta_deg).

    Dome, chamfer, barrel and floor are unrolled one by one, on which the way is straight: the law
    of cosines for a cone, Pythagoras for a cylinder (a dome's bow is neglected: under 1e-3 at its
    edge). Where it crosses from one to the next is tried degree by degree, so the result is long by
    some 1e-4 at most. An angled endface and a square cavity are taken as if they were round.
    """
    near, far = sorted((a, b))
    turn = abs((far[1] - near[1] + 180.0) % 360.0 - 180.0)
    angles = np.arange(0.0, turn + STEP_DEG, STEP_DEG) if turn > 0 else np.zeros(1)
    angles = np.minimum(angles, turn)
    edges = [s for s in _edges(profile) if near[0] < s < far[0]]
    s_here, so_far = near[0], np.zeros(1)
    at = np.zeros(1)
    for s in edges:
        so_far = np.min(so_far[:, None] + _leg(profile, (s_here, s), angles - at[:, None]), axis=0)
        s_here, at = s, angles
    return float(np.min(so_far + _leg(profile, (s_here, far[0]), turn - at)))


def _edges(profile: MeridianProfile) -> list[float]:
    """Travel distances at which one unrolled piece meets the next."""
    ends = [profile.s_end_um[surface] for surface in ORDER]
    return [*ends, profile.s_floor_end_um]


def _leg(profile: MeridianProfile, s: tuple[float, float], turn_deg: Floats) -> Floats:
    """The straight way between two travel distances on one piece, for each turn between them."""
    r0, r1 = (float(profile.radius_um(each, 0.0)) for each in s)
    along, turn = s[1] - s[0], np.radians(np.abs(turn_deg))
    rise = (r1 - r0) / along if along > 1e-9 else _rise(profile, s[0])
    if abs(rise) < 1e-6:
        return np.hypot(along, turn * r0)
    # distances from the cone's tip, and the turn on the unrolled cone
    p0, p1, flat = r0 / abs(rise), r1 / abs(rise), turn * abs(rise)
    chord = np.sqrt(np.maximum(p0**2 + p1**2 - 2 * p0 * p1 * np.cos(flat), 0.0))
    return np.where(flat < np.pi, chord, p0 + p1)


def _rise(profile: MeridianProfile, s_um: float) -> float:
    """Growth of the radius with travel distance at `s_um`."""
    step = min(1.0, s_um / 2)
    low, high = (float(profile.radius_um(s_um + side * step, 0.0)) for side in (-1, 1))
    if not np.isfinite(low + high) or step == 0:
        return 1.0
    return (high - low) / (2 * step)
