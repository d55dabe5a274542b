"""Exercises: a learner marks the dirt in pictures whose exact truth is known.

A picture's truth is an instance mask; what a learner or the machine found is held against it. A
deposit smaller than the picture's detection limit is not asked for, and marking it is no mistake.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ....model.kinds import KIND_NAMES
from ...see.pieces import connected_pieces

__all__ = ["Mark", "Score", "Truth", "score_machine", "score_marks"]

Bytes = npt.NDArray[np.uint8]
SLACK_PX = 12.0  # how far beside a deposit a mark still means it, px of the picture


@dataclass(frozen=True)
class Mark:
    """Where a learner says that dirt lies, px of the picture, and of which kind (1..)."""

    x: float
    y: float
    kind: int


@dataclass(frozen=True)
class Truth:
    """One picture's truth.

    `instances` int [H, W]: each pixel's deposit, 0 where there is none. `kinds` uint8 [H, W].
    `limit_px`: diameter of the smallest deposit that the picture can show.
    """

    instances: npt.NDArray[np.integer[Any]]
    kinds: Bytes
    limit_px: float

    def deposits(self) -> dict[int, tuple[int, bool]]:
        """By number: its kind, and whether it is asked for."""
        found: dict[int, tuple[int, bool]] = {}
        numbers, areas = np.unique(self.instances[self.instances > 0], return_counts=True)
        for number, area in zip(numbers.tolist(), areas.tolist(), strict=True):
            kinds = np.bincount(self.kinds[self.instances == number], minlength=len(KIND_NAMES))
            kind = 1 + int(np.argmax(kinds[1:]))
            found[number] = kind, float(np.sqrt(4 * area / np.pi)) >= self.limit_px
        return found


@dataclass(frozen=True)
class Score:
    """What was found in one picture.

    `asked`: how many deposits it can show; `found` of them, `kind_right` of those found; `false`:
    marks (or the machine's pieces) where nothing lies. `missed`: of each deposit missed, its kind's
    name and the box round it, [x0, y0, x1, y1] px.
    """

    asked: int
    found: int
    kind_right: int
    false: int
    missed: tuple[Mapping[str, Any], ...]

    def to_json(self) -> dict[str, Any]:
        """As JSON values."""
        return asdict(self)


def score_marks(truth: Truth, marks: Sequence[Mark]) -> Score:
    """What a learner's marks are worth: each means the nearest deposit within `SLACK_PX`."""
    rows, columns = np.nonzero(truth.instances)
    owners = truth.instances[rows, columns]
    hits: dict[int, set[int]] = {}
    false = 0
    for mark in marks:
        away = np.hypot(columns + 0.5 - mark.x, rows + 0.5 - mark.y)
        nearest = int(np.argmin(away)) if away.size else -1
        if nearest < 0 or away[nearest] > SLACK_PX:
            false += 1
        else:
            hits.setdefault(int(owners[nearest]), set()).add(mark.kind)
    return _score(truth, hits, false)


def score_machine(truth: Truth, kinds: Bytes) -> Score:
    """What the machine's pieces, uint8 [H, W] of kinds, are worth: each that overlaps a deposit."""
    hits: dict[int, set[int]] = {}
    false = 0
    for kind in range(1, len(KIND_NAMES)):
        pieces = connected_pieces(kinds == kind)
        for number in range(1, len(pieces.area)):
            touched = np.unique(truth.instances[pieces.labels == number])
            under = [int(each) for each in touched if each > 0]
            false += not under
            for each in under:
                hits.setdefault(each, set()).add(kind)
    return _score(truth, hits, false)


def _score(truth: Truth, hits: Mapping[int, set[int]], false: int) -> Score:
    asked = {number: kind for number, (kind, wanted) in truth.deposits().items() if wanted}
    found = [number for number in asked if number in hits]
    right = sum(asked[number] in hits[number] for number in found)
    missed = tuple(
        {"kind": KIND_NAMES[kind], "box": _box(truth.instances == number)}
        for number, kind in asked.items()
        if number not in hits
    )
    return Score(len(asked), len(found), right, false, missed)


def _box(mask: npt.NDArray[np.bool_]) -> list[int]:
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    return [int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1]
