"""The command `fiberward compare`."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .terminal import Terminal

if TYPE_CHECKING:
    from ..keep.compare import Side

__all__ = ["compare"]

DEFAULT_FOLDER = "fiberward-comparisons"


def compare(
    before: Annotated[
        Path,
        typer.Argument(
            metavar="BEFORE",
            help="The earlier inspection: its inspection.json, or the folder it is in.",
            show_default=False,
        ),
    ],
    after: Annotated[
        Path,
        typer.Argument(
            metavar="AFTER", help="The later one of the same connector.", show_default=False
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help=f"Where the results go. [default: a new folder in ./{DEFAULT_FOLDER}]",
        ),
    ] = None,
) -> int:
    """Tell what of a connector's dirt stayed, moved, is gone or is new between two inspections.

    Exit code 0: compared; 1: refused, since nothing sure shows that both are of one connector.
    """
    from ..keep.comparison_file import read_side
    from .comparing import compare_sides, comparison_words, write_comparison

    sides = read_side(before), read_side(after)
    found = compare_sides(*sides)
    folder = out or _new_folder(Path(DEFAULT_FOLDER), sides[1], after)
    write_comparison(found, folder)
    Terminal.current().result(comparison_words(found, folder), found.document)
    return 1 if found.comparison.refused else 0


def _new_folder(parent: Path, after: "Side", path: Path) -> Path:
    """A folder in `parent` that is not there yet, named after the label or the later inspection."""
    from .jobs import file_name

    here = path if path.is_dir() else path.parent
    name = file_name(after.label or here.resolve().name)
    folder, number = parent / name, 2
    while folder.exists():
        folder, number = parent / f"{name}-{number}", number + 1
    return folder
