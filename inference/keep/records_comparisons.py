"""Recorded comparisons as lines of `records.jsonl`, out and back in.

Each is one document `fiberward.comparison/1` with the uids of the two inspections that it is of.
"""

import json
import zlib
from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import select

from ...model.errors import UsageError
from .comparison_file import COMPARISON_SCHEMA_FILE
from .database import plain_errors
from .find_records import Wanted, condition, inspection_of
from .inspection import Inspection
from .json_file import JsonValue
from .records import Records
from .tables import comparisons, connectors, inspections

__all__ = ["COMPARED_SCHEMA", "ComparedLine", "checked_comparison", "comparison_lines"]

COMPARED_SCHEMA = "fiberward.recorded-comparison/1"


@dataclass(frozen=True)
class ComparedLine:
    """A comparison of an import, checked. `before`, `after`: uids."""

    before: str
    after: str
    document: Mapping[str, Any]


def comparison_lines(records: Records, wanted: Wanted, uids: Set[str]) -> Iterator[str]:
    """A line for each comparison of which both inspections are among `uids`, oldest first."""
    before = inspections.alias()
    chosen = (
        select(before.c.uid.label("before"), inspections.c.uid, comparisons.c.json_zlib)
        .select_from(comparisons)
        .join(before, before.c.id == comparisons.c.before_id)
        .join(inspections, inspections.c.id == comparisons.c.after_id)
        .join(connectors, connectors.c.id == inspections.c.connector_id)
        .where(condition(wanted))
        .order_by(comparisons.c.id)
    )
    with plain_errors(records.place), records.engine.connect() as connection:
        for row in connection.execution_options(yield_per=200).execute(chosen):
            if {row.before, row.uid} <= uids:
                line = {
                    "schema": COMPARED_SCHEMA,
                    "before": row.before,
                    "after": row.uid,
                    "comparison": json.loads(zlib.decompress(row.json_zlib)),
                }
                yield json.dumps(line, ensure_ascii=False, separators=(",", ":"))


def checked_comparison(
    records: Records, row: JsonValue, path: Path, known: Mapping[str, Inspection]
) -> ComparedLine:
    """The comparison that a line of a file holds.

    known: inspections of the same file, by uid. Raises UsageError, with line and column, for one
    that does not follow its schema, or that names inspections or deposits that are not there.
    """
    from jsonschema import Draft202012Validator

    value = row.value
    validator = Draft202012Validator(json.loads(COMPARISON_SCHEMA_FILE.read_text("utf-8")))
    document = value.get("comparison")
    errors = validator.iter_errors(document)  # pyright: ignore[reportUnknownMemberType]
    error = next(iter(errors), None)
    if error is not None:
        raise row.refused(path, ("comparison", *error.absolute_path), error.message[:160])
    sides: dict[str, Inspection] = {}
    for side in ("before", "after"):
        uid = value.get(side)
        try:
            sides[side] = known[uid] if uid in known else inspection_of(records, str(uid))
        except UsageError as error:
            raise row.refused(
                path, (side,), f"{uid!r} is neither recorded nor in this file"
            ) from error
    one, other = ([x.connector.get(k) for k in ("label", "end")] for x in sides.values())
    if one != other or value["before"] == value["after"]:
        raise row.refused(
            path, ("after",), "is no second inspection of the same connector as before"
        )
    numbers = {side: {d.id for d in seen.deposits} for side, seen in sides.items()}
    for k, pair in enumerate(document["pairs"]):
        for side in ("before", "after"):
            number = pair[f"{side}_id"]
            if number is not None and number not in numbers[side]:
                keys = ("comparison", "pairs", k, f"{side}_id")
                raise row.refused(path, keys, f"that inspection has no deposit {number}")
        if pair["before_id"] is None and pair["after_id"] is None:
            raise row.refused(path, ("comparison", "pairs", k), "names no deposit")
    return ComparedLine(value["before"], value["after"], document)
