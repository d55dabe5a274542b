"""The command `fiberward sheet`: blank plans of experiments."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ...model.errors import UsageError
from .options import CsvDialect
from .terminal import Terminal

if TYPE_CHECKING:
    from ..keep.lab_sheets import LabSheet
    from .document import Document

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
    from .records_command import csv_dialect_of
    from .report_command import write_report

    lists = _words(methods), _words(lots), _numbers(matings), _words(raters)
    stated = Stated(_count(connectors, show), *lists, same, seed)
    made = make_sheet(experiment, stated)
    text = sheet_csv(made, csv_dialect_of(csv_dialect))
    pages = write_report(_document(made, text), out, "sheet", pdf)
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


def _words(text: str | None) -> tuple[str, ...]:
    return tuple(word.strip() for word in (text or "").split(",") if word.strip())


def _numbers(text: str | None) -> tuple[int, ...]:
    words = _words(text)
    if not all(word.isascii() and word.isdigit() for word in words):
        raise UsageError(f"--matings {text}: give whole numbers, as 1,5,25")
    return tuple(map(int, words))


def _needed(text: str) -> int:
    from ..keep.statistics import needed_per_method

    try:
        a, b = (float(word) for word in _words(text))
    except ValueError:
        a = b = -1.0
    if not (0 < a < 1 and 0 < b < 1) or a == b:
        raise UsageError(f"--show {text}: give two different shares between 0 and 1, as 0.6,0.9")
    return needed_per_method(a, b) or 1


def _document(made: "LabSheet", text: str) -> "Document":
    """The sheet to print: what to do, and a table with room to write."""
    from ...model.version import code_version
    from ..keep.inspection import utc_now
    from .document import Bullets, Document, Heading, Note, Signatures, Table

    drawn = "" if made.seed is None else f", drawn by lot from seed {made.seed}"
    rows = tuple(
        tuple(row.get(name, "" if name in made.to_fill else "–") for name in made.columns)
        for row in made.rows
    )
    return Document(
        title=f"Lab sheet: {made.question}",
        subtitle=f"{len(made.rows)} rows{drawn}.",
        blocks=(
            Note(made.power),
            Heading("Take"),
            Bullets(made.take),
            Heading("Do"),
            Bullets(made.steps, numbered=True),
            Heading("Write down"),
            Table("The same rows are in sheet.csv.", made.columns, rows),
            Heading("Signed"),
            Signatures(("Carried out by", "Trainer")),
        ),
        record_name="sheet.csv",
        record=text,
        foot=f"Fiberward {code_version()}, lab sheet {made.name}",
        created_at=utc_now(),
    )
