"""Finding records: lists, single inspections, a connector's history."""

import json
import re
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, func, select

from ...model.errors import UsageError
from .database import plain_errors
from .inspection import Inspection
from .records import SHORTEST_UID, Records
from .tables import (
    attachments,
    audit,
    connectors,
    documents,
    inspections,
    overrules,
    pictures,
    views,
)

__all__ = [
    "InspectionRow",
    "Overrule",
    "Wanted",
    "audit_rows",
    "condition",
    "documents_of",
    "files_of",
    "find_uid",
    "history",
    "inspection_of",
    "overrules_of",
    "pictures_seen_before",
    "rows",
    "uids_of",
]


@dataclass(frozen=True)
class Wanted:
    """Which inspections: each field that is not None narrows the choice.

    `since`, `until`: dates or times, UTC, YYYY-MM-DD first. `verdict`: the one that holds, a
    person's overrule before the machine's. `limit`: the newest so many.
    """

    label: str | None = None
    end: str | None = None
    lot: str | None = None
    stage: str | None = None
    method: str | None = None
    verdict: str | None = None
    since: str | None = None
    until: str | None = None
    limit: int | None = None


@dataclass(frozen=True)
class Overrule:
    """A person's verdict beside the machine's."""

    verdict: str
    by_name: str
    reason: str
    recorded_at: str


@dataclass(frozen=True)
class InspectionRow:
    """One recorded inspection in short. `verdict` is the machine's, `overruled` a person's."""

    uid: str
    label: str
    end: str | None
    lot: str | None
    created_at: str
    stage: str | None
    method: str | None
    attempt: int | None
    cleanings_failed: int | None
    matings_so_far: int | None
    operator: str | None
    verdict: str
    overruled: str | None
    overruled_by: str | None
    deposits: int
    stops: int
    unsure: int
    detection_limit_um: float | None
    model_id: str

    @property
    def holds(self) -> str:
        """The verdict that holds: the person's if there is one."""
        return self.overruled or self.verdict


def rows(records: Records, wanted: Wanted = Wanted()) -> list[InspectionRow]:
    """The wanted inspections, oldest first."""
    with plain_errors(records.place), records.engine.connect() as connection:
        found = [_row(each) for each in connection.execute(_selected(wanted)).mappings()]
    found.reverse()
    return found


def history(records: Records, label: str, end: str | None) -> list[InspectionRow]:
    """Every inspection of one connector, oldest first; empty if it is not recorded."""
    return rows(records, Wanted(label=label, end=end or ""))


def find_uid(records: Records, start: str) -> str:
    """The whole uid from its first characters; raises UsageError for none or several."""
    if len(start) < SHORTEST_UID:
        raise UsageError(f"{start!r}: give at least {SHORTEST_UID} characters of the uid")
    chosen = select(inspections.c.uid).where(inspections.c.uid.startswith(start, autoescape=True))
    with plain_errors(records.place), records.engine.connect() as connection:
        found = list(connection.execute(chosen.limit(2)).scalars())
    if len(found) != 1:
        what = "several inspections begin" if found else "no recorded inspection begins"
        raise UsageError(f"{what} with {start}; see fiberward records list")
    return found[0]


def inspection_of(records: Records, uid: str) -> Inspection:
    """The recorded document of an inspection."""
    chosen = _documents().where(inspections.c.uid == uid)
    with plain_errors(records.place), records.engine.connect() as connection:
        row = connection.execute(chosen).first()
    if row is None:
        raise UsageError(f"no inspection {uid} is recorded")
    return Inspection.from_json(json.loads(zlib.decompress(row.json_zlib)))


def uids_of(records: Records) -> set[str]:
    """The uids of all that is recorded."""
    with plain_errors(records.place), records.engine.connect() as connection:
        return set(connection.execute(select(inspections.c.uid)).scalars())


def documents_of(records: Records, wanted: Wanted = Wanted()) -> Iterator[tuple[str, bytes]]:
    """uid and document of the wanted inspections, oldest first, one at a time."""
    chosen = _documents().where(condition(wanted)).order_by(*_OLDEST_FIRST)
    with plain_errors(records.place), records.engine.connect() as connection:
        for row in connection.execution_options(yield_per=200).execute(chosen):
            yield row.uid, zlib.decompress(row.json_zlib)


def overrules_of(records: Records, uid: str) -> list[Overrule]:
    """Every overrule of an inspection, oldest first; the last one holds."""
    chosen = (
        select(
            overrules.c.verdict, overrules.c.by_name, overrules.c.reason, overrules.c.recorded_at
        )
        .join(inspections, inspections.c.id == overrules.c.inspection_id)
        .where(inspections.c.uid == uid)
        .order_by(overrules.c.id)
    )
    with plain_errors(records.place), records.engine.connect() as connection:
        return [Overrule(*row) for row in connection.execute(chosen)]


