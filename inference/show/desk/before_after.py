"""Two inspections of one connector on the desk laid on each other."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from ...keep.compare import DepositFate
from ...keep.comparison_file import read_side
from ..comparing import Compared, compare_sides, comparison_words
from .pages import files_of, kind_rows, map_files, surface_ends
from .shelf import RESULT, Case

__all__ = ["FATE_WORDS", "BeforeAfter", "before_after", "comparison_data"]

FATE_WORDS = {
    "moved": "moved",
    "new": "new",
    "stayed": "stayed",
    None: "unknown",
    "gone": "gone",
}


@dataclass(frozen=True)
class BeforeAfter:
    """The comparison, what it says in words, and its rows by what matters.

    `rows`: the number of each pair in the comparison, and the pair.
    """

    headline: str
    words: tuple[str, ...]
    refused: bool
    rows: tuple[tuple[int, DepositFate], ...]
    found: Compared


def before_after(before: Case, after: Case) -> BeforeAfter:
    """Compare two inspected cases; raises FiberwardError for results that cannot be read."""
    changed = [(case.folder / RESULT).stat().st_mtime_ns for case in (before, after)]
    return _compared(before.folder, after.folder, *changed)


@lru_cache(16)
def _compared(before: Path, after: Path, *changed: int) -> BeforeAfter:
    found = compare_sides(read_side(before), read_side(after))
    headline, *words = comparison_words(found, None).splitlines()
    pairs = found.comparison.pairs
    order = list(FATE_WORDS)
    rows = sorted(
        enumerate(pairs), key=lambda row: (order.index(row[1].fate), -(row[1].fiberward_um or 0.0))
    )
    told = tuple(word.strip().removeprefix("- ") for word in words)
    headline = headline.rpartition(": ")[2]  # the label stands above it
    return BeforeAfter(headline, told, found.comparison.refused, tuple(rows), found)


def comparison_data(before: Case, after: Case) -> dict[str, Any]:
    """What the scripts draw the two maps and the moves from."""
    found = before_after(before, after).found
    assert before.inspection is not None
    return {
        "kinds": kind_rows(),
        "before": {"key": before.key, "maps": _maps(before)},
        "after": {"key": after.key, "maps": _maps(after)},
        "ends": surface_ends(before.inspection),
        "turn_deg": found.comparison.turn_deg or 0.0,
        "pairs": [asdict(pair) for pair in found.comparison.pairs],
    }


def _maps(case: Case) -> Sequence[Mapping[str, Any]]:
    return map_files(case.page, files_of(case))
