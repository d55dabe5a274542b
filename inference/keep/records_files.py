"""Records as files, out and back in: JSON Lines (`fiberward.record/1`) and tables for people.

Each line of `records.jsonl` is one inspection's document with its overrules, or, after those, one
comparison. Import takes such files and single `inspection.json` documents, checks all of a file
before it records anything of it, and names line and column of what it refuses.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict, fields
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import Any, NamedTuple, cast

from ...model.errors import UsageError
from .csv_table import Dialect, csv_lines, csv_text
from .files import written_whole
from .find_records import InspectionRow, Wanted, documents_of, overrules_of, rows, uids_of
from .inspection import (
    INSPECTION_SCHEMA,
    INSPECTION_SCHEMA_FILE,
    VERDICTS,
    DepositRecord,
    Inspection,
)
from .json_file import JsonValue, json_values
from .records import Records, uid_of
from .records_comparisons import COMPARED_SCHEMA, Side, checked_comparison, comparison_lines
from .rejudged import why_no_mate
from .study_csv import FATE_COLUMNS
from .study_records import fates_of

__all__ = ["RECORD_SCHEMA", "export_records", "import_file", "table_of"]

RECORD_SCHEMA = "fiberward.record/1"
OVERRULE = ("verdict", "by_name", "reason")
_JUDGED = ("bridge", "wedge", "reach", "harm", "seen_in", "ruling", "verdict_without")


def export_records(
    records: Records, folder: Path, wanted: Wanted, dialect: Dialect = "rfc4180"
) -> int:
    """Write records.jsonl and the tables to `folder`; how many inspections.

    The tables: inspections.csv, deposits.csv, and fates.csv with what became of each deposit that
    one side was sure of. `study` reads the first and the last.
    """
    uids: set[str] = set()
    names = ["uid", "label", *(f.name for f in fields(DepositRecord) if f.name not in _JUDGED)]
    compared = comparison_lines(records, wanted, uids)  # begun when all uids are known
    tables: tuple[tuple[str, Iterable[str]], ...] = (
        (
            "records.jsonl",
            chain(_record_lines(records, wanted, uids), (f"{c}\n" for c in compared)),
        ),
        ("inspections.csv", (table_of(rows(records, wanted), dialect),)),
        ("deposits.csv", csv_lines(names, _deposit_rows(records, wanted), dialect)),
        ("fates.csv", csv_lines(FATE_COLUMNS, fates_of(records, wanted), dialect)),
    )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, lines in tables:
            with written_whole(folder / name) as file:
                file.writelines(line.encode() for line in lines)
    except OSError as error:
        raise UsageError(f"{folder}: cannot write there ({error.strerror})") from error
    return len(uids)


def _record_lines(records: Records, wanted: Wanted, uids: set[str]) -> Iterator[str]:
    """A line for each inspection, whose uid goes into `uids`."""
    for uid, document in documents_of(records, wanted):
        uids.add(uid)
        overruled = [asdict(each) for each in overrules_of(records, uid)]
        line = {
            **{"schema": RECORD_SCHEMA, "inspection": json.loads(document)},
            "overrules": overruled,
        }
        yield json.dumps(line, ensure_ascii=False, separators=(",", ":")) + "\n"


def _deposit_rows(records: Records, wanted: Wanted) -> Iterator[dict[str, Any]]:
    for uid, document in documents_of(records, wanted):
        inspection = json.loads(document)
        label = inspection["connector"]["label"]
        yield from ({"uid": uid, "label": label, **each} for each in inspection["deposits"])


def table_of(found: list[InspectionRow], dialect: Dialect = "rfc4180") -> str:
    """Inspections as CSV text."""
    names = [field.name for field in fields(InspectionRow)]
    return csv_text(names, (asdict(row) for row in found), dialect)


class Imported(NamedTuple):
    """What an import recorded: inspections and comparisons new, inspections known already."""

    new: int
    known: int
    compared: int


def import_file(records: Records, path: Path) -> Imported:
    """Record what a file holds and the records do not.

    Raises UsageError, with line and column, for a file of anything else; then nothing of it was
    recorded. One whose facts contradict what is recorded of its connector ends the import there;
    the error says how many before it were recorded.
    """
    sides = {uid_of(seen): Side.of(seen) for _, seen, _ in _checked(path, _inspections(path))}
    for row in _comparisons(path):
        checked_comparison(records, row, path, sides)
    # now the file is known to be good, it is read again, so that no more than a line is held
    known, new, total = uids_of(records), 0, 0
    for where, inspection, overruled in _checked(path, _inspections(path)):
        total += 1
        if uid_of(inspection) in known:
            continue
        try:
            known.add(records.add(inspection, overruled=overruled))
        except UsageError as error:
            raise UsageError(f"{where}: {error} ({new} before it were recorded)") from error
        new += 1
    found = (checked_comparison(records, row, path, sides) for row in _comparisons(path))
    added = sum(records.add_comparison(each.before, each.after, each.document) for each in found)
    return Imported(new, total - new, added)


def _inspections(path: Path) -> Iterator[JsonValue]:
    return (row for row in json_values(path) if not _is_comparison(row))


def _comparisons(path: Path) -> Iterator[JsonValue]:
    return (row for row in json_values(path) if _is_comparison(row))


def _is_comparison(row: JsonValue) -> bool:
    return row.is_object and row.value.get("schema") == COMPARED_SCHEMA


def _checked(
    path: Path, values: Iterable[JsonValue]
) -> Iterator[tuple[str, Inspection, list[dict[str, str]]]]:
    """The inspections of a file and where each stands, checked against the schema."""
    from jsonschema import Draft202012Validator

    validator = Draft202012Validator(json.loads(INSPECTION_SCHEMA_FILE.read_text("utf-8")))
    for row in values:
        if not row.is_object:
            raise row.refused(path, (), "expected a JSON object")
        record: dict[str, Any] = row.value
        lone = record.get("schema") == INSPECTION_SCHEMA
        if not lone and record.get("schema") != RECORD_SCHEMA:
            said = f"schema is {record.get('schema')!r}; expected {RECORD_SCHEMA} or "
            raise row.refused(path, (), f"{said}{INSPECTION_SCHEMA}")
        document: Any = record if lone else record.get("inspection")
        inside = () if lone else ("inspection",)
        errors = validator.iter_errors(document)  # pyright: ignore[reportUnknownMemberType]
        error = next(iter(errors), None)
        if error is not None:
            raise row.refused(path, (*inside, *error.absolute_path), error.message[:160])
        for keys, said in _amiss(document):
            raise row.refused(path, (*inside, *keys), said)
        overruled = [] if lone else _overrules(row, path)
        inspection = Inspection.from_json(document)
        if (why := why_no_mate(inspection)) is not None:
            raise row.refused(path, (*inside, "verdict"), why)
        yield f"{path}, line {row.line}", inspection, overruled


def _amiss(document: Any) -> Iterator[tuple[tuple[str, ...], str]]:
    """What the schema does not see, each with the keys that lead there."""
    if not document["connector"]["label"]:
        yield ("connector", "label"), "is empty, so it cannot be recorded"
    if not _is_utc(document["created_at"]):
        yield ("created_at",), "expected a time as 2026-01-02T03:04:05Z"
    ids = [deposit["id"] for deposit in document["deposits"]]
    if len({*ids}) != len(ids):
        yield ("deposits",), "two of them have the same id"


def _is_utc(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).strftime("%Y-%m-%dT%H:%M:%SZ") == text
    except ValueError:
        return False


def _overrules(row: JsonValue, path: Path) -> list[dict[str, str]]:
    found: list[dict[str, str]] = []
    value = row.value.get("overrules", [])
    items: list[Any] = cast(list[Any], value) if isinstance(value, list) else [None]
    for k, each in enumerate(items):
        given = cast(dict[str, Any], each) if isinstance(each, dict) else {}
        texts = {name: str(given.get(name) or "").strip() for name in OVERRULE}
        if not all(texts.values()) or texts["verdict"] not in VERDICTS:
            raise row.refused(path, ("overrules", k), "expected a verdict, by_name and reason")
        found.append(texts)
    return found
