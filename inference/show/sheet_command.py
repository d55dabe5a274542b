"""The command `fiberward sheet`: blank plans of experiments."""

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from ...model.errors import UsageError
from .options import CsvDialect
from .terminal import Terminal

__all__ = ["sheet"]


def sheet(
    experiment: Annotated[
        str, typer.Argument(metavar="methods|residue|lots|matings|agreement", help="Which one.")
    ],
    out: Annotated[Path, typer.Option(metavar="DIR", help="Where the sheet goes.")],
    connectors: Annotated[
        int | None,
        typer.Option(min=1, metavar="N", help="Of each method or lot, or in all. [default: 12]"),
    ] = None,
    methods: Annotated[
        str | None, typer.Option(metavar="A,B,...", help="The methods to compare.")
    ] = None,
    lots: Annotated[str | None, typer.Option(metavar="A,B,...", help="The lots.")] = None,
    matings: Annotated[
        str | None, typer.Option(metavar="N,N,...", help="After how many matings to look.")
    ] = None,
    raters: Annotated[str | None, typer.Option(metavar="A,B,...", help="Who judges.")] = None,
    same: Annotated[
        bool, typer.Option("--same", help="Every connector gets every method, soiled anew.")
    ] = False,
    show: Annotated[
        str | None,
        typer.Option(
            metavar="P,P",
            help="Take as many connectors per method as show these shares (as 0.6,0.9) 4 times in "
            "5.",
        ),
    ] = None,
    seed: Annotated[int, typer.Option(metavar="N", help="What the lot is drawn from.")] = 1,
    pdf: Annotated[bool, typer.Option("--pdf", help="Also as PDF/A, sheet.csv attached.")] = False,
    csv_dialect: CsvDialect = "rfc4180",
) -> int:
    """Make a lab sheet: a blank plan of an experiment, which `study` reads back filled in.

    Writes sheet.html to print (with --pdf also sheet.pdf) and sheet.csv to fill in.
    """
    from ..keep.lab_sheets import Stated, make_sheet, sheet_csv
    from .lab_sheet import numbers_in, sheet_document, words_in
    from .records_command import csv_dialect_of
    from .report_command import write_report

    lists = words_in(methods), words_in(lots), numbers_in(matings), words_in(raters)
    stated = Stated(_count(connectors, show), *lists, same, seed)
    made = make_sheet(experiment, stated)
    text = sheet_csv(made, csv_dialect_of(csv_dialect))
    pages = write_report(sheet_document(made, text), out, "sheet", pdf)
    said = f"{made.question} {len(made.rows)} rows. {made.power}\nPrint {pages[-1]}, "
    said += f"fill in {out / 'sheet.csv'}, then: fiberward study {out / 'sheet.csv'}"
    Terminal.current().result(said, {"schema": "fiberward.sheet/1", **asdict(made)})
    return 0


def _count(connectors: int | None, show: str | None) -> int:
    """How many connectors: as stated, or as many as show a difference."""
    if show is None:
        return 12 if connectors is None else connectors
    if connectors is not None:
        raise UsageError("--connectors says how many, or --show from what; not both")
    return _needed(show)


def _needed(text: str) -> int:
    from ..keep.statistics import needed_per_method
    from .lab_sheet import words_in

    try:
        a, b = (float(word) for word in words_in(text))
    except ValueError:
        a = b = -1.0
    if not (0 < a < 1 and 0 < b < 1) or a == b:
        raise UsageError(f"--show {text}: give two different shares between 0 and 1, as 0.6,0.9")
    return needed_per_method(a, b) or 1
