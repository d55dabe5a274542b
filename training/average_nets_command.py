"""`fiberward average-nets`: a run's net averaged with the one that it went on from."""

from pathlib import Path
from typing import Annotated

import typer

from ..inference.show.terminal import Terminal
from .average_nets import average_nets as write_average

__all__ = ["average_nets"]


def average_nets(
    run: Annotated[Path, typer.Argument(help="Folder of a training run.")],
    weights: Annotated[
        Path, typer.Argument(help="Weights that the run began from, such as fiberward.pt.")
    ],
    out: Annotated[Path, typer.Option(help="The new run's folder, to export.")],
    share: Annotated[
        float, typer.Option(min=0.0, max=1.0, help="How much of the run's net; the rest is old.")
    ] = 0.5,
) -> int:
    """Average a training run's net with the one that it went on from.

    Often better than either: measure it, on other renders than those that chose the share.
    """
    path = write_average(run, weights, share, out)
    document = {"weights": str(path), "share": share}
    Terminal.current().result(f"{path}: {share:g} of the run's net", document)
    return 0
