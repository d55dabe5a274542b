"""What a study looks at, from the records, in columns: see StudyData.

Each column comes out of the database as one text of numbers, which NumPy reads several times
quicker than a row for each would be made, and the counting is NumPy's too.
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    Row,
    Select,
    String,
    case,
    cast,
    func,
    literal,
    select,
)

from ...model.kinds import KIND_NAMES
from ...model.surfaces import SURFACE_NAMES
from ..see.connector_file import STAGES
from .database import plain_errors, reading
from .find_records import Wanted, condition
from .inspection import VERDICTS
from .records import Records
from .study_data import (
    CLEANED,
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
from .tables import comparisons, connectors, fates, inspections, overrules

__all__ = ["data_of", "fates_of"]

BETWEEN = ","


def data_of(records: Records, wanted: Wanted) -> StudyData:
    """The wanted inspections of the records, and what was compared among them."""
    with plain_errors(records.place), reading(records.engine) as connection:
        people = connection.execute(_people(wanted)).all()
        holds: dict[int, str] = {row[0]: row[3] for row in people}  # the newest comes last
        read = _read(connection, wanted, holds)
        removed = _fates(connection, wanted, read)
    ratings = _second_opinions(read) + _judged_again(people)
    return StudyData(read.looks, removed, ratings, f"records {records.place.name}")


def _columns(connection: Connection, columns: Sequence[Any], where: Any) -> list[str]:
    """Each column's values of the chosen rows in one text, all in the same order; none is NULL."""
    texts = [func.aggregate_strings(cast(column, String), BETWEEN) for column in columns]
    return [text or "" for text in connection.execute(select(*texts).where(*where)).one()]


def _numbers(text: str) -> Numbers:
    # an empty text would be read as one 0
    return np.fromstring(text, dtype=np.int64, sep=BETWEEN) if text else np.zeros(0, dtype=np.int64)


def _known(column: Any) -> ColumnElement[int]:
    return func.coalesce(column, NOT_KNOWN)


def _code(column: Any, names: Sequence[str], other: int = NOT_KNOWN) -> ColumnElement[int]:
    """Which of the names a column's word is."""
    codes = {name: code for code, name in enumerate(names)}
    return case(codes, value=column, else_=other) if codes else literal(other)


# -- inspections ---------------------------------------------------------------------------------


class _Read(NamedTuple):
    """Inspections as read: their numbers in the records, which of the operators, and the rest."""

    number: Numbers
    operators: Sequence[str]
    operator: Numbers
    looks: LookTable


def _read(connection: Connection, wanted: Wanted, holds: Mapping[int, str]) -> _Read:
    facts = (connectors.c[name] for name in ("id", "label", "end_name", "lot"))
    names = _fetched(connection, select(*facts).where(_inspected(wanted)).order_by(connectors.c.id))
    chosen, columns = _chosen(wanted), inspections.c
    words = connection.execute(
        select(columns.method, columns.operator).where(chosen).distinct()
    ).all()
    methods, operators = (sorted({row[k] for row in words} - {None}) for k in (0, 1))
    *texts, times = _columns(
        connection,
        (
            *(columns.id, columns.connector_id, _code(columns.operator, operators)),
            *(_code(columns.method, methods), _code(columns.stage, STAGES)),
            *(_code(columns.verdict, VERDICTS), _known(columns.attempt)),
            *(_known(columns.matings_so_far), columns.deposits),
            *(_known(columns.residues), _known(columns.in_zone), columns.created_at),
        ),
        (chosen,),
    )
    created_at = np.array(times.split(BETWEEN) if times else [], dtype=np.str_)
    found = [_numbers(text) for text in texts]
    order = np.lexsort((found[0], created_at, found[1]))
    number, connector, operator, *codes = (column[order] for column in found)
    _overrule(number, codes[2], holds)
    places = np.searchsorted([row[0] for row in names], connector)
    lots, lot = coded([row[3] for row in names])
    looks = LookTable(
        [(row[1], row[2]) for row in names],
        *(lots, methods, created_at[order].tolist(), places, lot[places], *codes),
    )
    return _Read(number, operators, operator, looks)


