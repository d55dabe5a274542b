"""The command `fiberward watch`."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from .terminal import Terminal

__all__ = ["watch"]

UNREADABLE = 3


def watch(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where sub-folders of pictures appear.")
    ],
    out: Annotated[Path, typer.Option(metavar="DIR", help="Where the results go.")],
    every: Annotated[
        float, typer.Option(min=0.05, metavar="SECONDS", help="How often to look.")
    ] = 2.0,
    settle: Annotated[
        float,
        typer.Option(min=0.0, metavar="SECONDS", help="How long a folder must stay unchanged."),
    ] = 5.0,
    once: Annotated[
        bool, typer.Option("--once", help="End when everything there has been inspected.")
    ] = False,
    ferrule: Annotated[
        str | None, typer.Option(metavar="2.5|1.25", help="Nominal ferrule diameter, mm.")
    ] = None,
    record: Annotated[
        bool, typer.Option(help="Keep results in the records, if the label is stated.")
    ] = True,
    db: Annotated[str | None, typer.Option(metavar="FILE|URL", help="The records.")] = None,
    threads: Annotated[int | None, typer.Option(min=1, help="Processor threads.")] = None,
) -> int:
    """Inspect each connector whose pictures appear in a folder, once, until it is stopped.

    Each sub-folder is one connector. Network drives are fine: it polls.
    """
    from .watch import FolderWatch

    terminal = Terminal.current()
    inspect = _inspecting(ferrule, (record, db, threads))
    watching = FolderWatch(folder, out, inspect, terminal.warn, settle)
    terminal.note(f"watching {folder}; {len(watching.done)} picture sets were inspected before")
    codes = [0]
    while True:
        codes += [row.code for row in watching.poll()]
        if once and not watching.waiting():
            if watching.unread():
                terminal.warn("what could not be read was left out")
                codes.append(UNREADABLE)
            return next((code for code in (5, 4, 2, 3, 1, 0) if code in codes), 0)
        time.sleep(every)


def _inspecting(
    ferrule: str | None, how: tuple[bool, str | None, int | None]
) -> Callable[[Path, Path], int]:
    """Inspects one folder with the net that is active by then."""
    from ..keep.model_store import ModelStore
    from ..pipeline import Inspector
    from ..see.inputs import expand_inputs
    from ..settings_file import settings_of_shop
    from .jobs import StatedOptions, plan_jobs, run_jobs
    from .recorder import Recorder

    record, db, threads = how
    known: dict[str, Inspector] = {}

    def inspect(source: Path, results: Path) -> int:
        model = ModelStore().active()
        inspector = known.get(model.sha256)
        if inspector is None:
            known.clear()
            inspector = Inspector(model.onnx, settings_of_shop(), threads)
            known[model.sha256] = inspector
        plan = plan_jobs(expand_inputs([source]), StatedOptions(ferrule=ferrule), results)
        recorder = Recorder(db, None) if record else None
        try:
            return run_jobs(inspector, plan, Terminal.current(), recorder)
        finally:
            if recorder is not None:
                recorder.close()

    return inspect
