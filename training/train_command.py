"""`fiberward train`: train, or go on training, on pictures rendered on the fly."""

from pathlib import Path
from typing import Annotated

import torch
import typer

from ..inference.show.terminal import Terminal
from .checkpoint import LAST
from .config import read_config
from .loop import Processes
from .loop import train as run_training
from .source import render_source

__all__ = ["train"]


def train(
    config: Annotated[Path, typer.Option(help="TOML with the run's settings.")],
    run: Annotated[Path, typer.Option(help="Folder of the run; goes on if it was begun.")],
    minutes: Annotated[
        float | None, typer.Option(help="Save and stop after this many minutes.")
    ] = None,
) -> int:
    """Train the net on pictures rendered on the fly; goes on after any interruption."""
    settings = read_config(config)
    device: torch.device = Processes.join().device
    step = run_training(settings, render_source(device), run, minutes)
    document = {"step": step, "steps": settings.steps, "checkpoint": str(run / LAST)}
    Terminal.current().result(f"{run}: step {step} of {settings.steps}", document)
    return 0
