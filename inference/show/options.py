"""Options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["Db", "Model", "Threads"]

Db = Annotated[
    str | None,
    typer.Option(metavar="FILE|URL", help="The records. [default: FIBERWARD_DB, else your own]"),
]
Model = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Weights to use instead of the active ones."),
]
Threads = Annotated[
    int | None, typer.Option(min=1, help="Processor threads. [default: all allowed]")
]
