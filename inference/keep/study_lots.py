"""Surveys: how dirty lots come in, what matings do, whether two raters agree."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import numpy.typing as npt

from ..see.connector_file import STAGES
from .inspection import VERDICTS
from .statistics import (
    Kappa,
    Limits,
    McNemar,
    Method,
    Share,
    c_limits,
    dispersion,
    kappa,
    mcnemar,
    poisson_interval,
    share,
    u_limits,
)
from .study_data import CLEANED, RESHOOT, FateTable, LookTable, Rating

__all__ = [
    "Agreement",
    "Lot",
    "LotChart",
    "MatingStep",
    "Transfer",
    "agreements_of",
    "lot_chart",
    "transfer_of",
]

AS_RECEIVED, MATE = STAGES.index("as-received"), VERDICTS.index("mate")


@dataclass(frozen=True)
class Lot:
    """One lot as received. `rate`: deposits per connector; `limits`: where it should lie.

    `dirty`: share of its connectors that may not be mated as they are, reshoots left out.
    """

    name: str
    connectors: int
    deposits: int
    rate: float
    interval: tuple[float, float]
    limits: Limits
    dirty: Share | None

    @property
    def side(self) -> Literal["above", "below"] | None:
        """On which side of its limits it lies; None inside."""
        if self.rate > self.limits.high:
            return "above"
        return "below" if self.rate < self.limits.low else None


@dataclass(frozen=True)
class LotChart:
    """Deposits by lot: a c chart where all lots are of one size, else a u chart.

    `scatter`: variance over mean within lots, and its p of being Poisson; where the scatter is
    larger than Poisson's beyond chance the limits are `widen` times as wide. `left_out`:
    connectors without a lot or a count.
    """

    kind: Literal["c", "u"]
    center: float
    lots: tuple[Lot, ...]
    scatter: tuple[float, float] | None
    widen: float
    left_out: int


@dataclass(frozen=True)
class MatingStep:
    """Connectors after so many matings: how many have something in the graded zones."""

    matings: int
    inside: Share
    mean: float
    interval: tuple[float, float]


@dataclass(frozen=True)
class Transfer:
    """Dirt that comes into the graded zones as a connector is mated again and again.

    `pairs`: connectors seen both at the first and the last step: those that only then (`only_a`)
    or only at first (`only_b`) had something there. `moved`: of the deposits that moved between
    two looks, those that moved fiberward.
    """

    steps: tuple[MatingStep, ...]
    pairs: McNemar
    both: int
    moved: Share | None


@dataclass(frozen=True)
class Agreement:
    """Two raters on the things that both judged. `table`: counts, rows a, columns b."""

    rater_a: str
    rater_b: str
    words: tuple[str, ...]
    table: tuple[tuple[int, ...], ...]
    kappa: Kappa


def lot_chart(looks: LookTable, how: Method) -> LotChart | None:
    """The chart of the connectors as received; None with fewer than two lots.

    Each connector counts once, as first inspected at that stage; a reshoot is passed over.
    """
    received = np.flatnonzero((looks.stage == AS_RECEIVED) & (looks.verdict != RESHOOT))
    _, first = np.unique(looks.connector[received], return_index=True)
    rows = received[first]
    used = rows[(looks.lot[rows] >= 0) & (looks.deposits[rows] >= 0)]
    here: list[int] = np.unique(looks.lot[used]).tolist()
    of_lot = {looks.lots[k]: used[looks.lot[used] == k] for k in here}
    if len(of_lot) < 2:
        return None
    counts = {name: looks.deposits[own].tolist() for name, own in of_lot.items()}
    dirty = {name: int(np.sum(looks.verdict[own] != MATE)) for name, own in of_lot.items()}
    scatter = dispersion(list(counts.values()))
    clustered = scatter is not None and scatter[0] > 1 and scatter[1] < 0.05
    widen = scatter[0] ** 0.5 if scatter is not None and clustered else 1.0
    sizes = {len(group) for group in counts.values()}
    everything = sum(map(sum, counts.values()))
    center = everything / len(used)
    limits = _limits(counts, center, widen)
    lots = tuple(_lot(n, counts[n], dirty[n], limits[n], how) for n in sorted(counts))
    left_out = len(rows) - len(used)
    return LotChart("c" if len(sizes) == 1 else "u", center, lots, scatter, widen, left_out)


def _limits(counts: Mapping[str, list[int]], center: float, widen: float) -> dict[str, Limits]:
    """Each lot's limits per connector; with lots of one size they are those of the c chart."""
    sizes = {name: len(group) for name, group in counts.items()}
    if len({*sizes.values()}) > 1:
        return {name: u_limits(center, size, widen) for name, size in sizes.items()}
    size = next(iter(sizes.values()))
    whole = c_limits([sum(group) for group in counts.values()], widen)
    return dict.fromkeys(sizes, Limits(whole.center / size, whole.low / size, whole.high / size))


