"""Tables as CSV: one header row with units in its names, UTF-8, a missing value left empty."""

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Literal

__all__ = ["DIALECTS", "Dialect", "csv_lines", "csv_text"]

Dialect = Literal["rfc4180", "excel-eu"]
DIALECTS: tuple[Dialect, ...] = ("rfc4180", "excel-eu")
FORMULA = ("=", "+", "-", "@", "\t", "\r")  # a cell that begins so is computed, not shown


def csv_text(
    names: Sequence[str], rows: Iterable[Mapping[str, Any]], dialect: Dialect = "rfc4180"
) -> str:
    """The table as text: see csv_lines."""
    return "".join(csv_lines(names, rows, dialect))


def csv_lines(
    names: Sequence[str], rows: Iterable[Mapping[str, Any]], dialect: Dialect = "rfc4180"
) -> Iterator[str]:
    """The table's lines, each made when it is asked for.

    rfc4180: commas and decimal points. excel-eu: semicolons, decimal commas and a byte order mark,
    as a spreadsheet expects where the comma is the decimal sign.
    """
    european = dialect == "excel-eu"

    def line(cells: Sequence[str]) -> str:
        out = io.StringIO()
        csv.writer(out, delimiter=";" if european else ",", lineterminator="\r\n").writerow(cells)
        return out.getvalue()

    yield ("\ufeff" if european else "") + line(names)
    for row in rows:
        yield line([_cell(row.get(name), european) for name in names])


def _cell(value: Any, european: bool) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        text = f"{value:.6g}"
        return text.replace(".", ",") if european else text
    text = str(value)
    return f"'{text}" if isinstance(value, str) and text[:1] in FORMULA else text
