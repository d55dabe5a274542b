"""The rules of the verdict, in the order in which they are asked: one table.

The first verdict that some rule gives holds: retire, clean first, reshoot, mate. Of one deposit
only its first rule is told.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from .rules import Rules, rule_notes

__all__ = ["RULE_TABLE", "RuleRow", "rule_lines", "rule_rows"]


@dataclass(frozen=True)
class RuleRow:
    """`rule` gives `verdict` when `when`; `setting` holds its figure and says its source."""

    rule: str
    verdict: Literal["retire", "clean-first", "reshoot", "mate"]
    when: str
    setting: str | None = None
    source: str = "the setting's own reason"


_DESIGN = "this program's own: no evidence is never a mate"
_TABLES = "zone_tables: IEC 61300-3-35 as quoted, check against a bought copy"

RULE_TABLE = (
    RuleRow(
        "cleaning-failed",
        "retire",
        "cleaned this often, and some rule below still asks for cleaning",
        "cleanings_before_retire",
    ),
    RuleRow("bridge", "clean-first", "a hard grain on the dome is higher than the gap", None,
            "geometry: gap r^2/R, rigid grain"),
    RuleRow("wedge", "clean-first", "a hard grain under the sleeve may shift the fibre this far",
            "wedge_offset_um"),
    RuleRow("on-fiber", "clean-first", "dirt of this size on the fibre", "stop_fiber_um"),
    RuleRow("on-endface", "clean-first", "dirt of this size on the endface", "stop_endface_um"),
    RuleRow("on-chamfer", "clean-first", "dirt of this size on the chamfer", "stop_chamfer_um"),
    RuleRow("bridge-offset", "clean-first", "a smaller grain would bridge with the domes' apexes "
            "this far beside the fibre", "apex_offset_um"),
    RuleRow(
        "reach",
        "clean-first",
        "dirt elsewhere: upper 95 % chance to reach the contact zone within 10 matings is this",
        "reach_limit",
    ),
    RuleRow("damage-seen", "clean-first", "what looks like damage, as the rules above for dirt",
            None, "this program's own: at first sight it may be dirt"),
    RuleRow("in-zone-stated", "clean-first", "a person graded the zones as outside", None,
            "the person named"),
    RuleRow("in-zone-limit", "clean-first", "a limit of the graded zones is broken", None, _TABLES),
    RuleRow("unsure-deposit", "reshoot", "what would ask for cleaning is less sure than this",
            "sure_confidence"),
    RuleRow("no-usable-view", "reshoot", "no picture is good enough", None, _DESIGN),
    RuleRow("coverage", "reshoot", "less of some surface is shown than needed",
            "needed_endface_share"),
    RuleRow("turn-gap", "reshoot", "oblique views lie farther apart than this",
            "largest_turn_gap_deg"),
    RuleRow("unreadable-view", "reshoot", "a picture cannot be judged", None, _DESIGN),
    RuleRow("coarse-view", "reshoot", "something above is missing, and a picture shows only more "
            "than this", "coarsest_limit_um"),
    RuleRow("net-not-measured", "reshoot", "the model file does not say how much it finds", None,
            _DESIGN),
    RuleRow("net-misses-too-much", "reshoot", "the net is known to find less than this",
            "needed_recall"),
    RuleRow("in-zone-required", "reshoot", "the settings ask for a grade of the zones",
            "require_in_zone"),
    RuleRow("nothing-found", "mate", "none of the rules above", None, _DESIGN),
    RuleRow("damage-left", "mate", "damage off the graded limits that cleaning left", None,
            "this program's own: named so that a person can object"),
    RuleRow("small", "mate", "dirt smaller than what its place stops", "reach_from_um"),
    RuleRow("reach-low", "mate", "dirt whose reach is below the limit", "reach_limit"),
)  # fmt: skip


def rule_rows(settings: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The table with the figures that a record's settings hold, null where it has none."""
    values: Mapping[str, Any] = settings.get("rules", {})
    notes, shipped = rule_notes(), Rules()
    rows: list[dict[str, Any]] = []
    for row in RULE_TABLE:
        unit, why = notes[row.setting] if row.setting else (None, row.source)
        figure = values.get(row.setting) if row.setting else None
        default = getattr(shipped, row.setting) if row.setting else None
        if figure is not None and figure != default:
            why = f"set by the shop; the default of {default} for: {why}"
        told = {"setting": row.setting, "figure": figure, "unit": unit or None, "source": why}
        rows.append({"rule": row.rule, "verdict": row.verdict, "when": row.when, **told})
    return rows


def rule_lines(settings: Mapping[str, Any]) -> list[str]:
    """The table for a terminal, one rule a line."""
    return [f"{number}. {_line(row)}" for number, row in enumerate(rule_rows(settings), 1)]


def _line(row: Mapping[str, Any]) -> str:
    figure = ""
    if row["figure"] is not None:
        figure = f" [{row['setting']} = {row['figure']}{' ' + row['unit'] if row['unit'] else ''}]"
    return f"{row['verdict']}: {row['rule']}: {row['when']}{figure} ({row['source']})"
