"""Comparing two inspections for a person: the files it leaves and what is told."""

import json
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ...model.surfaces import on_surface
from ...model.version import code_version
from ..keep.compare import FATES, Comparison, DepositFate, Side, compare
from ..keep.comparison_file import COMPARISON_FILE, Removal, comparison_document, removal
from ..keep.files import staged_folder
from ..record import utc_now
from .compare_picture import draw_comparison
from .pictures_out import png_bytes
from .words import um

__all__ = ["Compared", "compare_sides", "comparison_words", "write_comparison"]

PICTURE_FILE = "comparison.png"
MOST_LINES = 12


@dataclass(frozen=True)
class Compared:
    """A comparison, its document, and the two inspections it is of."""

    comparison: Comparison
    document: dict[str, Any]
    before: Side
    after: Side


def compare_sides(before: Side, after: Side) -> Compared:
    """Compare two inspections."""
    found = compare(before, after)
    document = comparison_document(found, before, after, code_version(), utc_now())
    return Compared(found, document, before, after)


def write_comparison(found: Compared, folder: Path) -> None:
    """Write compare.json and, unless it was refused, the picture; the document comes last."""
    text = json.dumps(found.document, indent=1, ensure_ascii=False, allow_nan=False)
    with staged_folder(folder, last=COMPARISON_FILE) as staging:
        if not found.comparison.refused:
            drawn = draw_comparison(found.comparison, found.before, found.after)
            (staging / PICTURE_FILE).write_bytes(png_bytes(drawn))
        (staging / COMPARISON_FILE).write_text(text + "\n", encoding="utf-8")
    if found.comparison.refused:  # an earlier run's picture would belong to another answer
        (folder / PICTURE_FILE).unlink(missing_ok=True)


# -- what is told --------------------------------------------------------------------------------


def comparison_words(found: Compared, folder: Path | None) -> str:
    """The result in a few lines for a terminal; `folder`: where its files lie."""
    comparison = found.comparison
    if comparison.refused:
        return f"Not compared: {comparison.why_refused}."
    label = found.after.label or found.before.label or "connector"
    count = Counter(pair.fate for pair in comparison.pairs if pair.part_of is None)
    told = ", ".join(f"{count[fate]} {fate}" for fate in FATES)
    lines = [f"Before and after: {label}: {told}"]
    if count[None]:
        lines.append(f"  {count[None]} of unknown fate: the other pictures do not show their place")
    lines.append(f"  {_match_words(comparison)}")
    moved = [pair for pair in comparison.pairs if pair.fate == "moved"]
    lines += [f"  - {_move_words(pair)}" for pair in moved[:MOST_LINES]]
    lines += [f"  {_removal_words(row)}" for row in removal(comparison.pairs) if row.known]
    lines += [f"  {note}" for note in comparison.notes]
    if folder is not None:
        lines.append(f"  Look at {folder / PICTURE_FILE}")
    return "\n".join(lines)


def _match_words(comparison: Comparison) -> str:
    if comparison.match == "stated":
        return "Laid on each other by the stated label and turns: too little is there to match."
    return (
        f"Laid on each other by {comparison.matched} deposits; chance would do that "
        f"{_chance_words(comparison.match_quality or 0.0)}."
    )


def _chance_words(quality: float) -> str:
    chance = 1 - quality
    return "less than once in 10000 times" if chance < 1e-4 else f"once in {1 / chance:.0f} times"


def _move_words(pair: DepositFate) -> str:
    """One move in words."""
    near = pair.fiberward_um or 0.0
    way = f"{um(abs(near))} um {'fiberward' if near > 0 else 'away from the fibre'}"
    far = "" if pair.moved_um is None else f" {um(pair.moved_um)} um"
    return (
        f"{pair.kind} {pair.before_id}, {um(pair.before_size_um)} um, moved{far} "
        f"({way}) from the {pair.surface} to the {pair.after_surface}, "
        f"as {pair.after_id}; {100 * (pair.sure or 0):.0f} % sure"
    )


def _removal_words(row: Removal) -> str:
    new = f", {row.new} new" if row.new else ""
    return f"{row.kind} {on_surface(row.surface)}: {row.gone} of {row.known} gone{new}"