def _lot(name: str, counts: Sequence[int], dirty: int, limits: Limits, how: Method) -> Lot:
    total, size = sum(counts), len(counts)
    interval = poisson_interval(total, size)
    return Lot(name, size, total, total / size, interval, limits, share(dirty, size, how))


def transfer_of(looks: LookTable, fates: FateTable, how: Method) -> Transfer | None:
    """What repeated matings do; None with fewer than two numbers of matings.

    Looks with a stated number of matings and a count in the graded zones, cleaned ones left out.
    """
    told = (looks.matings_so_far >= 0) & (looks.in_zone >= 0)
    rows = np.flatnonzero(told & (looks.stage != CLEANED) & (looks.verdict != RESHOOT))
    order = np.unique(looks.matings_so_far[rows]).tolist()
    if len(order) < 2:
        return None
    steps = {count: _last_of_each(looks, rows, count) for count in order}
    shown = tuple(_step(count, looks.in_zone[own], how) for count, own in steps.items())
    ends = (steps[order[0]], steps[order[-1]])
    both, *which = np.intersect1d(
        *(looks.connector[own] for own in ends), assume_unique=True, return_indices=True
    )
    first, last = (looks.in_zone[own[index]] > 0 for own, index in zip(ends, which, strict=True))
    pairs = mcnemar(int(np.sum(last & ~first)), int(np.sum(first & ~last)))
    moved = share(fates.fiberward, fates.told, how) if fates.told else None
    return Transfer(shown, pairs, len(both), moved)


def _last_of_each(
    looks: LookTable, rows: npt.NDArray[np.int64], matings: int
) -> npt.NDArray[np.int64]:
    """Of these rows, each connector's last with so many matings."""
    own = rows[looks.matings_so_far[rows] == matings][::-1]
    _, newest = np.unique(looks.connector[own], return_index=True)
    return own[newest]


def _step(matings: int, counts: npt.NDArray[np.int64], how: Method) -> MatingStep:
    n, total = len(counts), int(counts.sum())
    inside = share(int(np.sum(counts > 0)), n, how)
    return MatingStep(matings, inside, total / n, poisson_interval(total, n))


def agreements_of(ratings: Sequence[Rating]) -> tuple[Agreement, ...]:
    """Cohen's kappa for each two raters that judged at least two things both."""
    by_rater: dict[str, dict[str, str]] = defaultdict(dict)
    for rating in ratings:
        by_rater[rating.rater][rating.item] = rating.verdict
    rows: list[Agreement] = []
    for a, b in combinations(sorted(by_rater), 2):
        both = sorted(set(by_rater[a]) & set(by_rater[b]))
        if len(both) < 2:
            continue
        pairs = [(by_rater[a][item], by_rater[b][item]) for item in both]
        words = tuple(word for word in VERDICTS if any(word in pair for pair in pairs))
        table = tuple(tuple(pairs.count((x, y)) for y in words) for x in words)
        rows.append(Agreement(a, b, words, table, kappa(table)))
    return tuple(rows)
