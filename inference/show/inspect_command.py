"""The command `fiberward inspect`."""

from pathlib import Path
from typing import Annotated

import typer

from .options import Db, Model, Threads
from .terminal import Terminal

__all__ = ["inspect"]

DEFAULT_FOLDER = "fiberward-inspections"


def inspect(
    pictures: Annotated[
        list[Path],
        typer.Argument(
            metavar="PICTURE|FOLDER",
            help="The pictures of one connector; or folders, each with those of one connector.",
            show_default=False,
        ),
    ],
    ferrule: Annotated[
        str | None,
        typer.Option(
            metavar="2.5|1.25", help="Nominal ferrule diameter, mm. [default: told from the fibre]"
        ),
    ] = None,
    turn: Annotated[
        str | None,
        typer.Option(
            metavar="T,T,...",
            help="Per picture, the side (degrees about the axis, counter-clockwise seen from the "
            "front) that is at its bottom; - where it must be found.",
        ),
    ] = None,
    stack: Annotated[
        bool,
        typer.Option(
            "--stack",
            help="Each folder or film is one view at different focus: merge it first.",
        ),
    ] = False,
    connector: Annotated[
        str | None, typer.Option(metavar="LABEL", help="What the connector is called.")
    ] = None,
    stage: Annotated[
        str | None, typer.Option(metavar="as-received|cleaned|mated", help="When it was pictured.")
    ] = None,
    method: Annotated[
        str | None, typer.Option(metavar="NAME", help="How it was cleaned, as wet-dry.")
    ] = None,
    attempt: Annotated[
        int | None,
        typer.Option(
            min=1, metavar="N", help="Which cleaning it was. [default: counted from the records]"
        ),
    ] = None,
    operator: Annotated[str | None, typer.Option(metavar="NAME", help="Who inspects.")] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help=f"Where the results go. [default: a new folder in ./{DEFAULT_FOLDER}]",
        ),
    ] = None,
    in_zone: Annotated[
        str | None,
        typer.Option(
            metavar="within|outside", help="Grade of the graded zones under your own microscope."
        ),
    ] = None,
    in_zone_by: Annotated[str | None, typer.Option(metavar="NAME", help="Who graded them.")] = None,
    record: Annotated[
        bool, typer.Option(help="Keep the result in the records, if the label was stated.")
    ] = True,
    db: Db = None,
    model: Model = None,
    settings: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Your own rules, zone tables and assumptions, TOML. [default: FIBERWARD_SETTINGS, "
            "else your settings.toml]",
        ),
    ] = None,
    resume: Annotated[
        bool,
        typer.Option(
            "--resume",
            help="Go on with an interrupted run into the same --out: what is there stays.",
        ),
    ] = False,
    jobs: Annotated[
        int, typer.Option(min=1, help="Inspect so many connectors at once, a processor for each.")
    ] = 1,
    cluster: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Inspect on the Dask cluster of this scheduler, which sees the same folders.",
        ),
    ] = None,
    threads: Threads = None,
) -> int:
    """Map the contamination of connectors in pictures and say whether they may be mated.

    Exit code 0: every connector may be mated; 1: at least one may not; 3: a file was unreadable.
    """
    from ...model.errors import UsageError
    from ..keep.model_store import ModelStore
    from ..pipeline import Inspector
    from ..see.inputs import expand_inputs
    from ..settings_file import settings_of_shop
    from .jobs import StatedOptions, free_folder, plan_jobs, run_jobs
    from .stacks import merge_stacks

    if resume and out is None:
        raise UsageError("--resume goes on in a folder of results: name it with --out")
    stated = StatedOptions(ferrule, turn, connector, stage, in_zone, in_zone_by, method, operator)
    notes: tuple[str, ...] = ()
    if stack:
        out = out or free_folder(connector or pictures[0].stem)
        merged = merge_stacks(pictures, out / "merged")
        pictures, notes = list(merged.pictures), merged.notes
    plan = plan_jobs(expand_inputs(pictures), stated, out, notes)
    weights = model or ModelStore().active().onnx
    inspector = Inspector(weights, settings_of_shop(settings), threads)
    recorder = None
    if record and (attempt is not None or any(job.request.labelled for job in plan.jobs)):
        from .recorder import Recorder

        recorder = Recorder(db, attempt)
    terminal = Terminal.current()
    try:
        if len(plan.jobs) > 1 and (jobs > 1 or cluster is not None):
            from .spread import spread

            spread(inspector, weights, plan.jobs, recorder, (jobs, cluster), terminal.note)
            return run_jobs(inspector, plan, terminal, recorder, True, "by a worker, or before")
        return run_jobs(inspector, plan, terminal, recorder, resume)
    finally:
        if recorder is not None:
            recorder.close()