def _fetched(connection: Connection, chosen: Select[*tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """All rows as the driver's own tuples: wrapped ones would take as long again to make."""
    cursor: Any = connection.execute(chosen).cursor
    return cursor.fetchall()


def _overrule(number: Numbers, verdict: Numbers, holds: Mapping[int, str]) -> None:
    """Put persons' verdicts, by inspection, in the machine's place."""
    if holds:
        order = np.argsort(number)
        at = order[np.searchsorted(number, list(holds), sorter=order)]
        verdict[at] = [VERDICTS.index(word) for word in holds.values()]


def _inspected(wanted: Wanted) -> ColumnElement[bool]:
    """The connectors of the wanted inspections, as a condition on connectors alone."""
    if wanted == Wanted():
        return connectors.c.id.is_not(None)
    return connectors.c.id.in_(select(inspections.c.connector_id).where(_chosen(wanted)))


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


# -- what became of deposits ---------------------------------------------------------------------


def _fates(connection: Connection, wanted: Wanted, read: _Read) -> FateTable:
    """Fates at the wanted inspections, each as the later of its pair; not what none was sure of."""
    number, looks = read.number, read.looks
    if not len(looks):
        return FateTable.of(())
    after, (kinds, surfaces), codes = _fate_codes(connection, wanted)
    order = np.argsort(number)
    row = order[np.searchsorted(number, after, sorter=order)]
    cleaned = looks.stage[row] == CLEANED
    row = row[cleaned]
    kind, surface, fate = (column[cleaned] for column in codes)
    told, fiberward = connection.execute(_travelled(wanted)).one()
    return FateTable(
        (),  # all of them are among those of the looks
        *(looks.methods, kinds, surfaces),
        *(looks.connector[row], looks.method[row], kind, surface, fate),
        int(told),
        int(fiberward or 0),
    )


def _fate_codes(
    connection: Connection, wanted: Wanted
) -> tuple[Numbers, tuple[Sequence[str], Sequence[str]], list[Numbers]]:
    """Of each fate the later inspection, the names of kinds and surfaces, and the codes of both and
    of its end: no damage, and nothing that was new."""
    kinds, surfaces = (*KIND_NAMES, "another"), (*SURFACE_NAMES, "another")
    # one number a row, the digits being comparison, kind, surface and end
    digits = (
        (fates.c.kind, kinds),
        (fates.c.surface, surfaces),
        (fates.c.fate, ENDS),
    )
    packed: Any = cast(fates.c.comparison_id, BigInteger)
    for column, names in digits:
        packed = packed * len(names) + _code(column, names[:-1], len(names) - 1)
    asked = [fates.c.sure, fates.c.kind != "damage", func.coalesce(fates.c.fate, "") != "new"]
    pairs = [comparisons.c.id.is_not(None)]
    if wanted != Wanted():
        pairs = [comparisons.c.after_id.in_(_wanted_ids(wanted))]
        asked.append(fates.c.comparison_id.in_(select(comparisons.c.id).where(*pairs)))
    (text,) = _columns(connection, (packed,), asked)
    left, codes = _numbers(text), list[Numbers]()
    for _, names in reversed(digits):
        left, digit = np.divmod(left, len(names))
        codes.insert(0, digit)
    both = _columns(connection, (comparisons.c.id, comparisons.c.after_id), pairs)
    compared, after = (_numbers(text) for text in both)
    order = np.argsort(compared)
    return after[order[np.searchsorted(compared, left, sorter=order)]], (kinds, surfaces), codes


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
        .where(_chosen(wanted), fates.c.sure)
    )


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


def _second_opinions(read: _Read) -> list[Rating]:
    """Connectors that several operators inspected at the same stage, before any cleaning."""
    looks, named = read.looks, np.array([bool(name) for name in [*read.operators, ""]])
    seen = np.isin(looks.stage, [STAGES.index(stage) for stage in ("as-received", "mated")])
    rows = np.flatnonzero(seen & named[read.operator])
    matings = looks.matings_so_far[rows]
    same = (looks.connector[rows] * len(STAGES) + looks.stage[rows]) * (matings.max(initial=0) + 2)
    _, group = np.unique(same + matings, return_inverse=True)
    operator: Numbers = read.operator[rows]
    several = _span(group, operator) > 0
    words: dict[tuple[str, str], str] = {}
    for k in np.flatnonzero(several[group]).tolist():
        word = VERDICTS[int(looks.verdict[rows[k]])]
        words.setdefault((f"group {group[k]}", read.operators[int(operator[k])]), word)
    return [Rating(item, rater, verdict) for (item, rater), verdict in words.items()]


def _span(group: Numbers, value: Numbers) -> Numbers:
    """The largest less the smallest value of each group, numbered from 0."""
    order = np.argsort(group)
    sorted_value, start = value[order], np.flatnonzero(np.diff(group[order], prepend=-1))
    return np.maximum.reduceat(sorted_value, start) - np.minimum.reduceat(sorted_value, start)
