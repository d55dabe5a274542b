"""The command `fiberward explain`."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from .terminal import Terminal

if TYPE_CHECKING:
    from ..keep.inspection import Inspection
    from .explanation import Explanation

__all__ = ["explain"]


def explain(
    inspection: Annotated[
        Path,
        typer.Argument(
            metavar="INSPECTION",
            help="An inspection.json, or the folder it is in.",
            show_default=False,
        ),
    ],
    deposit: Annotated[
        int | None,
        typer.Option(metavar="NUMBER", help="Only this one. [default: all, fiberward]"),
    ] = None,
    rules: Annotated[
        bool, typer.Option("--rules", help="Print the rules of the verdict in their order.")
    ] = False,
) -> int:
    """Tell of a deposit where it is, its way to the fibre, reach, harm, rule and what would help.

    Exit code 0 when told, whatever the verdict was.
    """
    from ..keep.inspection import read_inspection
    from .explanation import explain_deposit, explain_number

    found = read_inspection(inspection)
    if deposit is None:
        told = [explain_deposit(found, each) for each in found.deposits]
        hangs, flips = _hanging(found, told)
    else:
        told, hangs, flips = [explain_number(found, deposit)], [], {}
    table, rows = _table(found) if rules else ([], {})
    lines = [*_head(found), *hangs, *([each.text for each in told] or ["No deposits."]), *table]
    Terminal.current().result("\n".join(lines), _document(found, told) | flips | rows)
    return 0


def _head(found: "Inspection") -> list[str]:
    from .words import VERDICT_WORDS

    return [f"{VERDICT_WORDS[found.verdict].name}: {found.connector.get('label') or 'connector'}"]


def _document(found: "Inspection", told: list["Explanation"]) -> dict[str, Any]:
    from .explanation import reach_limit

    limit = reach_limit(found)
    return {"verdict": found.verdict, "deposits": [each.to_json(limit) for each in told]}


def _hanging(found: "Inspection", told: list["Explanation"]) -> tuple[list[str], dict[str, Any]]:
    """Which assumptions the verdict hangs on, for people and for machines."""
    from .verdict_swing import swing_words, verdict_swings

    flips = verdict_swings(found, told)
    lines = [f"  {line}" for line in swing_words(found, flips)]
    return lines, {"verdict_hangs_on": None if flips is None else [vars(each) for each in flips]}


def _table(found: "Inspection") -> tuple[list[str], dict[str, Any]]:
    """The rules in their order, for people and for machines."""
    from ..judge.rule_table import rule_lines, rule_rows

    lines = ["Rules, in order:", *(f"  {line}" for line in rule_lines(found.settings))]
    return lines, {"rules": rule_rows(found.settings)}
