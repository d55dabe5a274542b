"""A lab sheet as a document to print, and what a trainer states for one as text."""

from ...model.errors import UsageError
from ...model.version import code_version
from ..keep.lab_sheets import LabSheet
from ..record import utc_now
from .document import Bullets, Document, Heading, Note, Signatures, Table

__all__ = ["numbers_in", "sheet_document", "words_in"]


def words_in(text: str | None) -> tuple[str, ...]:
    """The words between commas."""
    return tuple(word.strip() for word in (text or "").split(",") if word.strip())


def numbers_in(text: str | None) -> tuple[int, ...]:
    """The counts of matings between commas. Raises UsageError."""
    words = words_in(text)
    if not all(word.isascii() and word.isdigit() for word in words):
        raise UsageError(f"--matings {text}: give whole numbers, as 1,5,25")
    return tuple(map(int, words))


def sheet_document(made: LabSheet, text: str) -> Document:
    """The sheet to print: what to do, and a table with room to write; `text`: the same as CSV."""
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
