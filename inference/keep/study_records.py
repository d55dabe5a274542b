"""What a study looks at, from the records, each row as a few numbers: see StudyData.

The counting is NumPy's, for it is several times quicker there than grouping is in a database.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    Row,
    Select,
    and_,
    case,
    cast,
    exists,
    func,
    select,
)

from ...model.kinds import KIND_NAMES
from ...model.surfaces import SURFACE_NAMES
from ..see.connector_file import STAGES
from .database import plain_errors
from .find_records import Wanted, condition
from .inspection import VERDICTS
from .records import Records
from .study_data import (
    ENDS,
    MACHINE,
    NOT_KNOWN,
    FateTable,
    LookTable,
    Numbers,
    Rating,
    StudyData,
    coded,
)
from .tables import comparisons, connectors, deposits, fates, inspections, overrules

__all__ = ["data_of", "fates_of"]


def data_of(records: Records, wanted: Wanted) -> StudyData:
    """The wanted inspections of the records, and what was compared among them."""
    with plain_errors(records.place), records.engine.connect() as connection:
        people = connection.execute(_people(wanted)).all()
        holds: dict[int, str] = {row[0]: row[3] for row in people}  # the newest comes last
        looks = _looks(connection, wanted, holds)
        removed = _fates(connection, wanted, looks)
        ratings = _second_opinions(connection, wanted, holds)
    ratings += _judged_again(people)
    return StudyData(looks, removed, ratings, f"records {records.place.name}")


def _fetched(connection: Connection, chosen: Select[*tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """All rows as the driver's own tuples: wrapped ones would take as long again to make."""
    cursor: Any = connection.execute(chosen).cursor
    return cursor.fetchall()


# -- inspections ---------------------------------------------------------------------------------


def _looks(connection: Connection, wanted: Wanted, holds: dict[int, str]) -> LookTable:
    facts = (connectors.c[name] for name in ("id", "label", "end_name", "lot"))
    names = _fetched(connection, select(*facts).order_by(connectors.c.id))
    rows = _fetched(connection, _look_rows(wanted))
    columns: list[Sequence[Any]] = list(zip(*rows, strict=True)) or [()] * 9
    number, connector = (np.array(column, dtype=np.int64) for column in columns[:2])
    words = {name: code for code, name in enumerate(VERDICTS)}
    verdict = np.array([words[word] for word in columns[3]], dtype=np.int64)
    for row, word in holds.items():
        verdict[number == row] = words[word]
    places = np.searchsorted([row[0] for row in names], connector)
    lots, lot = coded([row[3] for row in names])
    methods, method = coded(columns[4])
    residues, inside = _pieces(connection, wanted, number)
    attempt, matings, found = (_numbers(column) for column in columns[5:8])
    return LookTable(
        connectors=[(row[1], row[2]) for row in names],
        lots=lots,
        methods=methods,
        created_at=columns[8],
        connector=places,
        lot=lot[places],
        method=method,
        stage=_codes(columns[2], STAGES),
        verdict=verdict,
        attempt=attempt,
        matings_so_far=matings,
        deposits=found,
        residues=residues,
        in_zone=inside,
    )


def _codes(words: Iterable[str | None], names: Sequence[str]) -> Numbers:
    """Which of the names each word is; -1 for another."""
    known = {name: code for code, name in enumerate(names)}
    return np.array([known.get(word or "", NOT_KNOWN) for word in words], dtype=np.int64)


def _numbers(column: Sequence[int | None]) -> Numbers:
    """Whole numbers; -1 for None, which NumPy takes for not a number."""
    return np.nan_to_num(np.array(column, dtype=np.float64), nan=NOT_KNOWN).astype(np.int64)


def _look_rows(wanted: Wanted) -> Select[*tuple[Any, ...]]:
    columns = inspections.c
    return (
        select(
            *(columns.id, columns.connector_id, columns.stage, columns.verdict, columns.method),
            *(columns.attempt, columns.matings_so_far, columns.deposits, columns.created_at),
        )
        .where(_chosen(wanted))
        .order_by(columns.connector_id, columns.created_at, columns.id)
    )


