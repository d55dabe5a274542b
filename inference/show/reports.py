"""Reports of what is recorded, from opened records: a connector, before and after, a lot."""

from ...model.errors import UsageError
from ..keep.find_records import Wanted, rows
from ..keep.records import Records
from ..keep.study_lots import lot_chart
from ..keep.study_records import data_of
from .comparing import compare_sides
from .document import Document
from .kept import comparison_picture, recorded
from .record_report import connector_document, lot_document, pair_document
from .recorder import side_of

__all__ = ["connector_report", "lot_report", "pair_report"]


def connector_report(records: Records, start: str) -> Document:
    """The inspection whose uid begins with `start`. Raises UsageError."""
    return connector_document(recorded(records, start)[1])


def pair_report(records: Records, before: str, after: str) -> Document:
    """Two inspections of one connector, by the first characters of their uids; UsageError.

    The order that they were recorded in is the order they must be named in: a report is signed.
    """
    (first, one), (last, other) = recorded(records, before), recorded(records, after)
    if one.inspection.created_at > other.inspection.created_at:
        raise UsageError(f"{before} was inspected after {after}: name the earlier one first")
    found = compare_sides(side_of(records, first), side_of(records, last))
    return pair_document(one, other, found, comparison_picture(found))


def lot_report(records: Records, lot: str) -> Document:
    """A lot beside the others. Raises UsageError for one of which nothing is recorded."""
    found = rows(records, Wanted(lot=lot))
    if not found:
        raise UsageError(f"no inspection of lot {lot} is recorded; see fiberward records list")
    received = data_of(records, Wanted(stage="as-received"))
    return lot_document(lot, found, lot_chart(received.looks, "wilson"))
