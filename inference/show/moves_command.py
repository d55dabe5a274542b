"""The commands `fiberward moves learn` and `fiberward moves show`."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .explanation import PLACE_WORDS
from .terminal import Terminal

if TYPE_CHECKING:
    from ..judge.assumed import Assumptions
    from ..judge.moves_table import Chance, MoveRow, Told
    from ..keep.moves import LearntPair

__all__ = ["learn_moves", "show_moves"]

GONE = "gone"
INSIDE = ("cavity", "contact")  # dirt lies in these places, on all others


def learn_moves(
    inspections: Annotated[
        list[Path],
        typer.Argument(
            metavar="BEFORE AFTER ...",
            help="Inspections (inspection.json, or the folder it is in) in twos: before and after "
            "one mating of the same connector; the later one of stage mated.",
            show_default=False,
        ),
    ],
) -> int:
    """Learn from inspections before and after a mating how dirt moves in your own shop.

    Exit code 0: learnt from every pair; 1: from at least one not, which says why.
    """
    from ...model.errors import UsageError
    from ..keep.moves import keep_pairs, moves_file
    from ..settings_file import settings_of_shop

    if len(inspections) % 2:
        raise UsageError("moves learn takes inspections in twos: BEFORE AFTER [BEFORE AFTER ...]")
    path, assumed = moves_file(), settings_of_shop().assumptions
    twos = list(zip(inspections[::2], inspections[1::2], strict=True))
    moves, told = keep_pairs(path, assumed.id, [_learn(*two, assumed) for two in twos])
    learnt = [found for found in told if not isinstance(found, str)]
    total = sum(pair.counted for pair in moves.pairs)
    lines = [_learnt_words(found, *two) for found, two in zip(told, twos, strict=True)]
    lines.append(f"{path}: {_pairs(len(moves.pairs))}, {total} moves.")
    refused = [
        {"before": str(one), "after": str(two), "why": found}
        for found, (one, two) in zip(told, twos, strict=True)
        if isinstance(found, str)
    ]
    document = {
        "file": str(path),
        "learnt": [asdict(pair) for pair in learnt],
        "refused": refused,
        "pairs": len(moves.pairs),
        "moves": total,
    }
    Terminal.current().result("\n".join(lines), document)
    return 1 if refused else 0


def _learn(before: Path, after: Path, assumed: "Assumptions") -> "LearntPair | str":
    """What two inspections teach, or why nothing."""
    from ..keep.comparison_file import read_side
    from ..keep.moves import learn_pair
    from ..record import utc_now

    return learn_pair(read_side(before), read_side(after), assumed, utc_now())


def _pairs(count: int) -> str:
    return f"{count} pair{'' if count == 1 else 's'}"


def _learnt_words(pair: "LearntPair | str", before: Path, after: Path) -> str:
    if isinstance(pair, str):
        return f"{before} and {after}: nothing learnt: {pair}."
    left = [f"{count} {why}" for why, count in pair.not_counted.items()]
    told = f"{pair.label or after}: {pair.counted} moves counted, staying included"
    return f"{told}; left out: {', '.join(left)}." if left else f"{told}."


def show_moves() -> int:
    """Print what is assumed of how dirt moves in one mating, what was seen, and both together."""
    from ..judge.moves_table import told_moves
    from ..keep.moves import moves_file, read_moves
    from ..settings_file import settings_of_shop

    path, assumed = moves_file(), settings_of_shop().assumptions
    moves = read_moves(path, assumed.id)
    rows = told_moves(assumed)
    lines = [
        f"How dirt moves in one mating: {assumed.basis}.",
        "No published figures exist: every assumption is this program's own, and wide. Chances "
        "with their 95 % interval.",
    ]
    for row in rows:
        lines += ["", *_row_lines(row)]
    lines += ["", f"Learnt: {_pairs(len(moves.pairs))}, {assumed.observed} moves ({path})."]
    document = {
        "assumptions": assumed.id,
        "basis": assumed.basis,
        "file": str(path),
        "pairs": len(moves.pairs),
        "moves": assumed.observed,
        "rows": [asdict(row) for row in rows],
    }
    Terminal.current().result("\n".join(lines), document)
    return 0


def _row_lines(row: "MoveRow") -> list[str]:
    low, high = row.size_um
    sizes = f" from {low:g} um" if low else ""
    sizes += "" if high is None else f" under {high:g} um"
    where = f"{'in' if row.start in INSIDE else 'on'} {PLACE_WORDS[row.start]}"
    lines = [
        f"{row.assumption}: {', '.join(row.kinds)}{sizes} {where}",
        f"  assumption, counts as {row.weight:g} moves seen: {row.why}",
    ]
    lines += [f"  {_told_line(told, row.seen)}" for told in row.to]
    if row.sheds:
        lines.append(f"  sheds {row.sheds:g} fragments a mating (assumed, never learnt)")
    return lines


def _told_line(told: "Told", seen: int) -> str:
    where = "stays" if told.stays else "gone" if told.place == GONE else f"to {told.place}"
    assumed = "not thought of" if told.assumed is None else f"assumed {_words(told.assumed)}"
    if not seen:
        return f"{where:<17} {assumed}"
    return f"{where:<17} {assumed}; seen {told.seen} of {seen}; now {_words(told.now)}"


def _words(chance: "Chance") -> str:
    from ..judge.stops import chance_words

    low, high = (chance_words(end) for end in chance.interval)
    return f"{chance_words(chance.mean)} ({low} to {high})"
