"""`fiberward doctor`."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ...model.version import code_version
from .checkup import Finding, check_everything
from .terminal import Terminal

if TYPE_CHECKING:
    from .timing import Timing

__all__ = ["doctor"]

EXIT_OK, EXIT_BROKEN = 0, 4


def doctor(
    timing: Annotated[
        bool,
        typer.Option(
            "--timing",
            help="Also time the active net and a whole inspection: a minute on a slow machine.",
        ),
    ] = False,
) -> int:
    """Tell what is installed and whether it works.

    Exits with 4 if something that an inspection needs is broken.
    """
    findings = check_everything(Path.cwd())
    broken = [finding for finding in findings if finding.state == "broken"]
    document: dict[str, Any] = {
        "schema": "fiberward.checkup/1",
        "code_version": code_version(),
        "usable": not broken,
        "findings": [asdict(finding) for finding in findings],
    }
    text = _as_text(findings, len(broken))
    if timing and not broken:
        timed = _timed()
        document["timing"] = asdict(timed)
        text += "\n\n" + _timing_text(timed)
    Terminal.current().result(text, document)
    return EXIT_BROKEN if broken else EXIT_OK


def _as_text(findings: tuple[Finding, ...], broken: int) -> str:
    width = max(len(finding.name) for finding in findings)
    rows = [f"{each.state:<6}  {each.name:<{width}}  {each.detail}" for each in findings]
    end = f"{broken} broken" if broken else "everything needed works"
    return "\n".join([*rows, "", end])


def _timed() -> "Timing":
    from ..keep.model_store import ModelStore
    from .timing import measure_timing

    Terminal.current().note("timing the net; leave the machine alone for a minute")
    return measure_timing(ModelStore().active().onnx)


def _timing_text(timed: "Timing") -> str:
    rows = [
        f"{threads:>4} {'thread ' if threads == 1 else 'threads'}  {seconds:6.2f} s"
        for threads, seconds in timed.net_s.items()
    ]
    fastest = "all allowed" if timed.threads == max(timed.net_s) else f"--threads {timed.threads}"
    return "\n".join(
        [
            "The net, for a view of 1280 x 960 px:",
            *rows,
            f"Worth having: {fastest}. A whole inspection of four views, results written, then",
            f"takes {timed.view_s:.2f} s a view.",
            f"This machine multiplies matrices at {timed.gflop_per_s:.0f} Gflop/s just now.",
        ]
    )
