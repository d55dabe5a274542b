"""The command `fiberward explain`."""

from pathlib import Path
from typing import Annotated

import typer

from .terminal import Terminal

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
    from ..judge.rule_table import rule_lines, rule_rows
    from ..keep.inspection import read_inspection
    from .explanation import explain_deposit, explain_number, reach_limit
    from .verdict_swing import swing_words, verdict_swings
    from .words import VERDICT_WORDS

    path = inspection / "inspection.json" if inspection.is_dir() else inspection
    found = read_inspection(path)
    if deposit is None:
        told = [explain_deposit(found, each) for each in found.deposits]
    else:
        told = [explain_number(found, deposit)]
    limit = reach_limit(found)
    lines = [f"{VERDICT_WORDS[found.verdict].name}: {found.connector.get('label') or 'connector'}"]
    hangs: dict[str, list[dict[str, object]]] = {}
    if deposit is None:
        flips = verdict_swings(found, told)
        lines += [f"  {line}" for line in swing_words(found, flips)]
        hangs = {"verdict_hangs_on": [vars(each) for each in flips]}
    lines += [each.text for each in told] or ["No deposits."]
    if rules:
        lines += ["Rules, in order:", *(f"  {line}" for line in rule_lines(found.settings))]
    document = {
        "verdict": found.verdict,
        **hangs,
        "deposits": [each.to_json(limit) for each in told],
        **({"rules": rule_rows(found.settings)} if rules else {}),
    }
    Terminal.current().result("\n".join(lines), document)
    return 0
