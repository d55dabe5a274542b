"""Recorded comparisons as lines of `records.jsonl`, out and back in.

Each is one document `fiberward.comparison/1` with the uids of the two inspections that it is of.
"""

import json
import zlib
from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass
from functools import cache
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

__all__ = ["COMPARED_SCHEMA", "ComparedLine", "Side", "checked_comparison", "comparison_lines"]

COMPARED_SCHEMA = "fiberward.recorded-comparison/1"


@dataclass(frozen=True)
class ComparedLine:
    """A comparison of an import, checked. `before`, `after`: uids."""

    before: str
    after: str
    document: Mapping[str, Any]


@dataclass(frozen=True)
class Side:
    """What a comparison must fit of an inspection: its connector, and its deposits' ids."""

    connector: tuple[Any, Any]
    deposits: frozenset[int]

    @classmethod
    def of(cls, seen: Inspection) -> "Side":
        """Of an inspection."""
        label, end = (seen.connector.get(name) for name in ("label", "end"))
        return cls((label, end), frozenset(deposit.id for deposit in seen.deposits))


@cache
def _validator() -> Any:
    from jsonschema import Draft202012Validator

    return Draft202012Validator(json.loads(COMPARISON_SCHEMA_FILE.read_text("utf-8")))


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
    records: Records, row: JsonValue, path: Path, known: Mapping[str, Side]
) -> ComparedLine:
    """The comparison that a line of a file holds.

    known: of inspections of the same file, by uid. Raises UsageError, with line and column, for one
    that does not follow its schema, or that names inspections or deposits that are not there.
    """
    value = row.value
    validator = _validator()
    document = value.get("comparison")
    errors = validator.iter_errors(document)  # pyright: ignore[reportUnknownMemberType]
    error = next(iter(errors), None)
    if error is not None:
        raise row.refused(path, ("comparison", *error.absolute_path), error.message[:160])
    sides: dict[str, Side] = {}
    for side in ("before", "after"):
        uid = value.get(side)
        try:
            sides[side] = known.get(uid) or Side.of(inspection_of(records, str(uid)))
        except UsageError as error:
            raise row.refused(
                path, (side,), f"{uid!r} is neither recorded nor in this file"
            ) from error
    if sides["before"].connector != sides["after"].connector or value["before"] == value["after"]:
        raise row.refused(
            path, ("after",), "is no second inspection of the same connector as before"
        )
    for k, pair in enumerate(document["pairs"]):
        for side in ("before", "after"):
            number = pair[f"{side}_id"]
            if number is not None and number not in sides[side].deposits:
                keys = ("comparison", "pairs", k, f"{side}_id")
                raise row.refused(path, keys, f"that inspection has no deposit {number}")
        if pair["before_id"] is None and pair["after_id"] is None:
            raise row.refused(path, ("comparison", "pairs", k), "names no deposit")
    return ComparedLine(value["before"], value["after"], document)
