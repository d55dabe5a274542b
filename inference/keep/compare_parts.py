"""Parts of a deposit that one inspection shows in one piece and the other in several.

A scratch, a fibre of lint or a film often falls into pieces, one time here and one time there. What
is left over beside a pair that stayed, is smaller, of its kind and within its reach is a part of
it, neither gone nor new.
"""

from collections.abc import Sequence

import numpy as np

from ...model.kinds import Kind
from .compare_match import WET, Spot

__all__ = ["parts_of"]

LONG = (Kind.LINT, Kind.DAMAGE)
MARGIN_UM = 20.0


def parts_of(
    stayed: Sequence[tuple[Spot, Spot]],
    before: Sequence[Spot],
    after: Sequence[Spot],
    turn_deg: float,
) -> dict[int, tuple[Spot, Spot]]:
    """By the `id()` of each left-over spot that is a part: the pair it belongs to.

    `turn_deg`: to be added to the angles of `after`.
    """
    whole = {id(spot) for pair in stayed for spot in pair}
    found: dict[int, tuple[Spot, Spot]] = {}
    for spots, turn in ((before, 0.0), (after, turn_deg)):
        for spot in spots:
            if id(spot) in whole:
                continue
            near = [pair for pair in stayed if _is_part(spot, turn, pair, turn_deg)]
            if near:
                found[id(spot)] = max(near, key=lambda pair: max(s.extent_um for s in pair))
    return found


def _is_part(spot: Spot, turn: float, pair: tuple[Spot, Spot], turn_deg: float) -> bool:
    """Whether a spot lies within reach of a larger pair of its kind."""
    if not any(_same_stuff(spot.kind, each.kind) for each in pair):
        return False
    if spot.size_um >= max(each.size_um for each in pair):
        return False
    reach = (max(each.extent_um for each in pair) + spot.extent_um) / 2 + MARGIN_UM
    return any(
        _gap_um(spot, turn, each, by) <= reach
        for each, by in zip(pair, (0.0, turn_deg), strict=True)
    )


def _same_stuff(one: Kind, other: Kind) -> bool:
    return (one == other and one in LONG) or (one in WET and other in WET)


def _gap_um(one: Spot, turn: float, other: Spot, by: float) -> float:
    """Distance between two middles on the surface; infinite where an angle is missing."""
    if one.theta_deg is None or other.theta_deg is None:
        return float("inf")
    off = (one.theta_deg + turn - other.theta_deg - by + 180.0) % 360.0 - 180.0
    around = np.radians(off) * (one.radius_um + other.radius_um) / 2
    return float(np.hypot(one.s_um - other.s_um, around))
