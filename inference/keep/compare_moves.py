"""Which deposit that is gone from one place is the one that came up at another.

Size and shape are all that can tell. For each pair: how likely the newcomer looks as it does if it
is that deposit, over how likely if it came from elsewhere, where it would look like any of its
kind. A newcomer is as likely to have moved as not before it is looked at (an assumption), and then
from any of those that are gone.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ...model.kinds import Kind
from .compare_match import Spot

__all__ = ["moved_pairs"]

LOOSE = (Kind.PARTICLE, Kind.LINT)  # what keeps its form when it moves
SIZE_SD = 0.2  # of the log of one deposit's size, measured twice
SHAPE_SD = 0.25  # and of its longest diameter over its width
LEAST_SPREAD = 0.5  # of the sizes of a kind (log), where few are known
SHAPE_SPREAD = 0.4
PRIOR = 0.5
LEAST_SURE = 0.5


def moved_pairs(
    lost: Sequence[Spot], come: Sequence[Spot], all_spots: Sequence[Spot]
) -> list[tuple[Spot, Spot, float]]:
    """(lost, come, how likely) for each deposit that moved; `all_spots` tell what is usual."""
    found: list[tuple[Spot, Spot, float]] = []
    for kind in LOOSE:
        mine = [s for s in lost if s.kind == kind]
        theirs = [s for s in come if s.kind == kind]
        usual = np.log([max(s.size_um, 1.0) for s in all_spots if s.kind == kind])
        if not mine or not theirs:
            continue
        ratio = np.array([[_ratio(b, a, usual) for a in theirs] for b in mine])
        total = PRIOR * ratio / len(mine)
        odds = total / (1 - PRIOR + total.sum(axis=0))
        while odds.size and odds.max() >= LEAST_SURE:
            i, j = np.unravel_index(int(odds.argmax()), odds.shape)
            found.append((mine[i], theirs[j], float(odds[i, j])))
            odds[i], odds[:, j] = 0.0, 0.0
    return found


def _ratio(b: Spot, a: Spot, usual: npt.NDArray[np.float64]) -> float:
    """How much likelier the newcomer's size and shape are for this deposit than for any."""
    size_a, size_b = np.log(max(a.size_um, 1.0)), np.log(max(b.size_um, 1.0))
    spread = max(float(usual.std()), LEAST_SPREAD)
    return (
        _density(size_a - size_b, SIZE_SD)
        / _density(size_a - float(usual.mean()), spread)
        * _density(a.shape - b.shape, SHAPE_SD)
        / _density(a.shape - b.shape, SHAPE_SPREAD)
    )


def _density(off: float, sd: float) -> float:
    return float(np.exp(-0.5 * (off / sd) ** 2) / sd)
