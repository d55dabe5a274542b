"""How far it is from one place on a connector to another, along its surface."""

from collections.abc import Sequence

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

    Dome, chamfer, barrel and floor are unrolled one by one, on which the way is straight, or on the
    floor bends round the barrel: the law of cosines for a cone, Pythagoras for a cylinder (a dome's
    bow is neglected: under 1e-3 at its edge). It may lead over a part nearer to the fibre than both
    places. Where it crosses from one to the next is tried degree by degree, so the result is long
    by some 1e-4 at most. An angled endface and a square cavity are taken as if they were round, and
    the cavity's wall as if it went on.
    """
    near, far = sorted((a, b))
    turn_deg = abs((far[1] - near[1] + 180.0) % 360.0 - 180.0)
    edges = _edges(profile)
    nearer = [s for s in edges if s < near[0]]
    between = [s for s in edges if near[0] < s < far[0]]
    inward = [nearer[k:] for k in range(len(nearer) + 1)]  # the last is empty: straight to the far
    stops = [(near[0], *reversed(part), *part, *between, far[0]) for part in inward]
    return min(_over(profile, each, turn_deg) for each in stops)


def _over(profile: MeridianProfile, stops: Sequence[float], turn_deg: float) -> float:
    """The shortest way that meets these travel distances in turn."""
    angles = np.minimum(np.arange(0.0, turn_deg + STEP_DEG, STEP_DEG), turn_deg)
    so_far, at = np.zeros(1), np.zeros(1)
    for here, there in zip(stops[:-2], stops[1:-1], strict=True):
        legs = _leg(profile, (here, there), angles - at[:, None])
        so_far, at = np.min(so_far[:, None] + legs, axis=0), angles
    return float(np.min(so_far + _leg(profile, (stops[-2], stops[-1]), turn_deg - at)))


def _edges(profile: MeridianProfile) -> list[float]:
    """Travel distances at which one unrolled piece meets the next."""
    ends = [profile.s_end_um[surface] for surface in ORDER]
    return [*ends, profile.s_floor_end_um]


def _leg(profile: MeridianProfile, s: tuple[float, float], turn_deg: Floats) -> Floats:
    """The straight way between two travel distances on one piece, for each turn between them."""
    inner, outer = min(s), max(s)
    if inner >= profile.s_floor_end_um:  # the wall, also beyond where this inspection has its rim
        return np.hypot(outer - inner, np.radians(turn_deg) * profile.shape.cavity_radius_um)
    r0, r1 = (float(profile.radius_um(each, 0.0)) for each in (inner, outer))
    along, turn = outer - inner, np.radians(np.abs(turn_deg))
    rise = (r1 - r0) / along if along > 1e-9 else _rise(profile, inner)
    if abs(rise) < 1e-6:
        return np.hypot(along, turn * r0)
    # distances from the cone's tip, and the turn on the unrolled cone
    p0, p1, flat = r0 / abs(rise), r1 / abs(rise), turn * abs(rise)
    chord = np.sqrt(np.maximum(p0**2 + p1**2 - 2 * p0 * p1 * np.cos(flat), 0.0))
    straight = np.where(flat < np.pi, chord, p0 + p1)
    if inner < profile.s_end_um[Surface.BARREL]:
        return straight
    hole = profile.shape.ferrule_radius_um  # a floor has the barrel in its middle
    bend = flat - sum(np.arccos(min(hole / p, 1.0)) for p in (p0, p1))
    tangents = sum(np.sqrt(max(p**2 - hole**2, 0.0)) for p in (p0, p1))
    return np.where(bend > 0, tangents + hole * bend, straight)


def _rise(profile: MeridianProfile, s_um: float) -> float:
    """Growth of the radius with travel distance just inside of `s_um`."""
    step = min(1.0, s_um / 2)
    low, high = (float(profile.radius_um(s_um - back, 0.0)) for back in (step, 0.0))
    if not np.isfinite(low + high) or step == 0:
        return 1.0
    return (high - low) / step
