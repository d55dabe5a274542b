"""Surveys: how dirty lots come in, what matings do, whether two raters agree."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

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
from .study_data import Fate, Look, Rating

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


def lot_chart(looks: Sequence[Look], how: Method) -> LotChart | None:
    """The chart of the connectors as received; None with fewer than two lots.

    Each connector counts once, as first inspected at that stage; a reshoot is passed over.
    """
    first: dict[tuple[str, str], Look] = {}
    for look in looks:
        if look.stage == "as-received" and look.verdict != "reshoot":
            first.setdefault(look.connector, look)
    lots: dict[str, list[Look]] = defaultdict(list)
    for look in first.values():
        if look.lot is not None and look.deposits is not None:
            lots[look.lot].append(look)
    if len(lots) < 2:
        return None
    counts = {name: [look.deposits or 0 for look in group] for name, group in lots.items()}
    scatter = dispersion(list(counts.values()))
    clustered = scatter is not None and scatter[0] > 1 and scatter[1] < 0.05
    widen = scatter[0] ** 0.5 if scatter is not None and clustered else 1.0
    sizes = {len(group) for group in lots.values()}
    everything = sum(map(sum, counts.values()))
    center = everything / sum(map(len, counts.values()))
    limits = _limits(counts, center, widen)
    rows = tuple(_lot(name, lots[name], counts[name], limits[name], how) for name in sorted(lots))
    left_out = len(first) - sum(map(len, counts.values()))
    return LotChart("c" if len(sizes) == 1 else "u", center, rows, scatter, widen, left_out)


def _limits(counts: Mapping[str, list[int]], center: float, widen: float) -> dict[str, Limits]:
    """Each lot's limits per connector; with lots of one size they are those of the c chart."""
    sizes = {name: len(group) for name, group in counts.items()}
    if len({*sizes.values()}) > 1:
        return {name: u_limits(center, size, widen) for name, size in sizes.items()}
    size = next(iter(sizes.values()))
    whole = c_limits([sum(group) for group in counts.values()], widen)
    return dict.fromkeys(sizes, Limits(whole.center / size, whole.low / size, whole.high / size))


def _lot(
    name: str, group: Sequence[Look], counts: Sequence[int], limits: Limits, how: Method
) -> Lot:
    total, size = sum(counts), len(counts)
    dirty = sum(look.verdict != "mate" for look in group)
    interval = poisson_interval(total, size)
    return Lot(name, size, total, total / size, interval, limits, share(dirty, size, how))


def transfer_of(looks: Sequence[Look], fates: Sequence[Fate], how: Method) -> Transfer | None:
    """What repeated matings do; None with fewer than two numbers of matings.

    Looks with a stated number of matings and a count in the graded zones, cleaned ones left out.
    """
    steps: dict[int, dict[tuple[str, str], int]] = defaultdict(dict)
    for look in looks:
        told = look.matings_so_far is not None and look.in_zone is not None
        if told and look.stage != "cleaned" and look.verdict != "reshoot":
            steps[look.matings_so_far or 0][look.connector] = look.in_zone or 0
    if len(steps) < 2:
        return None
    order = sorted(steps)
    rows = tuple(_step(matings, list(steps[matings].values()), how) for matings in order)
    first, last = steps[order[0]], steps[order[-1]]
    both = set(first) & set(last)
    pairs = mcnemar(
        sum(last[c] > 0 and first[c] == 0 for c in both),
        sum(first[c] > 0 and last[c] == 0 for c in both),
    )
    travelled = [f.fiberward_um for f in fates if f.stage == "mated" and f.fate == "moved"]
    told = [um for um in travelled if um is not None]
    moved = share(sum(um > 0 for um in told), len(told), how) if told else None
    return Transfer(rows, pairs, len(both), moved)


def _step(matings: int, counts: Sequence[int], how: Method) -> MatingStep:
    n, total = len(counts), sum(counts)
    inside = share(sum(count > 0 for count in counts), n, how)
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
