"""Plots as lines, dots and words in plain coordinates, which a page and a PDF draw alike.

Positions are (x, y), x to the right, y down, in px of a drawing of stated size. Nothing is told by
colour alone: what is outside its limits is also a hollow square, and bears its name.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, log10
from typing import Literal

from ..keep.statistics import Limits, Share
from ..keep.study_control import ControlChart
from ..keep.study_lots import LotChart

__all__ = [
    "Dot",
    "Drawing",
    "Line",
    "Words",
    "control_plot",
    "interval_plot",
    "lot_plot",
    "steps_plot",
]

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
    points = [(lot.name, lot.rate, lot.limits, lot.side is not None) for lot in chart.lots]
    said = "Deposits per connector by lot; line: mean, dashed: limits, square: outside them"
    return _chart(points, said)


def control_plot(chart: ControlChart) -> Drawing:
    """Deposits found on the control connector, inspection by inspection, with their limits."""
    points = [
        (str(k), point.value, chart.limits, point.signal is not None)
        for k, point in enumerate(chart.points, 1)
    ]
    said = "Deposits found, inspection by inspection; line: mean, dashed: limits, square: a signal"
    return _chart(points, said)


def _chart(points: Sequence[tuple[str, float, Limits, bool]], said: str) -> Drawing:
    """A control chart of (name, value, its limits, whether it is marked)."""
    top, bottom, left, right = 14.0, 230.0, 62.0, WIDTH - 16
    ticks = _ticks(max(max(value, limits.high) for _, value, limits, _ in points))
    marks: list[Line | Dot | Words] = []

    def y_of(value: float) -> float:
        return bottom - (bottom - top) * max(0.0, value) / ticks[-1]

    for tick in ticks:
        marks.append(Line(((left, y_of(tick)), (right, y_of(tick))), "line", 1))
        marks.append(Words((left - 8, y_of(tick) + 4), f"{tick:g}", "end", 12, "muted"))
    middle = y_of(points[0][2].center)
    marks.append(Line(((left, middle), (right, middle)), "ink", 1.5))
    step = (right - left) / len(points)
    path: list[tuple[float, float]] = []
    every = ceil(len(points) / 24)
    for k, (name, value, limits, marked) in enumerate(points):
        x = left + step * (k + 0.5)
        for end in sorted({limits.low, limits.high}):
            y = y_of(end)
            marks.append(Line(((x - step / 2, y), (x + step / 2, y)), "ink", 1.5, dashed=True))
        path.append((x, y_of(value)))
        if k % every == 0 or marked:
            marks.append(Words((x, bottom + 18), _short(name, 10), "middle", 11, "muted"))
    marks.append(Line(tuple(path), "accent", 1.5))
    marks += [
        Dot(xy, "alarm" if marked else "accent", hollow=marked)
        for xy, (_, _, _, marked) in zip(path, points, strict=True)
    ]
    marks.append(Words(((left + right) / 2, bottom + 40), said, "middle", 12, "muted"))
    outside = ", ".join(name for name, _, _, marked in points if marked) or "none"
    return Drawing(WIDTH, bottom + 50, tuple(marks), f"{said}. Marked: {outside}.")


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
