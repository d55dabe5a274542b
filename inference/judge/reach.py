"""Reach: the chance that a deposit, or a part of it, gets to the contact zone or the core.

An absorbing Markov chain per mating (`chain`) with the shipped assumptions or what a shop has
learnt (`assumed`). No published percentages exist, so every answer is an interval and says what it
rests on.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ...model.kinds import Kind
from ...model.shape import ConnectorShape
from ...model.surfaces import Surface
from ..see.fuse import Deposit
from .assumed import Assumptions, Rows, shipped_assumptions
from .chain import arrivals, expected_matings
from .places import PLACE_NAMES, Place, place_of

__all__ = ["MATINGS", "Reach", "reach_from", "reach_of", "upper_reach"]

MATINGS = (1, 10, 100)
TARGETS = (Place.CONTACT, Place.CORE)
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Reach:
    """The chance `p` (0..1) to have got from `start` to `place` within `matings`.

    `p`: with every chance of the chain at its mean; `interval`: 95 %, over the chances' own
    uncertainty. `fragments`: expected number of fragments arrived by then, with their interval.
    `expected_matings`: until it arrives, over the cases in which it ever does; None if it never
    can. `basis`: what the figures rest on.
    """

    matings: int
    place: str
    p: float
    interval: tuple[float, float]
    fragments: float
    fragments_interval: tuple[float, float]
    expected_matings: float | None
    start: str
    basis: str


def reach_of(
    deposit: Deposit,
    shape: ConnectorShape | None,
    fiber_mode: str = "sm",
    assumptions: Assumptions | None = None,
) -> tuple[Reach, ...] | None:
    """Reach for 1, 10 and 100 matings to contact zone and core; None off the connector.

    Starts where the deposit's foremost part lies; a place that is not known is taken as the
    nearest to the fibre that its surface has. Damage is followed as a grain: it may be one.
    """
    if deposit.surface == Surface.SURROUND or deposit.kind == Kind.CLEAN:
        return None
    assumed = assumptions or shipped_assumptions()
    start = place_of(deposit, shape, assumed.front_um, fiber_mode)
    return reach_from(start, assumed.rows_for(deposit.kind, deposit.size_um), assumed)


@lru_cache(maxsize=512)
def reach_from(start: Place, rows: Rows, assumed: Assumptions) -> tuple[Reach, ...]:
    """Reach from one place by these rows."""
    mean, low, high = _solved(rows, assumed)
    found: list[Reach] = []
    for target in TARGETS:
        until = expected_matings(assumed.mean(rows).moves, target, start)
        for matings in MATINGS:
            (p, count), (p0, c0), (p1, c1) = (each[target, matings] for each in (mean, low, high))
            found.append(
                Reach(
                    matings,
                    PLACE_NAMES[target],
                    float(p[start]),
                    (float(min(p0[start], p[start])), float(max(p1[start], p[start]))),
                    float(count[start]),
                    (float(min(c0[start], count[start])), float(max(c1[start], count[start]))),
                    until,
                    PLACE_NAMES[start],
                    assumed.basis,
                )
            )
    return tuple(found)


Solved = dict[tuple[Place, int], tuple[Floats, Floats]]


@lru_cache(maxsize=64)
def _solved(rows: Rows, assumed: Assumptions) -> tuple[Solved, Solved, Solved]:
    """Chance and fragments from every place: at the mean, and the ends of the 95 % interval."""
    mean, low, high = Solved(), Solved(), Solved()
    drawn = assumed.drawn(rows)
    for target in TARGETS:
        for matings, answer in arrivals(assumed.mean(rows), target, MATINGS).items():
            mean[target, matings] = answer
        for matings, (p, count) in arrivals(drawn, target, MATINGS).items():
            ends = [np.quantile(each, (0.025, 0.975), axis=0) for each in (p, count)]
            low[target, matings] = ends[0][0], ends[1][0]
            high[target, matings] = ends[0][1], ends[1][1]
    return mean, low, high


def upper_reach(reach: tuple[Reach, ...], matings: int) -> float:
    """Upper end of the 95 % interval for the contact zone within `matings` (1, 10 or 100)."""
    return next(r.interval[1] for r in reach if r.place == "contact" and r.matings == matings)
