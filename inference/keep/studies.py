"""What records say about cleaning methods: first-time clean, attempts, removal, comparisons.

A connector is one case, however often it was looked at; deposits on one connector count for less
than as many connectors (see clustered_share). A reshoot decides nothing: it is no success and no
failure, and how many there were is told.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
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
from .study_data import Fate, Look

__all__ = [
    "Comparison",
    "Cycle",
    "MethodResult",
    "Removal",
    "compare_methods",
    "compare_residue",
    "cycles_of",
    "removals_of",
    "results_by_method",
]

NO_METHOD = "not stated"
Connector = tuple[str, str]


@dataclass(frozen=True)
class Cycle:
    """One connector's cleanings from when it came in or was mated until it was clean or left.

    `looks`: its inspections after a cleaning, from the first on, reshoots left out, in order.
    """

    connector: Connector
    looks: tuple[Look, ...]

    @property
    def method(self) -> str:
        """The method of the first cleaning."""
        return self.looks[0].method or NO_METHOD

    @property
    def single(self) -> bool:
        """Whether all its cleanings were by one method."""
        return len({look.method for look in self.looks}) == 1

    @property
    def first_time(self) -> bool:
        """Whether the first cleaning left it fit to mate."""
        return _fit(self.looks[0])

    @property
    def clean_at(self) -> int | None:
        """Which cleaning left it fit to mate; None if none did."""
        return next((k for k, look in enumerate(self.looks, 1) if _fit(look)), None)


@dataclass(frozen=True)
class Removal:
    """How much of one part of the dirt went: `gone` of the deposits whose fate was seen.

    `part`: a kind or a surface, or all. `moved`, `stayed`: of the same; `unseen`: fate not shown.
    """

    method: str
    by: Literal["all", "kind", "surface"]
    part: str
    gone: Share
    moved: int
    stayed: int
    unseen: int
    connectors: int


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


def _fit(look: Look) -> bool:
    return look.verdict == "mate"


# -- cycles --------------------------------------------------------------------------------------


def cycles_of(looks: Sequence[Look]) -> tuple[list[Cycle], dict[str, int]]:
    """The cycles of cleaning in looks that stand oldest first, and undecided ones per method.

    A cycle ends with a look at another stage, with success, or where a stated attempt begins anew.
    A later attempt on what was fit to mate tells nothing and is passed over.
    """
    running: dict[Connector, list[Look]] = {}
    fit: set[Connector] = set()
    done: list[list[Look]] = []
    for look in looks:
        own = running.get(look.connector)
        if own is not None and (look.stage != "cleaned" or _begins_anew(own, look)):
            done.append(running.pop(look.connector))
        if look.stage != "cleaned":
            fit.discard(look.connector)
            continue
        if look.connector in fit and (look.attempt or 1) > 1:
            continue
        fit.discard(look.connector)
        running.setdefault(look.connector, []).append(look)
        if _fit(look):
            done.append(running.pop(look.connector))
            fit.add(look.connector)
    done += running.values()
    return _decided(done)


def _begins_anew(running: Sequence[Look], look: Look) -> bool:
    """Whether the stated number of the cleaning says that this is a new cycle."""
    last = running[-1].attempt
    if look.attempt != 1 or last is None:
        return False
    return last > 1 or running[-1].verdict != "reshoot"  # else the same cleaning, looked at again


def _decided(done: Iterable[Sequence[Look]]) -> tuple[list[Cycle], dict[str, int]]:
    """Cycles without their reshoots; those whose first cleaning is not known are counted by method.

    A choice by time or method may have cut off the beginning, and a later cleaning is no first one.
    """
    cycles: list[Cycle] = []
    undecided: dict[str, int] = defaultdict(int)
    for looks in done:
        told = tuple(look for look in looks if look.verdict != "reshoot")
        if told and told[0].attempt in (None, 1):
            cycles.append(Cycle(told[0].connector, told))
        else:
            undecided[looks[0].method or NO_METHOD] += 1
    return cycles, undecided


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
    clean = [at for cycle in single if (at := cycle.clean_at) is not None]
    left = [len(cycle.looks) for cycle in single if cycle.clean_at is None]
    residue = [c for c in cycles if c.looks[0].residues is not None]
    return MethodResult(
        method,
        _clustered(cycles, [c.first_time for c in cycles], how),
        undecided,
        len({cycle.connector for cycle in cycles}),
        clean_after(clean, left),
        len(cycles) - len(single),
        _clustered(residue, [bool(c.looks[0].residues) for c in residue], how),
    )


def _clustered(cycles: Sequence[Cycle], hits: Sequence[bool], how: Method) -> Share | None:
    if not cycles:
        return None
    counted: dict[Connector, list[int]] = defaultdict(lambda: [0, 0])
    for cycle, hit in zip(cycles, hits, strict=True):
        counted[cycle.connector][0] += hit
        counted[cycle.connector][1] += 1
    return clustered_share([(x, n) for x, n in counted.values()], how)


# -- removal -------------------------------------------------------------------------------------


Part = tuple[str, Literal["all", "kind", "surface"], str]
_ENDS = ("gone", "moved", "stayed", None)


def removals_of(fates: Sequence[Fate], how: Method) -> tuple[Removal, ...]:
    """Removal after cleaning per method: of all dirt, of each kind, on each surface.

    Damage is no dirt and is left out; so is what is new, which tells nothing of removal.
    """
    # by connector, for the deposits on one resemble each other
    counted: dict[tuple[str | None, str, str], dict[Connector, list[int]]] = {}
    for label, end, stage, method, kind, surface, fate, _, _ in fates:
        if stage != "cleaned" or kind == "damage" or fate == "new":
            continue
        cell = counted.setdefault((method, kind, surface), {})
        cell.setdefault((label, end), [0, 0, 0, 0])[_ENDS.index(fate)] += 1
    parts: dict[Part, dict[Connector, list[int]]] = defaultdict(dict)
    for (method, kind, surface), cell in counted.items():
        name = method or NO_METHOD
        own: tuple[Part, ...] = (
            (name, "all", "all"),
            (name, "kind", kind),
            (name, "surface", surface),
        )
        for part in own:
            whole = parts[part]
            for connector, ends in cell.items():
                so_far = whole.setdefault(connector, [0, 0, 0, 0])
                for k, count in enumerate(ends):
                    so_far[k] += count
    rows = (_removal(*key, parts[key], how) for key in sorted(parts))
    return tuple(row for row in rows if row is not None)


def _removal(
    method: str,
    by: Literal["all", "kind", "surface"],
    part: str,
    cells: Mapping[Connector, Sequence[int]],
    how: Method,
) -> Removal | None:
    """`cells`: per connector how many were gone, moved, stayed and not seen again."""
    _, moved, stayed, unseen = (sum(column) for column in zip(*cells.values(), strict=True))
    groups = [(ends[0], sum(ends[:3])) for ends in cells.values() if any(ends[:3])]
    if not groups:
        return None
    gone = clustered_share(groups, how)
    return Removal(method, by, part, gone, moved, stayed, unseen, len(groups))


# -- methods against each other ------------------------------------------------------------------


def compare_methods(cycles: Sequence[Cycle], how: Method) -> tuple[Comparison, ...]:
    """Each pair of methods by the share of connectors clean at the first time."""
    outcomes = {
        method: _first_of_each(group, [c.first_time for c in group])
        for method, group in _by_method(cycles).items()
    }
    return _compared("first-time", outcomes, how)


def compare_residue(cycles: Sequence[Cycle], how: Method) -> tuple[Comparison, ...]:
    """Each pair of methods by the share of connectors on which a dried residue was left."""
    outcomes: dict[str, dict[Connector, bool]] = {}
    for method, group in _by_method(cycles).items():
        told = [c for c in group if c.looks[0].residues is not None]
        if told:
            outcomes[method] = _first_of_each(told, [bool(c.looks[0].residues) for c in told])
    return _compared("residue", outcomes, how)


def _first_of_each(cycles: Sequence[Cycle], hits: Sequence[bool]) -> dict[Connector, bool]:
    """Each connector's first outcome: it counts once in a test."""
    found: dict[Connector, bool] = {}
    for cycle, hit in zip(cycles, hits, strict=True):
        found.setdefault(cycle.connector, hit)
    return found


def _compared(
    question: Literal["first-time", "residue"],
    outcomes: Mapping[str, Mapping[Connector, bool]],
    how: Method,
) -> tuple[Comparison, ...]:
    named = list(combinations(outcomes, 2))
    tests = [_test(outcomes[a], outcomes[b]) for a, b in named]
    corrected = holm([p for _, p in tests])
    rows: list[Comparison] = []
    for (a, b), (pairs, p), p_holm in zip(named, tests, corrected, strict=True):
        both = set(outcomes[a]) & set(outcomes[b])
        used = [
            {c: hit for c, hit in outcomes[name].items() if pairs is None or c in both}
            for name in (a, b)
        ]
        first, second = (share(sum(group.values()), len(group), how) for group in used)
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


def _test(a: Mapping[Connector, bool], b: Mapping[Connector, bool]) -> tuple[McNemar | None, float]:
    """McNemar's test where most connectors had both methods, else Fisher's."""
    both = set(a) & set(b)
    if 2 * len(both) >= min(len(a), len(b)):
        pairs = mcnemar(sum(a[c] and not b[c] for c in both), sum(b[c] and not a[c] for c in both))
        return pairs, pairs.p
    return None, fisher(share(sum(a.values()), len(a)), share(sum(b.values()), len(b)))
