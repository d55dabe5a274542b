"""`fiberward compare-nets`: nets side by side on the same renders."""

from typing import Annotated

import torch
import typer

from ..inference.show.terminal import Terminal
from .compare_nets import ComparePlan, as_text
from .compare_nets import compare_nets as run_comparison
from .source import render_source

__all__ = ["compare_nets"]

PLAN = ComparePlan()


def compare_nets(
    nets: Annotated[
        list[str],
        typer.Argument(
            metavar="RUN|FILE|contrast",
            help="Folders of training runs, ONNX files, or the word contrast: local-contrast "
            "thresholding, untrained.",
        ),
    ],
    renders: Annotated[
        int, typer.Option(min=2, help="Withheld rendered connectors, two views each.")
    ] = PLAN.renders,
    threads: Annotated[int, typer.Option(min=1, help="Processors to use.")] = PLAN.threads,
) -> int:
    """Hold nets against each other: what they find, how large they are, how long they take.

    A run's settings name its net: architecture = "sight", "lraspp-mobilenet-v3" or
    "deeplab-resnet-50"; the rest of the settings, and so the pictures, may stay the same.
    """
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    terminal, plan = Terminal.current(), ComparePlan(renders, threads=threads)
    document = run_comparison(nets, render_source(device), plan, terminal.progress)
    terminal.result(as_text(document), document)
    return 0
