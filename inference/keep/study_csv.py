"""Tables of a shop's own, as CSV, read for a study; lab sheets that were filled in among them.

Three tables are known by their columns: inspections (`label`, `verdict` ...), fates of deposits
(`label`, `method`, `kind`, `surface`, `fate`) and ratings (`item`, `rater`, `verdict`). Commas or
semicolons, decimal points or commas, with or without a byte order mark. A line whose answer is
still empty is a plan that was not carried out, and is passed over.
"""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import inf, isfinite
from pathlib import Path

from ...model.errors import UsageError
from ...model.kinds import KIND_NAMES
from ...model.surfaces import SURFACE_NAMES
from ..see.connector_file import STAGES
from .files import read_text
from .inspection import VERDICTS
from .study_data import Fate, FateTable, Look, LookTable, Rating, StudyData

__all__ = ["FATE_COLUMNS", "LOOK_COLUMNS", "RATING_COLUMNS", "read_tables"]

LOOK_COLUMNS = (
    *("label", "end", "lot", "created_at", "stage", "method", "attempt", "matings_so_far"),
    *("operator", "verdict", "deposits", "stops", "residues", "in_zone"),
)
FATE_COLUMNS = (
    *("label", "end", "stage", "method", "kind", "surface", "fate"),
    *("moved_um", "fiberward_um"),
)
RATING_COLUMNS = ("item", "rater", "verdict")
OVERRULED = "overruled"  # a person's verdict, as records export writes it
MOST_DIGITS = 9
RUN = "run"  # numbers the lines of a lab sheet
FATES = ("stayed", "moved", "gone", "new", "unseen")


@dataclass(frozen=True)
class _Line:
    """One line of a table, and where it stands."""

    file: Path
    number: int
    cells: Mapping[str, str]

    def text(self, column: str) -> str | None:
        """The cell, None where it is empty or there is no such column."""
        return self.cells.get(column, "").strip() or None

    def needed(self, column: str) -> str:
        """The cell of a column that must have a word."""
        value = self.text(column)
        if value is None:
            raise UsageError(f"{self.file}, line {self.number}, column {column}: is empty")
        return value

    def word(self, column: str, words: Sequence[str]) -> str | None:
        """One of the words, however it is written: `Clean first` is clean-first."""
        value = self.text(column)
        if value is None:
            return None
        found = value.casefold().replace(" ", "-").replace("_", "-")
        if found not in words:
            raise UsageError(
                f"{self.file}, line {self.number}, column {column}: {value!r} is none of "
                f"{', '.join(words)}"
            )
        return found

    def count(self, column: str) -> int | None:
        """A whole number from 0."""
        value = self.text(column)
        if value is None:
            return None
        if not value.isascii() or not value.isdigit() or len(value) > MOST_DIGITS:
            raise UsageError(
                f"{self.file}, line {self.number}, column {column}: {value!r} is no whole number"
            )
        return int(value)

    def time(self, column: str) -> str:
        """A date as 2026-01-02 or a time as 2026-01-02T03:04:05Z, so that they sort.

        Empty if not told; a time without an offset is taken as UTC.
        """
        value = self.text(column) or ""
        try:
            if not value:
                return ""
            told = datetime.fromisoformat(value)
        except ValueError as error:
            raise UsageError(
                f"{self.file}, line {self.number}, column {column}: {value!r} is no time; "
                "write it as 2026-01-02 or 2026-01-02T03:04:05Z"
            ) from error
        if ":" not in value:
            return f"{told:%Y-%m-%d}"
        told = told.astimezone(UTC) if told.tzinfo else told.replace(tzinfo=UTC)
        return f"{told:%Y-%m-%dT%H:%M:%SZ}"

    def number_of(self, column: str) -> float | None:
        """A number, with a decimal point or comma."""
        value = self.text(column)
        if value is None:
            return None
        try:
            number = float(value.replace(",", "."))
        except ValueError:
            number = inf
        if not isfinite(number):
            raise UsageError(
                f"{self.file}, line {self.number}, column {column}: {value!r} is no number"
            )
        return number


