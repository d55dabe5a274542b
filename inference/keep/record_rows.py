"""The rows that lie beside a document for searching and counting, made from it alone."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, select

from .inspection import Inspection
from .tables import deposits, views

__all__ = ["deposit_rows", "fate_rows", "inspection_row", "view_rows"]


def inspection_row(inspection: Inspection) -> dict[str, Any]:
    """The searchable fields of an inspection, as columns."""
    stated = inspection.connector
    limits = [view.detection_limit_um for view in inspection.views if view.readable]
    stops = _stops(inspection)
    sure = [deposit for deposit in inspection.deposits if not deposit.unsure]
    return {
        "created_at": inspection.created_at,
        **{k: stated.get(k) for k in ("stage", "method", "attempt", "cleanings_failed")},
        "matings_so_far": stated.get("matings_so_far"),
        "operator": stated.get("operator"),
        "verdict": inspection.verdict,
        "deposits": len(sure),
        "stops": len(stops),
        "unsure": len(inspection.deposits) - len(sure),
        "residues": sum(deposit.kind == "residue" for deposit in sure),
        "in_zone": sum(not deposit.off_zone for deposit in sure),
        "detection_limit_um": min((um for um in limits if um is not None), default=None),
        "model_id": inspection.model.id,
        "model_sha256": inspection.model.sha256,
        "code_version": inspection.code_version,
    }


def view_rows(inspection: Inspection) -> list[dict[str, Any]]:
    """A row per picture, numbered from 1 in the document's order."""
    names = [c.name for c in views.columns if c.name not in ("inspection_id", "number")]
    return [
        {"number": number, **{name: getattr(view, name) for name in names}}
        for number, view in enumerate(inspection.views, 1)
    ]


def deposit_rows(inspection: Inspection) -> list[dict[str, Any]]:
    """A row per deposit, under its id in the document."""
    own = ("inspection_id", "number", "stops")
    names = [c.name for c in deposits.columns if c.name not in own]
    stops = _stops(inspection)
    return [
        {"number": d.id, "stops": d.id in stops, **{name: getattr(d, name) for name in names}}
        for d in inspection.deposits
    ]


def _stops(inspection: Inspection) -> set[int]:
    """The deposits for which this connector must not be mated."""
    if inspection.verdict not in ("clean-first", "retire"):
        return set()
    return {reason.deposit for reason in inspection.reasons if reason.deposit is not None}


def fate_rows(
    connection: Connection, ids: Mapping[str, int | None], pairs: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """A row per pair, with kind and surface as seen before, or after for what is new; no parts."""
    named: dict[tuple[str, int], Any] = {}
    for side in ("before", "after"):
        chosen = select(deposits).where(deposits.c.inspection_id == ids[f"{side}_id"])
        for row in connection.execute(chosen):
            named[side, row.number] = row
    rows: list[dict[str, Any]] = []
    whole = [pair for pair in pairs if pair.get("part_of") is None]
    for number, pair in enumerate(whole, 1):
        before, after = pair["before_id"], pair["after_id"]
        sides = [
            named[side, n] for side, n in (("before", before), ("after", after)) if n is not None
        ]
        seen = sides[0]
        rows.append(
            {
                "number": number,
                "fate": pair["fate"],
                "kind": seen.kind,
                "surface": seen.surface,
                "before_number": before,
                "after_number": after,
                "sure": not all(side.unsure for side in sides),
                "moved_um": pair.get("moved_um"),
                "fiberward_um": pair.get("fiberward_um"),
            }
        )
    return rows
