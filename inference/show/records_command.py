"""The commands `fiberward records ...`: what was inspected, found again, kept whole."""

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ...model.errors import UsageError
from .options import CsvDialect, Db, Lot, Since
from .terminal import Terminal
from .words import VERDICT_WORDS, clock

if TYPE_CHECKING:
    from ..keep.csv_table import Dialect
    from ..keep.find_records import InspectionRow
    from ..keep.records import Records

__all__ = [
    "csv_dialect_of",
    "export_records",
    "import_records",
    "list_records",
    "opened",
    "overrule_record",
    "show_record",
    "verify_records",
]

Label = Annotated[str | None, typer.Option(metavar="LABEL", help="Only this connector.")]
Stage = Annotated[str | None, typer.Option(metavar="STAGE", help="Only this stage.")]
Uid = Annotated[str, typer.Argument(metavar="UID", help="The uid's first characters.")]


def list_records(
    connector: Label = None,
    lot: Lot = None,
    stage: Stage = None,
    verdict: Annotated[
        str | None, typer.Option(metavar="VERDICT", help="Only where this verdict holds.")
    ] = None,
    since: Since = None,
    limit: Annotated[int | None, typer.Option(min=1, help="Only the newest so many.")] = None,
    csv: Annotated[bool, typer.Option("--csv", help="As CSV.")] = False,
    csv_dialect: CsvDialect = "rfc4180",
    db: Db = None,
) -> int:
    """List the recorded inspections, oldest first."""
    from ..keep.find_records import Wanted, rows
    from ..keep.records_files import table_of

    wanted = Wanted(connector, lot=lot, stage=stage, verdict=verdict, since=since, limit=limit)
    with opened(db) as records:
        found = rows(records, wanted)
    if csv:
        print(table_of(found, csv_dialect_of(csv_dialect)), end="")
        return 0
    document = {"schema": "fiberward.records/1", "inspections": [asdict(row) for row in found]}
    Terminal.current().result(_as_table(found), document)
    return 0


def show_record(uid: Uid, db: Db = None) -> int:
    """Show one recorded inspection: what was found, who overruled it, which files are kept."""
    from ..keep.find_records import files_of, find_uid, inspection_of, overrules_of

    with opened(db) as records:
        whole = find_uid(records, uid)
        inspection = inspection_of(records, whole)
        people = overrules_of(records, whole)
        files = files_of(records, whole)
    stated = inspection.connector
    words = VERDICT_WORDS[inspection.verdict]
    lines = [
        f"{words.name}: {stated['label']}, {clock(inspection.created_at)}",
        f"  uid {whole}",
        *(f"  {name}: {value}" for name, value in stated.items() if value is not None),
        *(f"  - {reason.text}" for reason in inspection.reasons),
        *(
            f"  Overruled by {each.by_name}, {clock(each.recorded_at)}: "
            f"{VERDICT_WORDS[each.verdict].name}. {each.reason}"
            for each in people
        ),
        *(f"  {role} {name}: {path}" for role, name, path in files),
    ]
    document = {
        "schema": "fiberward.record/1",
        "uid": whole,
        "inspection": inspection.to_json(),
        "overrules": [asdict(each) for each in people],
        "files": [{"role": r, "name": n, "path": str(p)} for r, n, p in files],
    }
    Terminal.current().result("\n".join(lines), document)
    return 0


def export_records(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Where the files go.")],
    connector: Label = None,
    lot: Lot = None,
    csv_dialect: CsvDialect = "rfc4180",
    db: Db = None,
) -> int:
    """Write records to files: records.jsonl, which import takes, and three CSV tables.

    Inspections with their overrules, and comparisons; the pictures kept stay where they are.
    """
    from ..keep.find_records import Wanted
    from ..keep.records_files import export_records as export

    with opened(db) as records:
        count = export(records, out, Wanted(connector, lot=lot), csv_dialect_of(csv_dialect))
    document = {"schema": "fiberward.export/1", "inspections": count, "folder": str(out)}
    Terminal.current().result(f"{count} inspections written to {out}", document)
    return 0


