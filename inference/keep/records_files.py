"""Records as files, out and back in: JSON Lines (`fiberward.record/1`) and tables for people.

Each line of `records.jsonl` is one inspection's document with its overrules. Import takes such
files and single `inspection.json` documents, checks all of a file before it records anything of it,
and names line and column of what it refuses.
"""

import json
from collections.abc import Iterator
from dataclasses import asdict, fields
from datetime import datetime
from pathlib import Path
from typing import Any, cast

from ...model.errors import UsageError
from .csv_table import Dialect, csv_text
from .files import write_atomically
from .find_records import InspectionRow, Wanted, documents_of, overrules_of, rows
from .inspection import (
    INSPECTION_SCHEMA,
    INSPECTION_SCHEMA_FILE,
    VERDICTS,
    DepositRecord,
    Inspection,
)
from .records import Records, uid_of

__all__ = ["RECORD_SCHEMA", "export_records", "import_file", "table_of"]

RECORD_SCHEMA = "fiberward.record/1"
_JUDGED = ("bridge", "wedge", "reach", "harm", "seen_in", "ruling", "verdict_without")


def export_records(
    records: Records, folder: Path, wanted: Wanted, dialect: Dialect = "rfc4180"
) -> int:
    """Write records.jsonl, inspections.csv and deposits.csv to `folder`; how many inspections."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lines: list[str] = []
        found: list[dict[str, Any]] = []
        for uid, document in documents_of(records, wanted):
            inspection = json.loads(document)
            overruled = [asdict(each) for each in overrules_of(records, uid)]
            line = {"schema": RECORD_SCHEMA, "inspection": inspection, "overrules": overruled}
            lines.append(json.dumps(line, ensure_ascii=False, separators=(",", ":")))
            label = inspection["connector"]["label"]
            found += [{"uid": uid, "label": label, **each} for each in inspection["deposits"]]
        text = "".join(f"{line}\n" for line in lines)
        write_atomically(folder / "records.jsonl", text.encode())
        table = table_of(rows(records, wanted), dialect)
        write_atomically(folder / "inspections.csv", table.encode())
        names = ["uid", "label", *(f.name for f in fields(DepositRecord) if f.name not in _JUDGED)]
        write_atomically(folder / "deposits.csv", csv_text(names, found, dialect).encode())
    except OSError as error:
        raise UsageError(f"{folder}: cannot write there ({error.strerror})") from error
    return len(lines)


def table_of(found: list[InspectionRow], dialect: Dialect = "rfc4180") -> str:
    """Inspections as CSV text."""
    names = [field.name for field in fields(InspectionRow)]
    return csv_text(names, (asdict(row) for row in found), dialect)


def import_file(records: Records, path: Path) -> tuple[int, int]:
    """Record what a file holds: how many inspections were new, and how many were known.

    Raises UsageError, with line and column, for a file of anything else; then nothing of it was
    recorded. One whose facts contradict what is recorded of its connector ends the import there;
    the error says how many before it were recorded.
    """
    checked = list(_checked(path))
    known = {row.uid for row in rows(records)}
    new = 0
    for where, inspection, overruled in checked:
        uid = uid_of(inspection)
        if uid in known:
            continue
        try:
            records.add(inspection, overruled=overruled)
        except UsageError as error:
            raise UsageError(f"{where}: {error} ({new} before it were recorded)") from error
        known.add(uid)
        new += 1
    return new, len(checked) - new


def _checked(path: Path) -> Iterator[tuple[str, Inspection, list[dict[str, str]]]]:
    """The inspections of a file and where each stands, checked against the schema."""
    from jsonschema import Draft202012Validator

    validator = Draft202012Validator(json.loads(INSPECTION_SCHEMA_FILE.read_text("utf-8")))
    for line, value in _values(path):
        where = f"{path}, line {line}"
        if not isinstance(value, dict):
            raise UsageError(f"{where}, column 1: expected a JSON object")
        record = cast(dict[str, Any], value)
        lone = record.get("schema") == INSPECTION_SCHEMA
        if not lone and record.get("schema") != RECORD_SCHEMA:
            raise UsageError(
                f"{where}, column 1: schema is {record.get('schema')!r}; expected "
                f"{RECORD_SCHEMA} or {INSPECTION_SCHEMA}"
            )
        document: Any = record if lone else record.get("inspection")
        errors = validator.iter_errors(document)  # pyright: ignore[reportUnknownMemberType]
        error = next(iter(errors), None)
        if error is not None:
            key = error.json_path.removeprefix("$.")
            raise UsageError(f"{where}, key {key}: {error.message[:160]}")
        if not document["connector"]["label"]:
            raise UsageError(f"{where}, key connector.label: is empty, so it cannot be recorded")
        if not _is_utc(document["created_at"]):
            raise UsageError(f"{where}, key created_at: expected a time as 2026-01-02T03:04:05Z")
        ids = [deposit["id"] for deposit in document["deposits"]]
        if len({*ids}) != len(ids):
            raise UsageError(f"{where}, key deposits: two of them have the same id")
        overruled = [] if lone else _overrules(record.get("overrules", []), where)
        yield where, Inspection.from_json(document), overruled


def _values(path: Path) -> Iterator[tuple[int, Any]]:
    """(line, value) of each document in a file: one JSON document, or one a line."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        column = error.start - error.object.rfind(b"\n", 0, error.start)
        raise UsageError(f"{path}, line {line}, column {column}: is not UTF-8") from error
    lines = [(n, each) for n, each in enumerate(text.split("\n"), 1) if each.strip()]
    if not lines:
        raise UsageError(f"{path}, line 1, column 1: the file is empty")
    one = len(lines) > 1 and not _is_whole(lines[0][1])
    for number, each in [(1, text)] if one else lines:
        try:
            value = json.loads(each, parse_constant=_no_number)
            json.dumps(value, ensure_ascii=False).encode()  # half a letter cannot be stored
            yield number, value
        except json.JSONDecodeError as error:
            line = number + error.lineno - 1
            raise UsageError(
                f"{path}, line {line}, column {error.colno}: {error.msg}; expected a file written "
                "by fiberward records export or fiberward inspect"
            ) from error
        except (ValueError, RecursionError) as error:
            raise UsageError(f"{path}, line {number}, column 1: {error}") from error


def _is_utc(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).strftime("%Y-%m-%dT%H:%M:%SZ") == text
    except ValueError:
        return False


def _no_number(text: str) -> None:
    raise ValueError(f"{text} is no JSON number")


def _is_whole(line: str) -> bool:
    """Whether a line is a JSON document by itself."""
    try:
        json.loads(line)
    except (ValueError, RecursionError):
        return line.lstrip().startswith('{"schema"')  # one of several, but damaged
    return True


def _overrules(value: Any, where: str) -> list[dict[str, str]]:
    found: list[dict[str, str]] = []
    for each in cast(list[Any], value) if isinstance(value, list) else [None]:
        given = cast(dict[str, Any], each) if isinstance(each, dict) else {}
        texts = {k: str(given.get(k) or "").strip() for k in ("verdict", "by_name", "reason")}
        if not all(texts.values()) or texts["verdict"] not in VERDICTS:
            raise UsageError(f"{where}, key overrules: expected a verdict, by_name and reason")
        found.append(texts)
    return found
