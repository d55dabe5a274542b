"""`fiberward calibrate`: a model file's thresholds and confidence, learnt from renders."""

from pathlib import Path
from typing import Annotated

import torch
import typer

from ..inference.show.terminal import Terminal
from .calibrate import CalibrationPlan, as_text, calibrate_model
from .source import render_source
from .thresholds import Rates

__all__ = ["calibrate"]

PLAN, RATES = CalibrationPlan(), Rates()


def calibrate(
    model: Annotated[Path, typer.Argument(help="The ONNX file; its metadata is rewritten.")],
    out: Annotated[
        Path | None, typer.Option(help="Write here instead. [default: MODEL]", show_default=False)
    ] = None,
    renders: Annotated[
        int, typer.Option(min=2, help="Rendered connectors to learn from, two views each.")
    ] = PLAN.fit,
    check: Annotated[int, typer.Option(min=2, help="Further ones to check on.")] = PLAN.check,
    false_per_view: Annotated[
        float, typer.Option(min=0, help="False pieces per view to allow.")
    ] = RATES.per_view,
    false_per_clean_view: Annotated[
        float, typer.Option(min=0, help="The same per clean view.")
    ] = RATES.per_clean_view,
    unsure_per_clean_view: Annotated[
        float, typer.Option(min=0, help="Pieces called unsure per clean view to allow.")
    ] = RATES.unsure_per_clean_view,
    threads: Annotated[int | None, typer.Option(min=1, help="Processors to use.")] = None,
) -> int:
    """Choose a model file's thresholds for stated false alarms and correct its confidence.

    Learns from rendered connectors, checks on others, and writes thresholds, correction and the
    check's figures into the file's metadata; its model-card.md is written anew. About 4 seconds per
    connector on 2 processors.
    """
    terminal = Terminal.current()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    rates = Rates(false_per_view, false_per_clean_view, unsure_per_clean_view)
    plan = CalibrationPlan(renders, check, rates, threads=threads)
    document = calibrate_model(model, out or model, render_source(device), plan, terminal.progress)
    terminal.result(as_text(document), document)
    return 0