def files_of(records: Records, uid: str) -> list[tuple[str, str, Path]]:
    """(role, name, path) of each file kept with an inspection."""
    chosen = (
        select(attachments.c.role, attachments.c.name, pictures.c.sha256, pictures.c.suffix)
        .join(inspections, inspections.c.id == attachments.c.inspection_id)
        .join(pictures, pictures.c.sha256 == attachments.c.sha256)
        .where(inspections.c.uid == uid)
        .order_by(attachments.c.role, attachments.c.name)
    )
    with plain_errors(records.place), records.engine.connect() as connection:
        return [
            (row.role, row.name, records.store.path(row.sha256, row.suffix))
            for row in connection.execute(chosen)
        ]


def pictures_seen_before(records: Records, uid: str, sha256s: frozenset[str]) -> bool:
    """Whether an inspection looked at any of these very pictures."""
    chosen = (
        select(func.count())
        .select_from(views)
        .join(inspections, inspections.c.id == views.c.inspection_id)
        .where(inspections.c.uid == uid, views.c.sha256.in_(sorted(sha256s)))
    )
    with plain_errors(records.place), records.engine.connect() as connection:
        return bool(connection.execute(chosen).scalar())


def audit_rows(records: Records) -> list[dict[str, Any]]:
    """The audit trail, oldest first."""
    with plain_errors(records.place), records.engine.connect() as connection:
        found = connection.execute(select(audit).order_by(audit.c.seq)).mappings()
        return [{str(name): value for name, value in row.items()} for row in found]


# -- statements ----------------------------------------------------------------------------------

_TIME = re.compile(r"\d{4}-\d{2}-\d{2}(T\d{2}:\d{2}(:\d{2}Z?)?)?", re.ASCII)
_OLDEST_FIRST = (inspections.c.created_at, inspections.c.id)


def _documents() -> Select[*tuple[Any, ...]]:
    return (
        select(inspections.c.uid, documents.c.json_zlib)
        .join(documents, documents.c.inspection_id == inspections.c.id)
        .join(connectors, connectors.c.id == inspections.c.connector_id)
    )


def _last_overrule(column: Any) -> Any:
    """The column of an inspection's newest overrule."""
    return (
        select(column)
        .where(overrules.c.inspection_id == inspections.c.id)
        .order_by(overrules.c.id.desc())
        .limit(1)
        .correlate(inspections)
        .scalar_subquery()
    )


def _selected(wanted: Wanted) -> Select[*tuple[Any, ...]]:
    columns = inspections.c
    chosen = (
        select(
            columns.uid,
            connectors.c.label,
            connectors.c.end_name,
            connectors.c.lot,
            columns.created_at,
            columns.stage,
            columns.method,
            columns.attempt,
            columns.cleanings_failed,
            columns.matings_so_far,
            columns.operator,
            columns.verdict,
            _last_overrule(overrules.c.verdict).label("overruled"),
            _last_overrule(overrules.c.by_name).label("overruled_by"),
            columns.deposits,
            columns.stops,
            columns.unsure,
            columns.detection_limit_um,
            columns.model_id,
        )
        .join(connectors, connectors.c.id == columns.connector_id)
        .where(condition(wanted))
        .order_by(columns.created_at.desc(), columns.id.desc())
    )
    return chosen if wanted.limit is None else chosen.limit(wanted.limit)


def condition(wanted: Wanted) -> ColumnElement[bool]:
    """What is wanted, as a condition on inspections joined with their connectors.

    Raises UsageError for a time that would not sort among those recorded.
    """
    for option, told in (("--since", wanted.since), ("--until", wanted.until)):
        if told is not None and not _TIME.fullmatch(told):
            raise UsageError(f"{option} {told}: write it as 2026-01-02 or 2026-01-02T03:04")
    tests: list[ColumnElement[bool]] = [inspections.c.id.is_not(None)]
    for column, value in (
        (connectors.c.label, wanted.label),
        (connectors.c.end_name, wanted.end),
        (connectors.c.lot, wanted.lot),
        (inspections.c.stage, wanted.stage),
        (inspections.c.method, wanted.method),
    ):
        if value is not None:
            tests.append(column == value)
    if wanted.verdict is not None:
        holds = func.coalesce(_last_overrule(overrules.c.verdict), inspections.c.verdict)
        tests.append(holds == wanted.verdict)
    if wanted.since is not None:
        tests.append(inspections.c.created_at >= wanted.since)
    if wanted.until is not None:
        # a bare date means the whole of that day
        tests.append(inspections.c.created_at <= f"{wanted.until}~")
    return and_(*tests)


def _row(row: Mapping[Any, Any]) -> InspectionRow:
    values = {str(name): value for name, value in row.items() if name != "end_name"}
    return InspectionRow(end=row["end_name"] or None, **values)
