"""The command `fiberward study`."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from ...model.errors import UsageError
from .options import Db, Lot, Since
from .terminal import Terminal

if TYPE_CHECKING:
    from ..keep.find_records import Wanted
    from ..keep.study_data import StudyData

__all__ = ["study"]

DEFAULT_FOLDER = Path("fiberward-study")


def study(
    tables: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[CSV]...",
            help="Tables of your own, or filled-in lab sheets. [default: the records]",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help=f"Where the report goes. [default: {DEFAULT_FOLDER}]"),
    ] = None,
    title: Annotated[str, typer.Option(metavar="TEXT", help="The report's title.")] = "Study",
    lot: Lot = None,
    method: Annotated[
        str | None, typer.Option(metavar="NAME", help="Only inspections after this method.")
    ] = None,
    since: Since = None,
    until: Annotated[
        str | None, typer.Option(metavar="YYYY-MM-DD", help="Not after this (UTC).")
    ] = None,
    control: Annotated[
        str | None,
        typer.Option(
            metavar="LABEL", help="The control connector: chart it, and say whether to stop."
        ),
    ] = None,
    interval: Annotated[
        str, typer.Option(metavar="wilson|exact", help="How intervals of shares are made.")
    ] = "wilson",
    invented: Annotated[
        bool, typer.Option("--invented", help="Mark the report as one of invented data.")
    ] = False,
    pdf: Annotated[bool, typer.Option("--pdf", help="Also as PDF/A, study.json attached.")] = False,
    db: Db = None,
) -> int:
    """Study records or tables: which method cleans, which lot is dirty, what matings do.

    Writes study.json and study.html, with --pdf also study.pdf. Exit code 1 if the data answer
    none of the questions, or the control connector says stop.
    """
    from ..keep.find_records import Wanted
    from ..keep.study import make_study
    from .report_command import write_report
    from .study_report import study_document, study_text

    wanted = Wanted(lot=lot, method=method, since=since, until=until)
    found = make_study(_data(tables, wanted, db), _interval(interval), control)
    document = study_document(found, title, invented)
    files = write_report(document, out or DEFAULT_FOLDER, "study", pdf)
    text = f"{study_text(found, title)}\nLook at {' or '.join(map(str, files))}"
    Terminal.current().result(text, found.to_json())
    stop = found.control is not None and found.control.stop
    return 1 if found.empty or stop else 0


def _data(tables: list[Path] | None, wanted: "Wanted", db: str | None) -> "StudyData":
    """What is studied: the tables, else what is wanted of the records."""
    from ..keep.find_records import Wanted
    from ..keep.study_csv import read_tables
    from ..keep.study_records import data_of
    from .records_command import opened

    if tables:
        if wanted != Wanted():
            raise UsageError("--lot, --method, --since and --until choose among the records")
        return read_tables(tables)
    with opened(db) as records:
        return data_of(records, wanted)


def _interval(text: str) -> Literal["wilson", "exact"]:
    if text == "wilson" or text == "exact":
        return text
    raise UsageError(f"--interval {text}: give wilson or exact")
