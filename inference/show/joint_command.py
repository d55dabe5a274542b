"""The command `fiberward joint`."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .terminal import Terminal

if TYPE_CHECKING:
    from ..keep.joint import Joint

__all__ = ["joint"]

MOST_REASONS = 6


def joint(
    a: Annotated[
        Path,
        typer.Argument(
            metavar="A",
            help="The inspection of one plug: its inspection.json, or the folder it is in.",
            show_default=False,
        ),
    ],
    b: Annotated[
        Path, typer.Argument(metavar="B", help="That of the other plug.", show_default=False)
    ],
    sleeve: Annotated[
        str, typer.Option(metavar="cleaned|new|unknown", help="What is known of the sleeve.")
    ] = "unknown",
) -> int:
    """Say whether two inspected plugs may be joined in a sleeve.

    The worse of both verdicts, and what only the pair tells. Exit code 0: they may; 1: not.
    """
    from ...model.errors import UsageError
    from ..keep.inspection import read_inspection
    from ..keep.joint import SLEEVES, join
    from ..keep.rejudged import why_no_mate

    if sleeve not in SLEEVES:
        raise UsageError(f"--sleeve {sleeve}: choose one of {', '.join(SLEEVES)}")
    plugs = [read_inspection(path) for path in (a, b)]
    for path, plug in zip((a, b), plugs, strict=True):
        if (why := why_no_mate(plug)) is not None:
            raise UsageError(f"{path}: {why}")
    found = join(plugs[0], plugs[1], sleeve)
    names = [
        str(each.connector.get("label") or path) for each, path in zip(plugs, (a, b), strict=True)
    ]
    document = {**found.to_json(), "plugs": dict(zip("AB", names, strict=True))}
    Terminal.current().result("\n".join(_lines(found, names)), document)
    return 0 if found.verdict == "mate" else 1


def _lines(found: "Joint", names: list[str]) -> list[str]:
    from .words import VERDICT_WORDS

    pair = f"A: {names[0]}, B: {names[1]}"
    if found.verdict is None:
        return [f"Not to be joined ({pair}): {found.refused}."]
    lines = [f"{VERDICT_WORDS[found.verdict].name}: {pair}"]
    for plug in ("A", "B"):
        own = [reason for reason in found.reasons if reason.plug == plug]
        lines += [f"  {plug}: {reason.text}" for reason in own[:MOST_REASONS]]
        if len(own) > MOST_REASONS:
            lines.append(f"  {plug}: and {len(own) - MOST_REASONS} more, in its report")
    lines += [f"  {text}" for text in found.validity]
    return [*lines, f"  {found.sleeve_note}"]
