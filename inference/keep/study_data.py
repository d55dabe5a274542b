"""What a study looks at, in columns: inspections, what became of deposits, and ratings.

Words are held as numbers, so that a hundred thousand inspections are counted within a second. From
the records they come by `study_records.py`, from a shop's own tables in CSV by `study_csv.py`.
"""

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, fields
from typing import Any, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from ..see.connector_file import STAGES
from .inspection import VERDICTS

__all__ = [
    "CLEANED",
    "ENDS",
    "MACHINE",
    "NOT_KNOWN",
    "RESHOOT",
    "Fate",
    "FateTable",
    "Look",
    "LookTable",
    "Numbers",
    "Rating",
    "StudyData",
    "coded",
]

Numbers = npt.NDArray[np.int64]
Word = TypeVar("Word", bound=Hashable)

MACHINE = "machine"  # the program, among raters
NOT_KNOWN = -1  # where a column has no number
CLEANED, RESHOOT = STAGES.index("cleaned"), VERDICTS.index("reshoot")
ENDS = ("gone", "moved", "stayed", None)  # what can become of a deposit; None: not seen again


class Look(NamedTuple):
    """One inspection as a study sees it. `verdict`: the one that holds, a person's first.

    `deposits`, `stops`: as in the records. `residues`: dried residues found; `in_zone`: deposits
    within 125 um of the axis; unsure ones count nowhere. None: not known.
    """

    label: str
    end: str
    lot: str | None
    created_at: str
    stage: str | None
    method: str | None
    attempt: int | None
    matings_so_far: int | None
    operator: str | None
    verdict: str
    deposits: int | None
    stops: int | None
    residues: int | None = None
    in_zone: int | None = None


class Fate(NamedTuple):
    """What became of one deposit between two inspections, the later after `method`.

    `fate`: stayed | moved | gone | new, None where the later pictures do not show its place.
    """

    label: str
    end: str
    stage: str | None
    method: str | None
    kind: str
    surface: str
    fate: str | None
    moved_um: float | None = None
    fiberward_um: float | None = None


class Rating(NamedTuple):
    """One rater's verdict on one thing that others may have judged too."""

    item: str
    rater: str
    verdict: str


@dataclass(frozen=True, eq=False)
class LookTable:
    """Inspections in columns of N; those of one connector stand together, oldest first.

    `connector`, `lot`, `method`: int64, which of `connectors` (label and end), `lots`, `methods`;
    `stage`, `verdict`: which of STAGES, VERDICTS; the other numbers as in Look. -1: not known.
    """

    connectors: Sequence[tuple[str, str]]
    lots: Sequence[str]
    methods: Sequence[str]
    created_at: Sequence[str]
    connector: Numbers
    lot: Numbers
    method: Numbers
    stage: Numbers
    verdict: Numbers
    attempt: Numbers
    matings_so_far: Numbers
    deposits: Numbers
    residues: Numbers
    in_zone: Numbers

    def __len__(self) -> int:
        return len(self.connector)

    @classmethod
    def of(cls, looks: Iterable[Look]) -> "LookTable":
        """From rows, oldest first."""
        groups: dict[tuple[str, str], list[Look]] = {}
        for look in looks:
            groups.setdefault((look.label, look.end), []).append(look)
        rows = [look for group in groups.values() for look in group]
        lots, lot = coded([row.lot for row in rows])
        methods, method = coded([row.method for row in rows])
        return cls(
            list(groups),
            lots,
            methods,
            [row.created_at for row in rows],
            np.repeat(np.arange(len(groups)), [len(group) for group in groups.values()]),
            *(lot, method),
            _numbers(None if row.stage is None else STAGES.index(row.stage) for row in rows),
            _numbers(VERDICTS.index(row.verdict) for row in rows),
            *(
                _numbers(getattr(row, name) for row in rows)
                for name in ("attempt", "matings_so_far", "deposits", "residues", "in_zone")
            ),
        )

    def chosen(self, which: npt.NDArray[np.bool_]) -> "LookTable":
        """Those for which `which`, bool of N, is true."""
        names = [f.name for f in fields(self)][3:]
        columns: dict[str, Any] = {name: getattr(self, name) for name in names}
        columns["created_at"] = np.array(self.created_at, dtype=object)
        kept = {name: column[which] for name, column in columns.items()}
        return LookTable(self.connectors, self.lots, self.methods, **kept)

    def labelled(self, label: str) -> npt.NDArray[np.bool_]:
        """Which are of the connector with this label, either end."""
        ids = [n for n, (name, _) in enumerate(self.connectors) if name == label]
        return np.isin(self.connector, ids)


@dataclass(frozen=True, eq=False)
class FateTable:
    """What became of deposits by cleaning, in columns of M; no damage, and nothing that was new.

    `connectors`: those with any fate. `connector`: int64, one number for each; `method`, `kind`,
    `surface`: which of the names, method -1 if not stated; `fate`: which of ENDS. `told`: deposits
    that moved while their connector was mated and of which is known whether fiberward; `fiberward`:
    those that did.
    """

    connectors: Sequence[tuple[str, str]]
    methods: Sequence[str]
    kinds: Sequence[str]
    surfaces: Sequence[str]
    connector: Numbers
    method: Numbers
    kind: Numbers
    surface: Numbers
    fate: Numbers
    told: int
    fiberward: int

    @classmethod
    def of(cls, fates: Iterable[Fate]) -> "FateTable":
        """From rows."""
        everything = list(fates)
        rows = [
            row
            for row in everything
            if row.stage == "cleaned" and row.kind != "damage" and row.fate != "new"
        ]
        travelled = [
            row.fiberward_um
            for row in everything
            if row.stage == "mated" and row.fate == "moved" and row.fiberward_um is not None
        ]
        connectors = list({row[:2]: None for row in everything})
        methods, method = coded([row.method for row in rows])
        kinds, kind = coded([row.kind for row in rows])
        surfaces, surface = coded([row.surface for row in rows])
        return cls(
            *(connectors, methods, kinds, surfaces),
            *(coded([row[:2] for row in rows])[1], method, kind, surface),
            _numbers(ENDS.index(row.fate) for row in rows),
            len(travelled),
            sum(um > 0 for um in travelled),
        )


@dataclass(frozen=True)
class StudyData:
    """All that a study counts, and in words where it comes from and what was left out."""

    looks: LookTable
    fates: FateTable
    ratings: Sequence[Rating]
    source: str
    notes: tuple[str, ...] = ()


def coded(words: Sequence[Word | None]) -> tuple[list[Word], Numbers]:
    """The different words in order of appearance, and for each which one it is, int64; None: -1."""
    found: dict[Word, int] = {}
    codes = _numbers(None if word is None else found.setdefault(word, len(found)) for word in words)
    return list(found), codes


def _numbers(values: Iterable[int | None]) -> Numbers:
    return np.array([NOT_KNOWN if value is None else value for value in values], dtype=np.int64)
