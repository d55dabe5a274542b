"""`fiberward export`: a training run's net as one ONNX file."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import torch
import typer

from ..inference.show.terminal import Terminal
from ..model.errors import UsageError
from .export import export_run
from .source import render_source

__all__ = ["export"]


def export(
    run: Annotated[Path, typer.Argument(help="Folder of a training run.")],
    out: Annotated[Path, typer.Option(help="The file to write.")] = Path("sight.onnx"),
    int8: Annotated[bool, typer.Option("--int8", help="Quantise the convolutions.")] = False,
    scores: Annotated[
        Path | None, typer.Option(help="JSON of `fiberward evaluate` to carry along.")
    ] = None,
) -> int:
    """Write a training run's net as one ONNX file, if it agrees with torch."""
    figures = read_scores(scores) if scores else None
    done = export_run(run, out, render_source(torch.device("cpu")), int8, figures)
    a = done.agreement
    text = (
        f"{done.path}: {done.size_bytes / 1e6:.1f} MB; on {a.pictures} pictures of {a.shapes} "
        f"shapes same surface {a.surface:.5f}, same kind {a.kind:.5f}, largest difference "
        f"{a.max_dp:.4f}"
    )
    if done.kept:
        text += "; same weights as before: thresholds and calibration kept"
    document = asdict(done) | {"path": str(done.path), "card": str(done.card)}
    Terminal.current().result(text, document)
    return 0


def read_scores(path: Path) -> dict[str, Any]:
    """The headline figures of an evaluation."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        return dict(found["headline"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UsageError(
            f"{path}: no evaluation ({error}); give what `evaluate --json` printed"
        ) from error
