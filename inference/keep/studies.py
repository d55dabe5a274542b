"""What records say about cleaning methods: first-time clean, attempts, comparisons.

A connector is one case, however often it was looked at. A reshoot decides nothing: it is no success
and no failure, and how many there were is told.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from .statistics import (
    CleanBy,
    McNemar,
    Method,
    Share,
    clean_after,
    clustered_share,
    difference,
    fisher,
    holm,
    mcnemar,
    needed_per_method,
    share,
)
from .study_cycles import Cycle

__all__ = [
    "Comparison",
    "MethodResult",
    "compare_methods",
    "compare_residue",
    "results_by_method",
]


@dataclass(frozen=True)
class MethodResult:
    """One method. `first_time`: connectors fit to mate after the first cleaning.

    `undecided`: first cleanings that no look decided on (only reshoots, or none). `mixed`:
    connectors whose later cleanings were by another method; they are left out of `attempts`.
    `residue`: first cleanings that left a dried residue, None where nobody counted.
    """

    method: str
    first_time: Share | None
    undecided: int
    connectors: int
    attempts: tuple[CleanBy, ...]
    mixed: int
    residue: Share | None


@dataclass(frozen=True)
class Comparison:
    """Two methods on one question (first-time | residue).

    `paired`: on the same connectors, by McNemar's test (`pairs`), else by Fisher's on `a`, `b`.
    `p`: of that test; `p_holm`: corrected for the number of comparisons. `gap`: interval of a - b
    that allows for that number (Bonferroni), None for pairs. `needed`: connectors per method to
    show a difference as large as the one seen, allowing for the same.
    """

    question: Literal["first-time", "residue"]
    name_a: str
    name_b: str
    a: Share
    b: Share
    paired: bool
    pairs: McNemar | None
    p: float
    p_holm: float
    gap: tuple[float, float] | None
    needed: int | None

    @property
    def shown(self) -> bool:
        """Whether a difference is shown, at 5 % after correction."""
        return self.p_holm <= 0.05


def _by_method(cycles: Iterable[Cycle]) -> dict[str, list[Cycle]]:
    grouped: dict[str, list[Cycle]] = defaultdict(list)
    for cycle in cycles:
        grouped[cycle.method].append(cycle)
    return dict(sorted(grouped.items()))


# -- one method ----------------------------------------------------------------------------------


def results_by_method(
    cycles: Sequence[Cycle], undecided: Mapping[str, int], how: Method
) -> tuple[MethodResult, ...]:
    """Each method's figures, by name."""
    grouped = _by_method(cycles)
    names = sorted({*grouped, *undecided})
    return tuple(_result(m, grouped.get(m, []), undecided.get(m, 0), how) for m in names)


def _result(method: str, cycles: Sequence[Cycle], undecided: int, how: Method) -> MethodResult:
    single = [cycle for cycle in cycles if cycle.single]
    clean = Counter[int]()
    left = Counter[int]()
    for cycle in single:
        if cycle.clean_at is None:
            left[len(cycle.looks)] += cycle.connectors
        else:
            clean[cycle.clean_at] += cycle.connectors
    return MethodResult(
        method,
        _clustered(cycles, _first_time, how),
        undecided,
        sum({cycle.history: cycle.connectors for cycle in cycles}.values()),
        clean_after(clean, left),
        sum(cycle.connectors for cycle in cycles if not cycle.single),
        _clustered([c for c in cycles if c.residue is not None], _residue, how),
    )


def _first_time(cycle: Cycle) -> bool:
    return cycle.first_time


def _residue(cycle: Cycle) -> bool:
    return bool(cycle.residue)


def _clustered(
    cycles: Sequence[Cycle], is_hit: Callable[[Cycle], bool], how: Method
) -> Share | None:
    if not cycles:
        return None
    counted: dict[int, list[int]] = defaultdict(lambda: [0, 0, 0])
    for cycle in cycles:
        hits, of, _ = counted[cycle.history]
        counted[cycle.history] = [hits + is_hit(cycle), of + 1, cycle.connectors]
    groups = Counter[tuple[int, int]]()
    for hits, of, connectors in counted.values():
        groups[hits, of] += connectors
    return clustered_share(groups, how)


# -- methods against each other ------------------------------------------------------------------


def compare_methods(cycles: Sequence[Cycle], how: Method) -> tuple[Comparison, ...]:
    """Each pair of methods by the share of connectors clean at the first time."""
    return _compared("first-time", cycles, _first_time, how)


def compare_residue(cycles: Sequence[Cycle], how: Method) -> tuple[Comparison, ...]:
    """Each pair of methods by the share of connectors on which a dried residue was left."""
    told = [cycle for cycle in cycles if cycle.residue is not None]
    return _compared("residue", told, _residue, how)


def _compared(
    question: Literal["first-time", "residue"],
    cycles: Sequence[Cycle],
    is_hit: Callable[[Cycle], bool],
    how: Method,
) -> tuple[Comparison, ...]:
    outcomes = {name: _first_of_each(own, is_hit) for name, own in _by_method(cycles).items()}
    many = {cycle.history: cycle.connectors for cycle in cycles}
    named = list(combinations(outcomes, 2))
    tests = [_test(outcomes[a], outcomes[b], many) for a, b in named]
    corrected = holm([test[3] for test in tests])
    rows: list[Comparison] = []
    for (a, b), (first, second, pairs, p), p_holm in zip(named, tests, corrected, strict=True):
        first, second = (share(x.hits, x.of, how) for x in (first, second))
        rows.append(
            Comparison(
                question,
                *(a, b, first, second),
                pairs is not None,
                pairs,
                p,
                p_holm,
                difference(first, second, 1 - 0.05 / len(named)) if pairs is None else None,
                needed_per_method(first.p, second.p, alpha=0.05 / len(named)),
            )
        )
    return tuple(rows)


def _first_of_each(cycles: Sequence[Cycle], is_hit: Callable[[Cycle], bool]) -> dict[int, bool]:
    """The first outcome of each history's connectors: a connector counts once in a test."""
    found: dict[int, bool] = {}
    for cycle in cycles:
        found.setdefault(cycle.history, is_hit(cycle))
    return found


def _test(
    a: Mapping[int, bool], b: Mapping[int, bool], many: Mapping[int, int]
) -> tuple[Share, Share, McNemar | None, float]:
    """McNemar's test where most connectors had both methods, else Fisher's; shares of those used.

    a, b: outcome by history; many: how many connectors have each.
    """

    def connectors(histories: Iterable[int]) -> int:
        return sum(many[h] for h in histories)

    both = set(a) & set(b)
    paired = 2 * connectors(both) >= min(connectors(a), connectors(b))
    used = (both, both) if paired else (set(a), set(b))
    first, second = (
        share(connectors(h for h in own if outcome[h]), connectors(own))
        for outcome, own in zip((a, b), used, strict=True)
    )
    if not paired:
        return first, second, None, fisher(first, second)
    pairs = mcnemar(
        connectors(h for h in both if a[h] and not b[h]),
        connectors(h for h in both if b[h] and not a[h]),
    )
    return first, second, pairs, pairs.p
