"""Whether the records are what was written: audit trail, documents, rows, comparisons, pictures."""

import hashlib
import json
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Table, select, text

from .audit import FIRST, broken_links, detail_of
from .database import plain_errors
from .find_records import audit_rows
from .inspection import Inspection
from .record_rows import deposit_rows, inspection_row, view_rows
from .records import Records, connector_row
from .tables import connectors, deposits, documents, inspections, overrules, pictures, views
from .verify_comparisons import comparison_damage

__all__ = ["Verified", "verify"]

Follow = Callable[[Iterable[Any]], Iterable[Any]]


@dataclass(frozen=True)
class Verified:
    """What a check of the records found.

    `head`: the newest hash of the audit trail, to be noted down elsewhere. `wrong`: a line for each
    thing that is not as it was written; empty if all is.
    """

    inspections: int
    comparisons: int
    pictures: int
    audit_rows: int
    head: str
    wrong: tuple[str, ...]


def verify(records: Records, known_head: str | None = None, follow: Follow = iter) -> Verified:
    """Check everything against its hashes.

    `known_head`: a hash noted down earlier; that it is missing means that the trail was cut.
    """
    trail = audit_rows(records)
    wrong = broken_links(trail)
    hashes = {row["hash"] for row in trail}
    if known_head is not None and known_head not in hashes | {FIRST}:
        wrong.append(f"audit: the hash {known_head} is not in the trail, which was cut or replaced")
    wrong += _database_damage(records)
    said = _recorded(trail)
    with plain_errors(records.place), records.engine.connect() as connection:
        uids = dict(connection.execute(select(inspections.c.id, inspections.c.uid)).all())
        kept = connection.execute(select(pictures.c.sha256, pictures.c.suffix)).all()
        people = connection.execute(
            select(
                inspections.c.uid, overrules.c.verdict, overrules.c.by_name, overrules.c.reason
            ).join(overrules, overrules.c.inspection_id == inspections.c.id)
        ).all()
    for number, uid in follow(list(uids.items())):
        wrong += _document_damage(records, number, uid)
    wrong += [
        f"inspection {uid[:12]}: is not in the audit trail"
        for uid in uids.values()
        if uid not in said[0]
    ]
    wrong += [
        f"inspection {uid[:12]}: is missing" for uid in said[0] if uid not in set(uids.values())
    ]
    if sorted(tuple(row) for row in people) != sorted(said[1]):
        wrong.append("overrules: are not those of the audit trail")
    for sha256, suffix in kept:
        broken = records.store.damage(sha256, suffix)
        if broken is not None:
            wrong.append(f"picture {sha256[:12]}{suffix}: {broken}")
    compared, damage = comparison_damage(records, trail)
    wrong += damage
    head = trail[-1]["hash"] if trail else FIRST
    return Verified(len(uids), compared, len(kept), len(trail), head, tuple(wrong))


def _recorded(trail: Iterable[Mapping[str, Any]]) -> tuple[set[str], list[tuple[str, ...]]]:
    """The inspections and the overrules that the audit trail tells of."""
    uids: set[str] = set()
    people: list[tuple[str, ...]] = []
    for row in trail:
        if row["action"] == "inspection":
            uids.add(row["subject"])
        elif row["action"] == "overrule":
            detail = detail_of(row)
            told = (str(detail.get(name)) for name in ("verdict", "by_name", "reason"))
            people.append((row["subject"], *told))
    return uids, people


def _database_damage(records: Records) -> list[str]:
    """What SQLite itself finds wrong with its file."""
    if records.place.file is None:
        return []
    with plain_errors(records.place), records.engine.connect() as connection:
        found = [str(row) for row in connection.execute(text("PRAGMA integrity_check")).scalars()]
        stray = connection.execute(text("PRAGMA foreign_key_check")).all()
    wrong = [f"database: {line}" for line in found if line != "ok"]
    return wrong + [f"database: a row of {row[0]} belongs to nothing" for row in stray]


def _document_damage(records: Records, number: int, uid: str) -> list[str]:
    """Whether an inspection's document is whole and its rows say the same."""
    named = f"inspection {uid[:12]}"
    packed = _rows(records, documents, number)
    try:
        document = zlib.decompress(packed[0]["json_zlib"])
    except (IndexError, zlib.error):
        return [f"{named}: its document is damaged"]
    if hashlib.sha256(document).hexdigest() != uid:
        return [f"{named}: its document was changed"]
    try:
        inspection = Inspection.from_json(json.loads(document))
    except (ValueError, KeyError, TypeError):
        return [f"{named}: its document is no inspection"]
    expected: dict[str, list[dict[str, Any]]] = {
        "views": view_rows(inspection),
        "deposits": deposit_rows(inspection),
        "summary": [inspection_row(inspection)],
        "connector's facts": [connector_row(inspection.connector)],
    }
    summary = _rows(records, inspections, number)
    found = {
        "views": _rows(records, views, number),
        "deposits": _rows(records, deposits, number),
        "summary": summary,
        "connector's facts": _rows(records, connectors, summary[0]["connector_id"]),
    }
    wrong: list[str] = []
    for name, rows in expected.items():
        same = (
            [{key: row.get(key) for key in rows[0]} for row in found[name]] if rows else found[name]
        )
        by_number = sorted(rows, key=lambda row: row.get("number", 0))
        if same != by_number:
            wrong.append(f"{named}: its {name} differ from its document")
    return wrong


def _rows(records: Records, table: Table, number: int) -> list[dict[str, Any]]:
    key = table.c.id if "id" in table.c else table.c.inspection_id
    chosen = select(table).where(key == number)
    if "number" in table.c:
        chosen = chosen.order_by(table.c.number)
    with plain_errors(records.place), records.engine.connect() as connection:
        found = connection.execute(chosen).mappings()
        return [{str(name): value for name, value in row.items()} for row in found]
