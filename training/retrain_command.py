"""`fiberward retrain`: a better net from a shop's own labelled pictures, safely."""

from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from ..inference.keep.audit import login_name
from ..inference.keep.model_store import ModelStore, StoredModel
from ..inference.keep.records import Records
from ..inference.see.segment import Segmenter
from ..inference.show.terminal import Terminal
from .label_next import rank_unlabelled
from .labels.check import CheckReport, check_folder
from .retrain import Limits, RetrainSettings, Trained
from .retrain_job import JobSettings, Outcome, run_job

__all__ = ["retrain"]

EXIT_NOT = 1


def retrain(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Pictures with labels, of several connectors.")
    ],
    name: Annotated[
        str | None, typer.Option(metavar="NAME", help="Of the new model. [default: shop-DATE]")
    ] = None,
    parent: Annotated[
        str | None, typer.Option(metavar="NAME", help="Start from it. [default: the active model]")
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Only check the labels, and say what is wrong.")
    ] = False,
    label_next: Annotated[
        int | None,
        typer.Option(
            min=1, metavar="N", help="Only rank the unlabelled pictures; show the first N."
        ),
    ] = None,
    learning_curve: Annotated[
        bool,
        typer.Option(
            "--learning-curve",
            help="Only find out what more labels would bring: learn from ever more connectors.",
        ),
    ] = False,
    despite_problems: Annotated[
        bool,
        typer.Option(
            "--despite-problems",
            help="Train on what can be used; the gate then refuses until a person decides.",
        ),
    ] = False,
    activate: Annotated[
        bool, typer.Option(help="Activate the new model if the gate lets it pass.")
    ] = True,
    minutes: Annotated[
        float | None,
        typer.Option(min=0.05, help="Pause after so many of learning; the same command goes on."),
    ] = None,
    within: Annotated[
        float | None,
        typer.Option(min=0.05, help="End the learning after so many, and judge what there is."),
    ] = None,
    steps: Annotated[
        int, typer.Option(min=1, help="Steps of learning at most.")
    ] = RetrainSettings.steps,
    judged_renders: Annotated[
        int, typer.Option(min=4, help="Rendered connectors that judge, beside the shop's own.")
    ] = JobSettings.judged_renders,
    threads: Annotated[int | None, typer.Option(min=1, help="Processors to use.")] = None,
    models: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="The models' folder. [default: FIBERWARD_MODELS, else own]"
        ),
    ] = None,
    db: Annotated[
        str | None,
        typer.Option(metavar="FILE|URL", help="Whose audit trail notes an activation."),
    ] = None,
) -> int:
    """Retrain the net on your own labelled pictures; it is used only if it proves better.

    Exit code 0: the new model passed. 1: labels need mending, the gate refused, or it was paused.
    """
    terminal = Terminal.current()
    report = check_folder(folder)
    if check or (report.stops and not despite_problems and label_next is None):
        verdict = "to be mended first" if report.stops else "nothing to mend"
        terminal.result("\n".join([*report.lines(), verdict]), report.as_dict())
        return EXIT_NOT if report.stops else 0
    if label_next is not None:
        return _ranked(report, ModelStore(models), parent, (label_next, threads))
    for line in report.lines():
        terminal.note(line)
    if threads is not None:
        import torch

        torch.set_num_threads(threads)
    store = ModelStore(models)
    start = store.active() if parent is None else store.find(parent)
    wanted = name or f"shop-{datetime.now(UTC):%Y-%m-%d}"
    learning = replace(RetrainSettings(), steps=steps)
    if learning_curve:
        return _curve(report, store, start, (learning, threads))
    limits = Limits(minutes, within)
    settings = JobSettings(store.free_name(wanted), limits, judged_renders, threads, learning)
    outcome = run_job(report, store, start, settings)
    return _told(outcome, report, (store, db, activate), settings)


def _ranked(
    report: CheckReport, store: ModelStore, parent: str | None, how: tuple[int, int | None]
) -> int:
    """Tell which pictures to label next."""
    most, threads = how
    terminal = Terminal.current()
    model = store.active() if parent is None else store.find(parent)
    net = Segmenter(model.onnx, threads)
    ranked = rank_unlabelled(
        report.data, net, lambda names: terminal.progress(names, "unlabelled"), terminal.warn
    )[:most]
    lines = [f"{r.doubt:8.1f}  {r.connector:20} {r.picture}" for r in ranked]
    head = f"{'doubt':>8}  {'connector':20} picture"
    text = "\n".join([head, *lines]) if lines else "no unlabelled pictures"
    terminal.result(text, {"label_next": [asdict(row) for row in ranked]})
    return 0


def _curve(
    report: CheckReport,
    store: ModelStore,
    parent: StoredModel,
    how: tuple[RetrainSettings, int | None],
) -> int:
    """Tell what more labels would bring."""
    from .curve_job import run_curve

    learning, threads = how
    terminal = Terminal.current()
    curve = run_curve(report, store, parent, learning, threads)
    if curve is None:
        terminal.result("paused; the same command goes on", {"paused": True})
        return EXIT_NOT
    terminal.result("\n".join(curve.lines()), {"paused": False, **curve.as_dict()})
    return 0


def learnt_words(trained: Trained) -> str:
    """What the learning came to, on the connectors that say when to stop."""
    if trained.best_step == 0:
        return (
            "nothing that was learnt was better on the connectors that say when to stop: the net "
            "is the one before, with thresholds chosen anew; more labelled connectors may help "
            "(--learning-curve)"
        )
    share = "all" if trained.best_share == 1 else f"{trained.best_share:.0%}"
    return (
        f"{share} of what was learnt until step {trained.best_step} was kept: score "
        f"{trained.first_score:.3f} before, {trained.best_score:.3f} after, on the connectors that "
        "say when to stop"
    )


def _told(
    outcome: Outcome,
    report: CheckReport,
    where: tuple[ModelStore, str | None, bool],
    settings: JobSettings,
) -> int:
    """Activate if it passed, and say what came of it."""
    store, db, activate = where
    terminal, model, gate = Terminal.current(), outcome.model, outcome.gate
    trained = {k: v for k, v in vars(outcome.trained).items() if k != "net"}
    document: dict[str, Any] = {"check": report.as_dict(), "trained": trained, "gate": None}
    if model is None or gate is None:
        name = settings.name
        text = f"paused at step {outcome.trained.step}; the same command with --name {name} goes on"
        terminal.result(text, document | {"paused": True})
        return EXIT_NOT
    active = False
    if gate.passed and activate:
        with Records.open(db) as records:
            store.activate(model.name, login_name(), "passed the gate", records)
        active = True
    told = "it is the active model now" if active else (
        "it passed; activate it with fiberward models activate" if gate.passed
        else "it is kept aside"
    )  # fmt: skip
    lines = [learnt_words(outcome.trained), *gate.lines(), f"{model.name}: {told} ({model.onnx})"]
    document |= {
        "paused": False,
        "gate": gate.as_dict(),
        "active": active,
        "model": str(model.onnx),
    }
    terminal.result("\n".join(lines), document)
    return 0 if gate.passed else EXIT_NOT