def _chosen(wanted: Wanted) -> ColumnElement[bool]:
    """What is wanted, as a condition on inspections alone."""
    if wanted == Wanted():
        return inspections.c.id.is_not(None)
    return inspections.c.id.in_(_wanted_ids(wanted))


def _wanted_ids(wanted: Wanted) -> Select[int]:
    return (
        select(inspections.c.id)
        .join(connectors, connectors.c.id == inspections.c.connector_id)
        .where(condition(wanted))
    )


def _pieces(connection: Connection, wanted: Wanted, number: Numbers) -> tuple[Numbers, Numbers]:
    """Dried residues, and deposits in the graded zones, at each of these inspections."""
    residue = deposits.c.kind == "residue"
    inside = deposits.c.off_zone.is_(False)
    chosen = select(
        deposits.c.inspection_id,
        func.sum(case((residue, 1), else_=0)),
        func.sum(case((inside, 1), else_=0)),
    ).where(deposits.c.unsure.is_(False), residue | inside)
    if wanted != Wanted():
        chosen = chosen.where(deposits.c.inspection_id.in_(_wanted_ids(wanted)))
    rows = _fetched(connection, chosen.group_by(deposits.c.inspection_id))
    found = np.zeros((2, int(number.max(initial=0)) + 1), dtype=np.int64)
    at, *counts = np.array(rows, dtype=np.int64).reshape(-1, 3).T
    found[:, at] = counts
    return found[0, number], found[1, number]


# -- what became of deposits ---------------------------------------------------------------------


def _fates(connection: Connection, wanted: Wanted, looks: LookTable) -> FateTable:
    """Fates at the wanted inspections, each as the later of its pair; not what none was sure of."""
    methods = list(looks.methods)
    kinds, surfaces = (*KIND_NAMES, "another"), (*SURFACE_NAMES, "another")
    # one number a row, the digits being connector, method, kind, surface and fate
    number: Any = cast(inspections.c.connector_id, BigInteger)
    digits: tuple[tuple[Any, Sequence[str | None]], ...] = (
        (inspections.c.method, [*methods, None]),
        (fates.c.kind, kinds),
        (fates.c.surface, surfaces),
        (fates.c.fate, ENDS),
    )
    for column, names in digits:
        whens = [(column == name, k) for k, name in enumerate(names[:-1])]
        number = number * len(names) + case(
            (column.is_(None), len(whens)), *whens, else_=len(whens)
        )
    chosen = _compared(select(number), wanted).where(
        inspections.c.stage == "cleaned",
        fates.c.kind != "damage",
        func.coalesce(fates.c.fate, "") != "new",
    )
    rows = _fetched(connection, chosen)
    left = np.fromiter((row[0] for row in rows), np.int64, len(rows))
    columns: list[Numbers] = []
    for _, names in reversed(digits):
        left, digit = np.divmod(left, len(names))
        columns.append(digit)
    fate, surface, kind, method = columns
    told, fiberward = connection.execute(_travelled(wanted)).one()
    return FateTable(
        (),  # all of them are among those of the looks
        methods,
        kinds,
        surfaces,
        *(left, np.where(method < len(methods), method, NOT_KNOWN)),
        *(kind, surface, fate),
        int(told),
        int(fiberward or 0),
    )


def fates_of(records: Records, wanted: Wanted) -> list[dict[str, Any]]:
    """The same fates, damage and what was new among them, as rows of a table for study_csv."""
    chosen = _compared(
        select(
            *(connectors.c.label, connectors.c.end_name.label("end")),
            *(inspections.c.stage, inspections.c.method),
            *(fates.c.kind, fates.c.surface, func.coalesce(fates.c.fate, "unseen").label("fate")),
            *(fates.c.moved_um, fates.c.fiberward_um),
        ),
        wanted,
    ).join(connectors, connectors.c.id == inspections.c.connector_id)
    with plain_errors(records.place), records.engine.connect() as connection:
        found = connection.execute(chosen.order_by(fates.c.comparison_id, fates.c.number))
        return [{str(name): value for name, value in row.items()} for row in found.mappings()]


