"""Whether a mate follows from what its own document lists: judged again before it is taken over.

A document is plain text that anyone can edit, and carries no signature. So a mate that comes from a
file is judged once more by the deposits, pictures, coverage and settings in that same file. What
was written over a dirty connector's verdict is found out; a document from which the dirt itself was
taken is not. Only a mate is asked: no other verdict lets anything pass.
"""

from collections.abc import Mapping
from dataclasses import fields
from math import nan
from typing import Any

from ...model.errors import SettingsError
from ...model.kinds import KIND_NAMES, Kind
from ...model.shape import ConnectorShape
from ...model.surfaces import SURFACE_NAMES, Surface
from ..judge.assumed import recorded_assumptions
from ..judge.rules import Rules
from ..judge.sight import Sight
from ..judge.verdict import Judgement, Stated, ViewEvidence, judge
from ..judge.zones import ZoneLimit, ZoneTable
from ..see.coverage import Coverage
from ..see.fuse import Deposit
from .inspection import DepositRecord, Inspection, ViewRecord

__all__ = ["why_no_mate"]

_MEASURED = (
    "confidence", "size_um", "area_um2", "feret_max_um", "width_um", "enclosing_um",
    "in_zone_area_um2",
)  # fmt: skip
_PLACED = ("s_um", "theta_deg", "s_min_um", "s_max_um", "length_um")


def why_no_mate(seen: Inspection) -> str | None:
    """Why an inspection that says mate must not be believed; None where it may, or says otherwise.

    Judged by this version's rules with the figures recorded. A reach that rests on assumptions
    which this version does not have is taken as recorded.
    """
    if seen.verdict != "mate":
        return None
    try:
        again = _judged(seen)
    except (AttributeError, KeyError, TypeError, ValueError, SettingsError) as error:
        return f"says mate but lacks what a mate is judged by ({type(error).__name__}: {error})"
    if again.verdict == "mate":
        return None
    reason = again.reasons[0]
    return (
        f"says mate, but what it lists gives {again.verdict} ({reason.rule}: {reason.text}); "
        "inspect the pictures again"
    )


def _judged(seen: Inspection) -> Judgement:
    assumed = recorded_assumptions(seen.settings.get("assumptions"))
    return judge(
        [_deposit(each) for each in seen.deposits if assumed or not _by_reach(each)],
        _coverage(seen),
        [_view(each) for each in seen.views if each.duplicate_of is None],
        None if seen.shape_um is None else ConnectorShape(**_floats(seen.shape_um)),
        _rules(seen.settings["rules"]),
        _stated(seen),
        _sight(seen.settings.get("sight")),
        assumed,
    )


def _by_reach(deposit: DepositRecord) -> bool:
    return deposit.ruling is not None and deposit.ruling["rule"] == "reach-low"


def _deposit(row: DepositRecord) -> Deposit:
    """As it was measured; what was no number is none again. Its outline is not needed here."""
    values: dict[str, Any] = {name: getattr(row, name) for name in (*_PLACED, *_MEASURED)}
    values |= {name: nan for name in _MEASURED if values[name] is None}
    return Deposit(
        id=row.id,
        kind=Kind(KIND_NAMES.index(row.kind)),
        surface=Surface(SURFACE_NAMES.index(row.surface)),
        off_zone=row.off_zone,
        unsure=row.unsure,
        seen_in=(),
        **values,
    )


def _coverage(seen: Inspection) -> Coverage | None:
    if seen.coverage_size_um is None:
        return None
    share = {
        Surface(SURFACE_NAMES.index(name)): nan if value is None else value
        for name, value in seen.coverage.items()
    }
    return Coverage(share, seen.coverage_size_um, None, (), None, _zones_um(seen))


def _zones_um(seen: Inspection) -> float | None:
    """What the finest view shows, where a picture graded the zones; what it shows of them is not
    recorded.
    """
    if seen.in_zone.source != "picture":
        return None
    limits = [v.detection_limit_um for v in seen.views if v.readable]
    return min((um for um in limits if um is not None), default=None)


def _view(row: ViewRecord) -> ViewEvidence:
    return ViewEvidence(
        row.picture,
        row.readable,
        row.why_not,
        row.detection_limit_um,
        row.tilt_deg,
        row.turn_deg,
    )


def _floats(shape: Mapping[str, Any]) -> dict[str, Any]:
    return {row.name: shape[row.name] for row in fields(ConnectorShape) if row.name in shape}


def _rules(recorded: Mapping[str, Any]) -> Rules:
    """The rules recorded; one that is not there has this version's default."""
    names = {row.name for row in fields(Rules)}
    known: dict[str, Any] = {k: v for k, v in recorded.items() if k in names}
    known["zone_tables"] = tuple(_table(each) for each in recorded.get("zone_tables", ()))
    return Rules(**known)


def _table(recorded: Mapping[str, Any]) -> ZoneTable:
    parts: dict[str, Any] = dict(recorded)
    parts["limits"] = tuple(ZoneLimit(**each) for each in recorded["limits"])
    return ZoneTable(**parts)


def _stated(seen: Inspection) -> Stated:
    said = seen.connector
    failed = said.get("cleanings_failed")
    if failed is None:
        failed = 1 if said.get("stage") == "cleaned" else 0
    grade: Any = seen.in_zone.stated
    return Stated(grade, seen.in_zone.stated_by, failed, None, said.get("finish"))


def _sight(recorded: Mapping[str, Any] | None) -> Sight | None:
    return None if recorded is None else Sight(**recorded)
