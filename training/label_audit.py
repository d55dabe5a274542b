"""What the net before makes of the labels: shifted, or with kinds exchanged?

A net trained on such labels agrees with those of them that were held out, and so looks better than
the one before. The one before knows neither, and its answers lie where the picture's deposits are.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..inference.see.segment import Segmenter
from ..model.kinds import KIND_NAMES
from .labels.alignment import read_alignment
from .labels.folder import LabelledView
from .labels.label import NOT_ANNOTATED

__all__ = ["AuditedView", "audit_labels", "audit_view"]

REACH_PX = 24
OFF_PX = 4.0
LEAST_PX = 60  # answered deposit pixels below which a picture says nothing
LEAST_DEPOSITS = 5  # of a kind, before it can be called exchanged
EXCHANGED, OWN_AT_MOST = 0.6, 0.2


@dataclass(frozen=True)
class AuditedView:
    """What one picture says. shift_xy: where its label fits best, px; None if it cannot be told.

    kinds: int64 [7, 7], labelled deposits by labelled kind (row) and answered kind (column, 0 where
    the net saw nothing).
    """

    name: str
    shift_xy: tuple[int, int] | None
    kinds: np.ndarray


def audit_view(view: LabelledView, net: Segmenter) -> AuditedView:
    """One labelled picture beside the net's answer."""
    answer = net(view.picture.rgb)
    label = view.label
    table = np.zeros((len(KIND_NAMES), len(KIND_NAMES)), np.int64)
    for number in (int(n) for n in np.unique(label.instance) if n):
        mask = label.instance == number
        answered = answer.kind[mask]
        answered = answered[answered > 0]
        seen = int(np.bincount(answered).argmax()) if 5 * answered.size >= mask.sum() else 0
        table[int(np.bincount(label.kind[mask]).argmax()), seen] += 1
    return AuditedView(view.name, _shift(view, answer.kind > 0), table)


def _shift(view: LabelledView, answered: np.ndarray) -> tuple[int, int] | None:
    """The shift of the label that puts most of its deposits on the answered ones.

    Where the net answers too little, the picture's edges are asked.
    """
    labelled = (view.label.kind > 0) & (view.label.kind != NOT_ANNOTATED)
    if min(int(labelled.sum()), int(answered.sum())) < LEAST_PX:
        edges = read_alignment(view.picture.rgb, view.label)
        return edges.shift_xy if edges.off else None
    size = tuple(side + 2 * REACH_PX for side in labelled.shape)
    ours = np.fft.rfft2(answered.astype(np.float32), size)
    both = np.fft.irfft2(ours * np.conj(np.fft.rfft2(labelled.astype(np.float32), size)), size)
    near = np.arange(-REACH_PX, REACH_PX + 1)
    hits = both[np.ix_(near % size[0], near % size[1])]
    y, x = np.unravel_index(int(hits.argmax()), hits.shape)
    if hits.max() < 1.3 * max(float(hits[REACH_PX, REACH_PX]), 1.0):
        return (0, 0)
    return int(x) - REACH_PX, int(y) - REACH_PX


def audit_labels(found: Sequence[AuditedView]) -> list[str]:
    """Doubts about the labels, in words; empty where there are none."""
    doubts: list[str] = []
    shifts = [view.shift_xy for view in found if view.shift_xy is not None]
    off = [shift for shift in shifts if np.hypot(*shift) >= OFF_PX]
    if shifts and 2 * len(off) > len(shifts):
        x, y = (round(float(np.median([s[axis] for s in off]))) for axis in (0, 1))
        doubts.append(
            f"in {len(off)} of {len(shifts)} pictures they lie beside what they outline "
            f"(they would fit moved by about ({x}, {y}) px)"
        )
    table = np.sum([view.kinds for view in found], axis=0) if found else np.zeros((7, 7))
    return doubts + exchanged(table)


def exchanged(table: np.ndarray) -> list[str]:
    """Kinds that a permutation explains far better than their own names do.

    table: [7, 7] deposits by labelled (row) and answered kind (column, 0 = not seen).
    """
    from scipy import optimize

    kit: Any = optimize
    answered = table[1:, 1:]
    seen = answered.sum(axis=1)
    _, best = kit.linear_sum_assignment(-answered)
    doubts: list[str] = []
    for row, column in enumerate(int(c) for c in best):
        if row == column or seen[row] < LEAST_DEPOSITS:
            continue
        as_other, as_own = answered[row, column] / seen[row], answered[row, row] / seen[row]
        if as_other >= EXCHANGED and as_own <= OWN_AT_MOST:
            label, other = KIND_NAMES[row + 1], KIND_NAMES[column + 1]
            doubts.append(
                f"of {seen[row]} deposits labelled {label} the net before calls "
                f"{answered[row, column]} {other} and {answered[row, row]} {label}: "
                "the kinds look exchanged"
            )
    return doubts
