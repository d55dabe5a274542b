"""The command `fiberward report`."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ...model.errors import UsageError
from .options import Db
from .terminal import Terminal

if TYPE_CHECKING:
    from .document import Document

__all__ = ["report", "write_report"]


def report(
    what: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[UID|FOLDER]...",
            help="One inspection, or the same connector's before and after: the first characters "
            "of a recorded uid, or a folder of results.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Where it goes. [default: ./fiberward-report]"),
    ] = None,
    lot: Annotated[
        str | None, typer.Option(metavar="LOT", help="A recorded lot instead of an inspection.")
    ] = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="As PDF/A with the record attached.")] = False,
    db: Db = None,
) -> int:
    """Write a report of one connector, of before and after, or of a lot, to print and sign.

    A page (HTML) and the record it was made from; with --pdf also PDF/A with that record attached.
    """
    given = list(what or [])
    if (lot is None) == (not given) or len(given) > 2:
        raise UsageError("name one inspection, or two of a connector, or a lot with --lot")
    if lot is not None:
        document = _lot(lot, db)
    else:
        document = _one(given[0], db) if len(given) == 1 else _pair(given[0], given[1], db)
    folder = out or Path("fiberward-report")
    files = write_report(document, folder, "report", pdf)
    said = {"schema": "fiberward.report/1", "files": [str(file) for file in files]}
    Terminal.current().result(f"{document.title}: look at {' or '.join(map(str, files))}", said)
    return 0


def write_report(document: "Document", folder: Path, name: str, pdf: bool) -> list[Path]:
    """Write NAME.html, the record for machines and if wanted NAME.pdf; the files for people."""
    from ..keep.files import staged_folder
    from .document import document_page

    names = [f"{name}.html"]
    made = document_page(document)
    with staged_folder(folder, last=document.record_name) as staging:
        if pdf:
            from .pdf import document_pdf

            names.append(f"{name}.pdf")
            (staging / names[1]).write_bytes(document_pdf(document))
        (staging / names[0]).write_text(made, encoding="utf-8")
        (staging / document.record_name).write_bytes(document.record.encode())
    if not pdf:  # one of an earlier run would tell something else
        (folder / f"{name}.pdf").unlink(missing_ok=True)
    return [folder / each for each in names]


def _one(what: str, db: str | None) -> "Document":
    from .kept import kept_in
    from .record_report import connector_document
    from .records_command import opened
    from .reports import connector_report

    if Path(what).exists():
        return connector_document(kept_in(Path(what)))
    with opened(db) as records:
        return connector_report(records, what)


def _pair(before: str, after: str, db: str | None) -> "Document":
    from ..keep.comparison_file import read_side
    from .comparing import compare_sides
    from .kept import comparison_picture, kept_in
    from .record_report import pair_document
    from .records_command import opened
    from .reports import pair_report

    paths = Path(before), Path(after)
    if paths[0].exists() != paths[1].exists():
        raise UsageError("before and after: name two folders of results, or two recorded uids")
    if paths[0].exists():
        found = compare_sides(read_side(paths[0]), read_side(paths[1]))
        sides = kept_in(paths[0]), kept_in(paths[1])
        return pair_document(*sides, found, comparison_picture(found))
    with opened(db) as records:
        return pair_report(records, before, after)


def _lot(lot: str, db: str | None) -> "Document":
    from .records_command import opened
    from .reports import lot_report

    with opened(db) as records:
        return lot_report(records, lot)
