"""Thresholds for a stated rate of false alarms, chosen on answers to renders with exact truth.

All combinations of a few levels are tried. Of those within the stated rates the one with the
largest recall of dirt is taken; among such as lose at most `SLACK` of it, the one whose pixels
agree best with the truth (IoU). Then `floor`, from which a piece is unsure, goes as low as its own
rate allows. What counts as found or false is defined in `training.score_view`.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ..inference.see.model_file import Thresholds
from ..inference.see.pieces import connected_pieces, ring_around
from ..model.errors import TrainingError
from ..model.kinds import Kind
from .answers import Answer
from .score_view import COVER, COVER_THIN, NEAR_PX, THIN

__all__ = ["Choice", "Chosen", "Rates", "choose_thresholds", "rates_of"]

GROW = (0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6)
SEED = (
    0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.93, 0.95, 0.97, 0.98, 0.99, 0.995, 0.998,
)  # fmt: skip
# No larger: of a grain that a picture can just show, 12 px, the net may be sure; the fitted
# confidence hardly depends on a piece's size.
MIN_PX = (8, 12)
SLACK = 0.01

Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Rates:
    """The most false pieces allowed: sure ones per view and per clean view, unsure ones per clean
    view.
    """

    per_view: float = 0.08
    per_clean_view: float = 0.02
    unsure_per_clean_view: float = 0.05


@dataclass(frozen=True)
class Choice:
    """One setting and what it gave: the largest recall at its rate of false pieces per view."""

    seed: float
    grow: float
    min_px: int
    recall: float
    false_per_view: float
    false_per_clean_view: float


@dataclass(frozen=True)
class Chosen:
    """The thresholds and what they gave on the renders that they were chosen on.

    `others`: what more and fewer false pieces would buy, from the fewest on.
    """

    thresholds: Thresholds
    recall: float
    deposits_iou: float
    false_per_view: float
    false_per_clean_view: float
    unsure_per_clean_view: float
    views: int
    clean_views: int
    deposits: int
    others: tuple[Choice, ...] = ()

    def figures(self) -> dict[str, float]:
        """What the thresholds gave, rounded."""
        apart = ("thresholds", "others")
        return {key: round(value, 4) for key, value in vars(self).items() if key not in apart}


@dataclass(frozen=True)
class _Table:
    """The pieces joined at one `grow`, over all views. Per piece [n]: its best pixel's probability,
    area px, whether it is false, whether its view is clean, its pixels on shown deposits and on
    nothing. Per meeting of a piece with a shown piece of dirt [m]: the piece, the deposit (0..), px
    covered. Per deposit [d]: px that must be covered. `true_px`: all pixels of shown deposits.
    """

    peak: npt.NDArray[np.float32]
    area: Ints
    false: Mask
    on_clean: Mask
    hit_px: Ints
    stray_px: Ints
    piece: Ints
    deposit: Ints
    covered_px: Ints
    needed_px: npt.NDArray[np.float64]
    true_px: int


@dataclass(frozen=True)
class _Point:
    """One setting and its figures."""

    table: _Table
    grow: float
    seed: float
    min_px: int
    recall: float
    iou: float
    per_view: float
    per_clean: float


def choose_thresholds(answers: Sequence[Answer], rates: Rates) -> Chosen:
    """The best thresholds within the rates.

    Raises TrainingError where no clean view, no dirt, or no setting within the rates exists.
    """
    clean = sum(not answer.true for answer in answers)
    tables = {grow: _tabulate(answers, grow) for grow in GROW}
    dirt = next(iter(tables.values())).needed_px.size
    if clean == 0 or dirt == 0:
        raise TrainingError(
            f"thresholds: {clean} clean views and {dirt} pieces of dirt; both are needed, "
            "take more renders"
        )
    counts = len(answers), clean
    points = [point for grow, table in tables.items() for point in _points(table, grow, counts)]
    allowed = [
        p for p in points if p.per_view <= rates.per_view and p.per_clean <= rates.per_clean_view
    ]
    if not allowed:
        least = min(points, key=lambda p: (p.per_clean, p.per_view))
        raise TrainingError(
            f"thresholds: even the strictest give {least.per_view:.3f} false pieces per view and "
            f"{least.per_clean:.3f} per clean view; allow more, or train the net further"
        )
    most = max(p.recall for p in allowed)
    best = max((p for p in allowed if p.recall >= most - SLACK), key=lambda p: (p.iou, p.recall))
    floor, unsure = _floor(best, clean, rates.unsure_per_clean_view)
    return Chosen(
        Thresholds(best.seed, best.grow, best.min_px, floor),
        best.recall,
        best.iou,
        best.per_view,
        best.per_clean,
        unsure,
        len(answers),
        clean,
        dirt,
        tuple(_front(points)),
    )


def rates_of(answers: Sequence[Answer], limits: Thresholds) -> Rates:
    """The false pieces that given thresholds let through on these views."""
    table = _tabulate(answers, limits.grow)
    views, clean = max(len(answers), 1), max(sum(not answer.true for answer in answers), 1)
    large = table.false & (table.area >= limits.min_px)
    sure = large & (table.peak >= np.float32(limits.seed))
    weak = large & (table.peak < np.float32(limits.seed))
    unsure = weak & (table.peak >= np.float32(limits.floor))
    return Rates(
        int(sure.sum()) / views,
        int((sure & table.on_clean).sum()) / clean,
        int((unsure & table.on_clean).sum()) / clean,
    )


def _front(points: Sequence[_Point]) -> Iterator[Choice]:
    """Settings that no other beats in both recall and false pieces per view, up to 1 per view."""
    most = -1.0
    for p in sorted(points, key=lambda p: (p.per_view, -p.recall, p.per_clean, -p.iou)):
        if p.recall > most and p.per_view <= 1:
            most = p.recall
            yield Choice(p.seed, p.grow, p.min_px, p.recall, p.per_view, p.per_clean)


def _points(table: _Table, grow: float, counts: tuple[int, int]) -> Iterator[_Point]:
    views, clean = counts
    for min_px in MIN_PX:
        for seed in SEED:
            if seed < grow:
                continue
            taken = (table.peak >= np.float32(seed)) & (table.area >= min_px)
            false = taken & table.false
            yield _Point(
                table,
                grow,
                seed,
                min_px,
                _recall(table, taken),
                int(table.hit_px[taken].sum())
                / max(table.true_px + int(table.stray_px[taken].sum()), 1),
                int(false.sum()) / views,
                int((false & table.on_clean).sum()) / clean,
            )


def _recall(table: _Table, taken: Mask) -> float:
    met = taken[table.piece]
    count = table.needed_px.size
    covered = np.bincount(table.deposit[met], table.covered_px[met], count)
    return float((covered >= table.needed_px).mean()) if count else 0.0


def _floor(point: _Point, clean: int, most: float) -> tuple[float, float]:
    """The lowest floor whose unsure pieces stay within `most` per clean view, and their rate."""
    table = point.table
    weak = (table.peak < np.float32(point.seed)) & (table.area >= point.min_px)
    peaks = table.peak[weak & table.false & table.on_clean]
    levels = [point.grow, *(level for level in SEED if point.grow < level <= point.seed)]
    for level in levels:
        rate = int((peaks >= np.float32(level)).sum()) / clean
        if rate <= most:
            return level, rate
    return point.seed, 0.0


def _tabulate(answers: Sequence[Answer], grow: float) -> _Table:
    """Every piece of every view, joined at `grow`."""
    rows: list[Any] = []
    meetings: list[tuple[int, int, int]] = []
    needed: list[float] = []
    true_px, first = 0, 0
    for answer in answers:
        view = _View(answer, grow)
        rows.append(view.rows())
        for deposit in answer.true:
            if not deposit.shown:
                continue
            true_px += deposit.pixels.size
            if deposit.kind == Kind.DAMAGE:
                continue
            thin = deposit.kind in THIN
            meetings += [
                (first + piece, len(needed), px) for piece, px in view.meet(deposit.pixels, thin)
            ]
            needed.append((COVER_THIN if thin else COVER) * deposit.pixels.size)
        first += rows[-1].shape[1]
    table = np.concatenate(rows, axis=1)
    met = np.array(meetings, np.int64).reshape(-1, 3)
    return _Table(
        peak=table[0].astype(np.float32),
        area=table[1].astype(np.int64),
        false=table[2] < COVER * table[1],
        on_clean=table[3] > 0,
        hit_px=table[4].astype(np.int64),
        stray_px=table[5].astype(np.int64),
        piece=met[:, 0],
        deposit=met[:, 1],
        covered_px=met[:, 2],
        needed_px=np.array(needed),
        true_px=true_px,
    )


class _View:
    """One answer's pieces at one `grow`, numbered from 0."""

    def __init__(self, answer: Answer, grow: float) -> None:
        self.answer, self.deposit_p = answer, answer.probability()
        self.pieces = connected_pieces(self.deposit_p >= grow)

    def rows(self) -> npt.NDArray[np.float64]:
        """[6, n]: peak, area, px near a true deposit, clean view, px on shown, px on nothing."""
        count, labels = self.pieces.area.size, self.pieces.labels
        peak = np.zeros(count, np.float32)
        np.maximum.at(peak, labels.flat[self.answer.pixels], self.answer.deposit_p)
        true, shown = np.zeros(labels.shape, bool), np.zeros(labels.shape, bool)
        for deposit in self.answer.true:
            true.flat[deposit.pixels] = True
            shown.flat[deposit.pixels] = deposit.shown
        near = true | ring_around(true, NEAR_PX)

        def per_piece(mask: Mask) -> Ints:
            return np.bincount(labels[mask], minlength=count)

        clean = np.full(count, not self.answer.true)
        rows = [peak, self.pieces.area, per_piece(near), clean, per_piece(shown), per_piece(~true)]
        return np.stack([np.asarray(row, np.float64)[1:] for row in rows])

    def meet(self, pixels: Ints, thin: bool) -> list[tuple[int, int]]:
        """The pieces that lie on a deposit, and how many of its pixels each covers.

        On a thin one a piece within 2 px counts as on it.
        """
        height, width = self.pieces.labels.shape
        y, x = np.divmod(pixels, width)
        pad = NEAR_PX if thin else 0
        rows = slice(max(int(y.min()) - pad, 0), min(int(y.max()) + pad + 1, height))
        cols = slice(max(int(x.min()) - pad, 0), min(int(x.max()) + pad + 1, width))
        labels = self.pieces.labels[rows, cols]
        mask = np.zeros(labels.shape, bool)
        mask[y - rows.start, x - cols.start] = True
        found: list[tuple[int, int]] = []
        for label in np.unique(labels[labels > 0]):
            own = labels == label
            if thin:
                own |= ring_around(own, NEAR_PX)
            px = int((own & mask).sum())
            if px:
                found.append((int(label) - 1, px))
        return found