def import_records(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE", help="records.jsonl or inspection.json files.")
    ],
    db: Db = None,
) -> int:
    """Record inspections from files; what is recorded already is left as it is.

    Overrules come with them, as of today, and comparisons; pictures are not in such files.
    """
    from ..keep.records_files import import_file

    new = known = compared = 0
    with opened(db) as records:
        for path in Terminal.current().progress(files, "import"):
            found = import_file(records, path)
            new, known, compared = new + found.new, known + found.known, compared + found.compared
    said = f"{new} inspections recorded, {known} were known; {compared} comparisons recorded"
    document = {"schema": "fiberward.import/1", "new": new, "known": known, "compared": compared}
    Terminal.current().result(said, document)
    return 0


def verify_records(
    head: Annotated[
        str | None, typer.Option(metavar="HASH", help="A hash that an earlier run printed.")
    ] = None,
    db: Db = None,
) -> int:
    """Check that the records are what was written: audit trail, documents, rows, pictures.

    Comparisons and overrules too; which drawing belongs to which inspection has no hash.

    Exit code 1 if anything is not.
    """
    from ..keep.verify_records import verify

    terminal = Terminal.current()
    with opened(db) as records:
        found = verify(records, head, lambda items: terminal.progress(items, "verify"))
    lines = [
        f"{found.inspections} inspections, {found.comparisons} comparisons, "
        f"{found.pictures} pictures, "
        f"{found.audit_rows} rows of the audit trail",
        *(f"  wrong: {line}" for line in found.wrong),
        f"{len(found.wrong)} wrong" if found.wrong else "all as it was written",
        f"newest hash, to be noted down elsewhere: {found.head}",
    ]
    terminal.result("\n".join(lines), {"schema": "fiberward.verify/1", **asdict(found)})
    return 1 if found.wrong else 0


def overrule_record(
    uid: Uid,
    verdict: Annotated[
        str, typer.Option(metavar="mate|clean-first|reshoot|retire", help="Your verdict.")
    ],
    by: Annotated[str, typer.Option(metavar="NAME", help="Who you are.")],
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why.")],
    db: Db = None,
) -> int:
    """Put your verdict beside the machine's, which stays, with your name and reason."""
    from ..keep.find_records import find_uid

    with opened(db) as records:
        whole = find_uid(records, uid)
        records.overrule(whole, verdict, by, reason)
    text = f"{whole[:12]}: {VERDICT_WORDS[verdict].name}, as overruled by {by}"
    Terminal.current().result(text, {"schema": "fiberward.overrule/1", "uid": whole})
    return 0


def opened(db: str | None) -> "Records":
    """The records, after telling what opening them found."""
    from ..keep.records import Records

    records = Records.open(db)
    for line in records.found:
        Terminal.current().warn(f"fiberward: {line}")
    return records


def csv_dialect_of(text: str) -> "Dialect":
    """The dialect of CSV by its name; raises UsageError."""
    from ..keep.csv_table import DIALECTS

    for dialect in DIALECTS:
        if text == dialect:
            return dialect
    raise UsageError(f"--csv-dialect {text}: give one of {', '.join(DIALECTS)}")


def _as_table(found: Sequence["InspectionRow"]) -> str:
    """The inspections in columns for a terminal."""
    if not found:
        return "no such inspection is recorded"
    cells = [("uid", "when", "connector", "lot", "stage", "method", "verdict", "stop")]
    for row in found:
        name = row.label if row.end is None else f"{row.label} end {row.end}"
        stage = f"{row.stage or '-'}{f' {row.attempt}' if row.attempt else ''}"
        verdict = VERDICT_WORDS[row.holds].name
        if row.overruled is not None:
            verdict += f" (by {row.overruled_by}; machine: {VERDICT_WORDS[row.verdict].name})"
        cells.append(
            (
                row.uid[:12],
                row.created_at,
                name,
                row.lot or "-",
                stage,
                row.method or "-",
                verdict,
                str(row.stops),
            )
        )
    widths = [max(len(line[k]) for line in cells) for k in range(len(cells[0]))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in cells
    )
