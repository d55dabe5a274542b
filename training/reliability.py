"""Whether confidence means something: of the pieces held to be deposits at 0.8, are 80 % deposits?

A piece is one entry that an inspection would list for one view, sure or unsure; its raw confidence
is the mean probability of any deposit over its pixels. It is true unless less than a fifth of its
pixels lie within 2 px of a true deposit, shown or not, as in `training.score_view`.

The expected calibration error is the mean over bins of |share true - mean confidence|, weighted by
the pieces in each; ten bins of equal width, as in Naeini, Cooper and Hauskrecht (2015).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ..inference.see.confidence import Calibration
from ..inference.see.pieces import ring_around
from ..inference.see.places import split_by_kind
from ..inference.see.segment import Segmentation
from .intervals import bootstrap, share
from .score_view import COVER, NEAR_PX

__all__ = ["BINS", "JudgedPiece", "calibration_error", "judged_pieces", "reliability"]

BINS = 10


@dataclass(frozen=True)
class JudgedPiece:
    """A listed piece. `raw`: mean probability of any deposit over its `pixels`, 0..1."""

    group: str
    raw: float
    pixels: int
    true: bool
    unsure: bool


def judged_pieces(
    answer: Segmentation, instance: npt.NDArray[np.integer[Any]], group: str
) -> list[JudgedPiece]:
    """Every piece that an inspection would list for the view; `instance` [H,W]: true ids."""
    true = instance > 0
    near = true | ring_around(true, NEAR_PX)
    found: list[JudgedPiece] = []
    for kinds, unsure in ((answer.kind, False), (answer.doubtful, True)):
        if kinds is None:
            continue
        pixels = split_by_kind(kinds, answer.min_px)
        size = np.maximum(np.diff(pixels.starts), 1)
        raw = pixels.sums(answer.deposit_p[pixels.y, pixels.x]) / size
        on_true = pixels.sums(near[pixels.y, pixels.x]) >= COVER * size
        for k in range(pixels.kind.size):
            found.append(JudgedPiece(group, float(raw[k]), int(size[k]), bool(on_true[k]), unsure))
    return found


def calibration_error(confidence: npt.ArrayLike, true: npt.ArrayLike) -> float | None:
    """The expected calibration error; None without pieces."""
    p, hit = np.asarray(confidence, np.float64), np.asarray(true, np.float64)
    if p.size == 0:
        return None
    index = np.minimum((p * BINS).astype(int), BINS - 1)
    gap = np.bincount(index, hit - p, BINS)
    return float(np.abs(gap).sum() / p.size)


def reliability(pieces: Sequence[JudgedPiece], calibration: Calibration | None) -> dict[str, Any]:
    """Bins and expected calibration error, before and after calibration (null without one)."""
    return {
        "pieces": len(pieces),
        "true": sum(piece.true for piece in pieces),
        "before": _one_side(pieces, [piece.raw for piece in pieces]),
        "after": None
        if calibration is None
        else _one_side(pieces, [calibration.of(piece.raw, piece.pixels) for piece in pieces]),
    }


def _one_side(pieces: Sequence[JudgedPiece], confidence: Sequence[float]) -> dict[str, Any]:
    groups: dict[str, list[tuple[float, bool]]] = {}
    for piece, p in zip(pieces, confidence, strict=True):
        groups.setdefault(piece.group, []).append((p, piece.true))

    def error(chosen: Sequence[list[tuple[float, bool]]]) -> float | None:
        rows = [row for group in chosen for row in group]
        return calibration_error([p for p, _ in rows], [hit for _, hit in rows])

    index = [min(int(p * BINS), BINS - 1) for p in confidence]
    bins: list[dict[str, Any]] = []
    for k in range(BINS):
        members = [i for i, own in enumerate(index) if own == k]
        mean = sum(confidence[i] for i in members) / len(members) if members else None
        bins.append({
            "from": k / BINS,
            "to": (k + 1) / BINS,
            "mean_confidence": mean,
            "true_share": share(sum(pieces[i].true for i in members), len(members)).as_dict(),
        })  # fmt: skip
    figure = bootstrap(list(groups.values()), error)
    return {"expected_calibration_error": figure.as_dict(), "bins": bins}
