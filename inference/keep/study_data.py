"""What a study looks at: inspections, what became of deposits, and ratings; from the records.

Tables of a shop's own in CSV are read in `study_csv.py` to the same rows.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Row, Select, and_, case, func, select

from .database import plain_errors
from .find_records import Wanted, condition
from .records import Records
from .tables import comparisons, connectors, deposits, fates, inspections, overrules

__all__ = ["MACHINE", "Fate", "Look", "Rating", "StudyData", "data_of"]


MACHINE = "machine"  # the program, among raters


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

    @property
    def connector(self) -> tuple[str, str]:
        """What tells this connector from others."""
        return (self.label, self.end)


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


@dataclass(frozen=True)
class StudyData:
    """All rows of a study, and in words where they come from and what was left out.

    Looks stand oldest first.
    """

    looks: Sequence[Look]
    fates: Sequence[Fate]
    ratings: Sequence[Rating]
    source: str
    notes: tuple[str, ...] = ()


def data_of(records: Records, wanted: Wanted) -> StudyData:
    """The wanted inspections of the records, and what was compared among them."""
    with plain_errors(records.place), records.engine.connect() as connection:
        counted = _counts(connection.execute(_piece_counts(wanted)).all())
        people = connection.execute(_people(wanted)).all()
        holds = {row[0]: row[3] for row in people}  # the newest comes last
        looks: list[Look] = []
        for row in connection.execute(_looks(wanted)).fetchall():
            number, deposits_found = row[0], row[11]
            pieces = counted.get(number, (0, 0)) if deposits_found is not None else (None, None)
            verdict = holds.get(number, row[10])
            looks.append(Look._make((*row[1:10], verdict, *row[11:13], *pieces)))
        found = [Fate._make(row) for row in connection.execute(_fates(wanted)).fetchall()]
    ratings = [*_second_opinions(looks), *_judged_again(people)]
    return StudyData(looks, found, ratings, f"records {records.place.name}")


def _looks(wanted: Wanted) -> Select[*tuple[Any, ...]]:
    columns = inspections.c
    return (
        select(
            columns.id,
            connectors.c.label,
            connectors.c.end_name,
            connectors.c.lot,
            *(columns.created_at, columns.stage, columns.method, columns.attempt),
            *(columns.matings_so_far, columns.operator, columns.verdict),
            *(columns.deposits, columns.stops),
        )
        .join(connectors, connectors.c.id == columns.connector_id)
        .where(condition(wanted))
        .order_by(columns.created_at, columns.id)
    )


def _people(wanted: Wanted) -> Select[*tuple[Any, ...]]:
    """Each person's word on the wanted inspections: id, machine's verdict, person, verdict."""
    return (
        select(
            *(inspections.c.id, inspections.c.verdict),
            *(overrules.c.by_name, overrules.c.verdict),
        )
        .join(inspections, inspections.c.id == overrules.c.inspection_id)
        .join(connectors, connectors.c.id == inspections.c.connector_id)
        .where(condition(wanted))
        .order_by(overrules.c.id)
    )


def _judged_again(people: Sequence[Row[*tuple[Any, ...]]]) -> list[Rating]:
    """The machine's and persons' words on the inspections that a person judged, last word first."""
    words: dict[tuple[str, str], str] = {}
    for number, machine, person, verdict in people:
        words[f"inspection {number}", MACHINE] = machine
        words[f"inspection {number}", person] = verdict
    return [Rating(item, rater, verdict) for (item, rater), verdict in words.items()]


def _piece_counts(wanted: Wanted) -> Select[*tuple[Any, ...]]:
    """Per inspection with any: dried residues, and deposits in the graded zones."""
    residue = deposits.c.kind == "residue"
    inside = deposits.c.off_zone.is_(False)
    chosen = select(
        deposits.c.inspection_id,
        func.sum(case((residue, 1), else_=0)),
        func.sum(case((inside, 1), else_=0)),
    ).where(deposits.c.unsure.is_(False), residue | inside)
    if wanted != Wanted():
        wanted_ids = (
            select(inspections.c.id)
            .join(connectors, connectors.c.id == inspections.c.connector_id)
            .where(condition(wanted))
        )
        chosen = chosen.where(deposits.c.inspection_id.in_(wanted_ids))
    return chosen.group_by(deposits.c.inspection_id)


def _counts(rows: Sequence[Row[*tuple[Any, ...]]]) -> dict[int, tuple[int, int]]:
    return {row[0]: (int(row[1]), int(row[2])) for row in rows}


def _fates(wanted: Wanted) -> Select[*tuple[Any, ...]]:
    """Fates at the wanted inspections, each as the later of its pair; not what none was sure of."""
    before, after = deposits.alias(), deposits.alias()
    return (
        select(
            connectors.c.label,
            connectors.c.end_name,
            inspections.c.stage,
            inspections.c.method,
            *(fates.c.kind, fates.c.surface, fates.c.fate),
            *(fates.c.moved_um, fates.c.fiberward_um),
        )
        .join(comparisons, comparisons.c.id == fates.c.comparison_id)
        .join(inspections, inspections.c.id == comparisons.c.after_id)
        .join(connectors, connectors.c.id == inspections.c.connector_id)
        .outerjoin(before, _deposit(before, comparisons.c.before_id, fates.c.before_number))
        .outerjoin(after, _deposit(after, comparisons.c.after_id, fates.c.after_number))
        .where(condition(wanted), before.c.unsure.is_(False) | after.c.unsure.is_(False))
        .order_by(fates.c.comparison_id, fates.c.number)
    )


def _deposit(side: Any, inspection_id: Any, number: Any) -> ColumnElement[bool]:
    return and_(side.c.inspection_id == inspection_id, side.c.number == number)


def _second_opinions(looks: Sequence[Look]) -> list[Rating]:
    """Connectors that several operators inspected at the same stage, before any cleaning."""
    seen: dict[str, dict[str, str]] = {}
    for look in looks:
        if look.operator and look.stage in ("as-received", "mated"):
            matings = look.matings_so_far
            item = f"{look.label} {look.end} {look.stage} {'' if matings is None else matings}"
            seen.setdefault(item.strip(), {}).setdefault(look.operator, look.verdict)
    return [
        Rating(item, rater, verdict)
        for item, raters in seen.items()
        if len(raters) > 1
        for rater, verdict in raters.items()
    ]
