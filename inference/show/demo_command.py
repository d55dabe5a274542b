"""The command `fiberward demo`."""

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from .options import Threads
from .terminal import Terminal

__all__ = ["demo"]

PICTURES = Path(__file__).parent / "demo"
NOTE = "Demonstration: the connector is invented and its pictures were drawn by the renderer."


def demo(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Where the results go.")] = Path(
        "fiberward-demo"
    ),
    threads: Threads = None,
) -> int:
    """Inspect four shipped pictures of an invented connector and show where to look.

    Exit code 0 when the demonstration ran, whatever the verdict on the invented connector.
    """
    from ...model.shipped import SHIPPED_MODEL
    from ..pipeline import Inspector
    from ..see.inputs import expand_inputs
    from .jobs import Plan, StatedOptions, plan_jobs, run_jobs

    terminal = Terminal.current()
    terminal.note(NOTE)
    plan = plan_jobs(expand_inputs([PICTURES]), StatedOptions(), out)
    marked = tuple(replace(j, request=replace(j.request, notes=(NOTE,))) for j in plan.jobs)
    run_jobs(Inspector(SHIPPED_MODEL, threads=threads), Plan(marked, plan.problems), terminal)
    where = f"Look at {out / 'report.html'} and {out / 'travel-map.png'}"
    terminal.note(f"{where}; with your own pictures: fiberward inspect PICTURE ...")
    return 0