def read_tables(paths: Sequence[Path]) -> StudyData:
    """The rows of all files together. Raises UsageError with line and column."""
    looks: list[Look] = []
    fates: list[Fate] = []
    ratings: list[Rating] = []
    notes: list[str] = []
    for path in paths:
        columns, lines = _lines(path)
        if {"item", "rater"} <= columns:
            known, rows = RATING_COLUMNS, [_rating(line) for line in lines]
            ratings += [row for row in rows if row is not None]
        elif "fate" in columns:
            known, rows = FATE_COLUMNS, [_fate(line) for line in lines]
            fates += [row for row in rows if row is not None]
        elif {"label", "verdict"} <= columns:
            known, rows = LOOK_COLUMNS, [_look(line) for line in lines]
            looks += [row for row in rows if row is not None]
        else:
            raise UsageError(
                f"{path}, line 1: needs the columns label and verdict (inspections), label and "
                "fate (deposits), or item and rater (ratings)"
            )
        notes += _notes(path, columns - {*known, RUN, OVERRULED}, sum(row is None for row in rows))
    looks.sort(key=lambda look: look.created_at)
    source = ", ".join(path.name for path in paths)
    return StudyData(LookTable.of(looks), FateTable.of(fates), ratings, source, tuple(notes))


def _notes(path: Path, unknown: Iterable[str], blank: int) -> list[str]:
    notes: list[str] = []
    names = ", ".join(sorted(unknown))
    if names:
        notes.append(f"{path.name}: not looked at: {names}")
    if blank:
        lines = "line was" if blank == 1 else "lines were"
        notes.append(f"{path.name}: {blank} planned {lines} not filled in")
    return notes


def _lines(path: Path) -> tuple[set[str], list[_Line]]:
    """The names of a table's columns, and its lines; lines that begin with # are remarks."""
    text = read_text(path, "; save it as CSV UTF-8")
    remarks = 0
    while text.startswith("#"):
        text, remarks = text.partition("\n")[2], remarks + 1
    head = text.partition("\n")[0]
    reader = csv.reader(io.StringIO(text), delimiter=";" if ";" in head else ",", strict=True)
    try:
        rows = [(reader.line_num + remarks, row) for row in reader]
    except csv.Error as error:
        raise UsageError(f"{path}, line {reader.line_num + remarks}: {error}") from error
    if not rows:
        raise UsageError(f"{path}, line 1: the table is empty")
    names = [name.strip() for name in rows[0][1]]
    if len({*names}) != len(names):
        raise UsageError(f"{path}, line {rows[0][0]}: two columns have the same name")
    lines: list[_Line] = []
    for number, row in rows[1:]:
        if len(row) > len(names):
            raise UsageError(f"{path}, line {number}: {len(row)} cells for {len(names)} columns")
        if any(cell.strip() for cell in row):
            lines.append(_Line(path, number, dict(zip(names, row, strict=False))))
    return {name for name in names if name}, lines


def _look(line: _Line) -> Look | None:
    verdict = line.word("verdict", VERDICTS)
    if line.text(OVERRULED) is not None:
        verdict = line.word(OVERRULED, VERDICTS)
    if verdict is None:
        return None
    return Look(
        line.needed("label"),
        line.text("end") or "",
        line.text("lot"),
        line.time("created_at"),
        line.word("stage", STAGES) or ("cleaned" if line.text("method") else None),
        line.text("method"),
        *(line.count("attempt"), line.count("matings_so_far"), line.text("operator"), verdict),
        *(line.count("deposits"), line.count("stops")),
        *(line.count("residues"), line.count("in_zone")),
    )


def _fate(line: _Line) -> Fate | None:
    fate = line.word("fate", FATES)
    if fate is None:
        return None
    return Fate(
        line.needed("label"),
        line.text("end") or "",
        line.word("stage", STAGES) or "cleaned",
        line.text("method"),
        line.word("kind", KIND_NAMES[1:]) or line.needed("kind"),
        line.word("surface", SURFACE_NAMES) or line.needed("surface"),
        None if fate == "unseen" else fate,
        line.number_of("moved_um"),
        line.number_of("fiberward_um"),
    )


def _rating(line: _Line) -> Rating | None:
    verdict = line.word("verdict", VERDICTS)
    if verdict is None:
        return None
    return Rating(line.needed("item"), line.needed("rater"), verdict)
