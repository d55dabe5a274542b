"""Which assumption flips the ruling on a deposit: each taken to either end of what is thought."""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from .assumed import Assumption, Assumptions, Rows
from .chain import arrivals
from .places import Place
from .stops import REACH_MATINGS

__all__ = ["Swing", "swings"]

SURE = 1e6  # weight of an assumption that is taken as known


@dataclass(frozen=True)
class Swing:
    """What the upper 95 % end of reach becomes if one assumption were known.

    `low`, `high`: with its chance to move fiberward at the 2.5 % and the 97.5 % point of what is
    thought of it (`chance_low`, `chance_high`, per mating). How much a piece sheds is left as it is
    thought of.
    """

    assumption: str
    why: str
    chance_low: float
    chance_high: float
    low: float
    high: float

    def flips(self, limit: float) -> bool:
        """Whether the ruling by this limit hangs on it."""
        return self.low < limit <= self.high


def swings(start: Place, rows: Rows, assumed: Assumptions) -> tuple[Swing, ...]:
    """Per assumption on the way from `start` to the contact zone, the widest swing first.

    The dirt's own `rows` and those that its fragments follow.
    """
    found: list[Swing] = []
    for row in dict.fromkeys((*rows, *assumed.grains)):
        if not start <= row.start < Place.CONTACT:
            continue
        low, high = _ends(row)
        uppers = (_upper_if(rows, assumed, row, chance)[start] for chance in (low, high))
        found.append(Swing(row.name, row.why, low, high, *uppers))
    return tuple(sorted(found, key=lambda swing: swing.low - swing.high))


def _forward(row: Assumption) -> np.ndarray[Any, np.dtype[np.bool_]]:
    places = np.arange(len(row.posterior))
    return (places > row.start) & (places != Place.GONE)


def _ends(row: Assumption) -> tuple[float, float]:
    """2.5 % and 97.5 % points of the chance to move fiberward: a part of a Dirichlet is a beta."""
    from scipy.special import betaincinv

    alpha = row.posterior
    forward = float(alpha[_forward(row)].sum())
    rest = float(alpha.sum()) - forward
    return float(betaincinv(forward, rest, 0.025)), float(betaincinv(forward, rest, 0.975))


def _known(row: Assumption, chance: float) -> Assumption:
    """The assumption taken as known: fiberward with `chance`, the rest in proportion."""
    mean = row.posterior / row.posterior.sum()
    forward = _forward(row)
    share = float(mean[forward].sum())
    scale = np.array([(1 - chance) / (1 - share), chance / share])
    known = mean * scale[forward.astype(np.int64)]
    moves = tuple((place, float(known[place])) for place in Place if place != row.start)
    return replace(row, moves=moves, weight=SURE, learnt=())


@lru_cache(maxsize=256)
def _upper_if(
    rows: Rows, assumed: Assumptions, row: Assumption, chance: float
) -> tuple[float, ...]:
    """Upper 95 % end of the chance to reach the contact zone, from each place, if `row` is known.

    It is known of the fragments too: they may follow the same row.
    """
    known = _known(row, chance)
    changed, everything = (
        tuple(known if each == row else each for each in those) for those in (rows, assumed.rows)
    )
    journey = replace(assumed, rows=everything).drawn(changed)
    reached, _ = arrivals(journey, Place.CONTACT, [REACH_MATINGS])[REACH_MATINGS]
    return tuple(float(value) for value in np.quantile(reached, 0.975, axis=0))
