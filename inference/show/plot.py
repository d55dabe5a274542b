"""Plots as lines, dots and words in plain coordinates, which a page and a PDF draw alike.

Positions are (x, y), x to the right, y down, in px of a drawing of stated size. Nothing is told by
colour alone: what is outside its limits is also a hollow square, and bears its name.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, log10
from typing import Literal

from ..keep.statistics import Share
from ..keep.study_lots import LotChart

__all__ = ["Dot", "Drawing", "Line", "Words", "interval_plot", "lot_plot", "steps_plot"]

Ink = Literal["ink", "muted", "line", "accent", "alarm"]
WIDTH = 720.0
ROW = 30.0
NAME_WIDTH, SAYS_WIDTH = 200.0, 130.0


@dataclass(frozen=True)
class Line:
    """A straight line through points; `dashed` for limits."""

    points: tuple[tuple[float, float], ...]
    ink: Ink = "ink"
    width: float = 1.5
    dashed: bool = False


@dataclass(frozen=True)
class Dot:
    """A mark of 9 px: a solid disc, or a hollow square."""

    xy: tuple[float, float]
    ink: Ink = "accent"
    hollow: bool = False


@dataclass(frozen=True)
class Words:
    """Text whose base line's start, middle or end is at `xy`."""

    xy: tuple[float, float]
    text: str
    anchor: Literal["start", "middle", "end"] = "start"
    size: float = 13.0
    ink: Ink = "ink"


@dataclass(frozen=True)
class Drawing:
    """A plot; `words` say what it shows to those who cannot see it."""

    width: float
    height: float
    marks: tuple[Line | Dot | Words, ...]
    words: str


def interval_plot(rows: Sequence[tuple[str, Share]], what: str) -> Drawing:
    """Shares, one below the other, each with its interval, over an axis from 0 to 100 %."""
    left, right = NAME_WIDTH, WIDTH - SAYS_WIDTH
    bottom = ROW * len(rows) + 14
    marks: list[Line | Dot | Words] = []
    for tick in range(0, 101, 20):
        x = left + (right - left) * tick / 100
        marks.append(Line(((x, 6), (x, bottom)), "line", 1))
        marks.append(Words((x, bottom + 18), f"{tick} %", "middle", 12, "muted"))
    marks.append(Words(((left + right) / 2, bottom + 38), what, "middle", 12, "muted"))
    for k, (name, found) in enumerate(rows):
        y = ROW * (k + 0.5) + 6
        low, at, high = (left + (right - left) * p for p in (found.low, found.p, found.high))
        marks.append(Words((left - 12, y + 4), _short(name), "end"))
        marks.append(Line(((low, y), (high, y)), "accent", 2))
        marks += [Line(((x, y - 5), (x, y + 5)), "accent", 2) for x in (low, high)]
        marks.append(Dot((at, y)))
        marks.append(Words((right + 14, y + 4), f"{found.hits} of {found.of}"))
    said = "; ".join(f"{name}: {found.hits} of {found.of}" for name, found in rows)
    return Drawing(WIDTH, bottom + 46, tuple(marks), f"{what}: {said}.")


def lot_plot(chart: LotChart) -> Drawing:
    """Deposits per connector by lot with the centre line and each lot's limits."""
    top, bottom, left, right = 14.0, 230.0, 62.0, WIDTH - 16
    most = max(max(lot.rate, lot.limits.high) for lot in chart.lots)
    ticks = _ticks(most)
    marks: list[Line | Dot | Words] = []

    def y_of(value: float) -> float:
        return bottom - (bottom - top) * value / ticks[-1]

    for tick in ticks:
        marks.append(Line(((left, y_of(tick)), (right, y_of(tick))), "line", 1))
        marks.append(Words((left - 8, y_of(tick) + 4), f"{tick:g}", "end", 12, "muted"))
    marks.append(Line(((left, y_of(chart.center)), (right, y_of(chart.center))), "ink", 1.5))
    step = (right - left) / len(chart.lots)
    path: list[tuple[float, float]] = []
    every = ceil(len(chart.lots) / 24)
    for k, lot in enumerate(chart.lots):
        x = left + step * (k + 0.5)
        for end in {lot.limits.low, lot.limits.high}:
            y = y_of(end)
            marks.append(Line(((x - step / 2, y), (x + step / 2, y)), "ink", 1.5, dashed=True))
        path.append((x, y_of(lot.rate)))
        if k % every == 0 or lot.side is not None:
            marks.append(Words((x, bottom + 18), _short(lot.name, 10), "middle", 11, "muted"))
    marks.append(Line(tuple(path), "accent", 1.5))
    marks += [
        Dot(xy, "alarm" if lot.side else "accent", hollow=lot.side is not None)
        for xy, lot in zip(path, chart.lots, strict=True)
    ]
    said = "Deposits per connector by lot; line: mean, dashed: limits, square: outside them"
    marks.append(Words(((left + right) / 2, bottom + 40), said, "middle", 12, "muted"))
    outside = ", ".join(lot.name for lot in chart.lots if lot.side) or "none"
    return Drawing(WIDTH, bottom + 50, tuple(marks), f"{said}. Outside: {outside}.")


def steps_plot(rows: Sequence[tuple[int, float, float, float]], x_name: str, what: str) -> Drawing:
    """Shares (number, p, low, high) against a whole number, with their intervals."""
    top, bottom, left, right = 14.0, 210.0, 62.0, WIDTH - 16
    marks: list[Line | Dot | Words] = []
    first, last = rows[0][0], rows[-1][0]

    def place(number: float, p: float) -> tuple[float, float]:
        x = left + 30 + (right - left - 60) * (number - first) / max(1, last - first)
        return x, bottom - (bottom - top) * p

    for tick in (0, 0.25, 0.5, 0.75, 1):
        y = place(first, tick)[1]
        marks.append(Line(((left, y), (right, y)), "line", 1))
        marks.append(Words((left - 8, y + 4), f"{100 * tick:.0f} %", "end", 12, "muted"))
    marks.append(Line(tuple(place(n, p) for n, p, _, _ in rows), "accent", 1.5))
    for number, p, low, high in rows:
        marks.append(Line((place(number, low), place(number, high)), "accent", 2))
        marks.append(Dot(place(number, p)))
        x = place(number, p)[0]
        marks.append(Words((x, bottom + 18), str(number), "middle", 12, "muted"))
    marks.append(Words(((left + right) / 2, bottom + 38), x_name, "middle", 12, "muted"))
    said = "; ".join(f"{number}: {100 * p:.0f} %" for number, p, _, _ in rows)
    return Drawing(WIDTH, bottom + 46, tuple(marks), f"{what}, by {x_name}: {said}.")


def _short(name: str, most: int = 26) -> str:
    return name if len(name) <= most else f"{name[: most - 3]}..."


def _ticks(most: float) -> list[float]:
    """Round numbers from 0 to at least `most`, four to eight of them."""
    if most <= 0:
        return [0.0, 1.0]
    scale = 10.0 ** floor(log10(most))
    step = next(scale * k for k in (0.1, 0.2, 0.5, 1, 2) if most / (scale * k) <= 6)
    return [step * k for k in range(ceil(most / step) + 1)]
