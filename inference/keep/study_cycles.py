"""From inspections to cycles of cleaning: each from when a connector came in until it was clean.

Many connectors have gone through the very same steps, so that each different history is worked
through once, whatever the number of connectors.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from ..see.connector_file import STAGES
from .inspection import VERDICTS
from .study_data import CLEANED, NOT_KNOWN, LookTable

__all__ = ["NO_METHOD", "Cycle", "History", "Step", "cycles_of", "histories_of"]

NO_METHOD = "not stated"


class Step(NamedTuple):
    """An inspection, as far as cycles depend on it. `residue`: whether dried residue was found."""

    stage: str | None
    method: str | None
    attempt: int | None
    verdict: str
    residue: bool | None


History = tuple[Step, ...]


@dataclass(frozen=True)
class Cycle:
    """Cleanings from when a connector came in or was mated until it was clean or left.

    `history`: which of the different histories it is from; `connectors`: how many connectors have
    that one. `looks`: the inspections after a cleaning, from the first on, reshoots left out.
    """

    history: int
    connectors: int
    looks: tuple[Step, ...]

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
    def residue(self) -> bool | None:
        """Whether the first cleaning left a dried residue; None if nobody counted."""
        return self.looks[0].residue

    @property
    def clean_at(self) -> int | None:
        """Which cleaning left it fit to mate; None if none did."""
        return next((k for k, look in enumerate(self.looks, 1) if _fit(look)), None)


def _fit(look: Step) -> bool:
    return look.verdict == "mate"


def histories_of(looks: LookTable) -> Mapping[History, int]:
    """Each different history, oldest step first, and how many connectors have gone through it.

    Connectors that were never cleaned have none.
    """
    if not len(looks):
        return {}
    residue = np.minimum(looks.residues, 1)
    columns = (looks.stage, looks.method, looks.attempt, looks.verdict, residue)
    code = np.zeros(len(looks), dtype=np.int64)
    for column in columns:  # each from -1 on
        code = code * (int(column.max(initial=0)) + 2) + column + 1
    _, first, code = np.unique(code, return_index=True, return_inverse=True)
    steps = [_step(looks, int(row)) for row in first]
    starts = np.flatnonzero(np.diff(looks.connector, prepend=-1))
    places: list[int] = [*starts.tolist(), len(looks)]
    codes: list[int] = code.tolist()
    cleaned = np.logical_or.reduceat(looks.stage == CLEANED, starts)
    counted = Counter(
        tuple(codes[start:end])
        for (start, end), some in zip(pairwise(places), cleaned.tolist(), strict=True)
        if some
    )
    return {tuple(steps[k] for k in row): many for row, many in counted.items()}


def _step(looks: LookTable, row: int) -> Step:
    stage, method, attempt, residue = (
        None if column[row] == NOT_KNOWN else int(column[row])
        for column in (looks.stage, looks.method, looks.attempt, looks.residues)
    )
    return Step(
        None if stage is None else STAGES[stage],
        None if method is None else looks.methods[method],
        attempt,
        VERDICTS[int(looks.verdict[row])],
        None if residue is None else residue > 0,
    )


def cycles_of(histories: Mapping[History, int]) -> tuple[list[Cycle], dict[str, int]]:
    """The cycles of cleaning, and how many are undecided per method.

    A cycle ends with a look at another stage, with success, or where a stated attempt begins anew.
    A later attempt on what was fit to mate tells nothing and is passed over.
    """
    cycles: list[Cycle] = []
    undecided: dict[str, int] = defaultdict(int)
    for number, (history, connectors) in enumerate(histories.items()):
        for looks in _cleanings(history):
            told = tuple(look for look in looks if look.verdict != "reshoot")
            # a choice by time or method may have cut off the beginning: then it is no first one
            if told and told[0].attempt in (None, 1):
                cycles.append(Cycle(number, connectors, told))
            else:
                undecided[looks[0].method or NO_METHOD] += connectors
    return cycles, undecided


def _cleanings(history: Iterable[Step]) -> list[list[Step]]:
    """The looks at each cycle of one connector, reshoots among them."""
    done: list[list[Step]] = []
    running: list[Step] = []
    fit = False
    for look in history:
        if running and (look.stage != "cleaned" or _begins_anew(running, look)):
            done.append(running)
            running = []
        if look.stage != "cleaned":
            fit = False
            continue
        if fit and (look.attempt or 1) > 1:
            continue
        fit = _fit(look)
        running.append(look)
        if fit:
            done.append(running)
            running = []
    return [*done, running] if running else done


def _begins_anew(running: Sequence[Step], look: Step) -> bool:
    """Whether the stated number of the cleaning says that this is a new cycle."""
    last = running[-1].attempt
    if look.attempt != 1 or last is None:
        return False
    return last > 1 or running[-1].verdict != "reshoot"  # else the same cleaning, looked at again
