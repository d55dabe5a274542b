"""Options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["CsvDialect", "Db", "Lot", "Model", "Since", "Threads"]

CsvDialect = Annotated[
    str, typer.Option(metavar="rfc4180|excel-eu", help="How CSV is written.", show_default=True)
]
Db = Annotated[
    str | None,
    typer.Option(metavar="FILE|URL", help="The records. [default: FIBERWARD_DB, else your own]"),
]
Lot = Annotated[str | None, typer.Option(metavar="LOT", help="Only this lot.")]
Model = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Weights to use instead of the active ones."),
]
Since = Annotated[str | None, typer.Option(metavar="YYYY-MM-DD", help="Not before this (UTC).")]
Threads = Annotated[
    int | None, typer.Option(min=1, help="Processor threads. [default: all allowed]")
]