def _travelled(wanted: Wanted) -> Select[*tuple[Any, ...]]:
    """Of deposits that moved while mated: of how many the way is known, how many went fiberward."""
    way = fates.c.fiberward_um
    # told apart first, since few comparisons are of matings
    mated = (
        select(comparisons.c.id)
        .join(inspections, inspections.c.id == comparisons.c.after_id)
        .where(inspections.c.stage == "mated")
    )
    counted = select(func.count(way), func.sum(case((way > 0, 1), else_=0)))
    return _compared(counted, wanted).where(
        fates.c.comparison_id.in_(mated), fates.c.fate == "moved"
    )


def _compared(chosen: Select[*tuple[Any, ...]], wanted: Wanted) -> Select[*tuple[Any, ...]]:
    """From the fates at the wanted inspections of which one side or both were sure."""
    return (
        chosen.select_from(fates)
        .join(comparisons, comparisons.c.id == fates.c.comparison_id)
        .join(inspections, inspections.c.id == comparisons.c.after_id)
        .where(
            _chosen(wanted),
            _sure(comparisons.c.before_id, fates.c.before_number)
            | _sure(comparisons.c.after_id, fates.c.after_number),
        )
    )


def _sure(inspection_id: Any, number: Any) -> ColumnElement[bool]:
    """There is a deposit on this side, and it is none of the unsure ones."""
    unsure = exists().where(
        deposits.c.inspection_id == inspection_id, deposits.c.number == number, deposits.c.unsure
    )
    return number.is_not(None) & ~unsure


# -- ratings -------------------------------------------------------------------------------------


def _people(wanted: Wanted) -> Select[*tuple[Any, ...]]:
    """Each person's word on the wanted inspections: id, machine's verdict, person, verdict."""
    return (
        select(
            *(inspections.c.id, inspections.c.verdict),
            *(overrules.c.by_name, overrules.c.verdict),
        )
        .join(inspections, inspections.c.id == overrules.c.inspection_id)
        .where(_chosen(wanted))
        .order_by(overrules.c.id)
    )


def _judged_again(people: Sequence[Row[*tuple[Any, ...]]]) -> list[Rating]:
    """The machine's and persons' words on the inspections that a person judged, last word first."""
    words: dict[tuple[str, str], str] = {}
    for number, machine, person, verdict in people:
        words[f"inspection {number}", MACHINE] = machine
        words[f"inspection {number}", person] = verdict
    return [Rating(item, rater, verdict) for (item, rater), verdict in words.items()]


def _second_opinions(
    connection: Connection, wanted: Wanted, holds: Mapping[int, str]
) -> list[Rating]:
    """Connectors that several operators inspected at the same stage, before any cleaning."""
    columns = inspections.c
    same = (columns.connector_id, columns.stage, func.coalesce(columns.matings_so_far, NOT_KNOWN))
    asked = and_(
        _chosen(wanted), columns.operator != "", columns.stage.in_(("as-received", "mated"))
    )
    several = (
        select(*(column.label(f"same_{k}") for k, column in enumerate(same)))
        .where(asked)
        .group_by(*same)
        .having(func.min(columns.operator) != func.max(columns.operator))
        .subquery()
    )
    chosen = (
        select(columns.id, *same, columns.operator, columns.verdict)
        .join(several, and_(*(a == b for a, b in zip(same, several.c, strict=True))))
        .where(asked)
        .order_by(columns.created_at, columns.id)
    )
    words: dict[tuple[str, str], str] = {}
    for number, connector, stage, matings, operator, verdict in connection.execute(chosen):
        words.setdefault(
            (f"connector {connector} {stage} {matings}", operator), holds.get(number, verdict)
        )
    return [Rating(item, rater, verdict) for (item, rater), verdict in words.items()]
