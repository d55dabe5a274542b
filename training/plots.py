"""Drawings of an evaluation as SVG: probability of detection against size, and reliability."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

__all__ = ["detection_plot", "reliability_plot"]

WIDTH, HEIGHT = 580, 370
LEFT, RIGHT, TOP, BOTTOM = 56, 150, 16, 44
# Okabe-Ito's colours as given, dark ones first; a dash pattern goes with each
COLORS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000", "#E69F00", "#56B4E9")
DASHES = ("", "7 3", "2 3", "10 3 2 3", "4 4", "12 4", "1 3 6 3")
STEPS = 80
LARGEST = 2000.0  # the axis' end


@dataclass(frozen=True)
class Axes:
    """Plot coordinates: x on a log or plain scale from `low` to `high`, y from 0 to 1."""

    low: float
    high: float
    log: bool

    def x(self, value: float) -> float:
        """Px from the left."""
        place = (
            math.log(value / self.low) / math.log(self.high / self.low)
            if self.log
            else (value - self.low) / (self.high - self.low)
        )
        return LEFT + place * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        """Px from the top."""
        return TOP + (1 - value) * (HEIGHT - TOP - BOTTOM)


def detection_plot(rows: Mapping[str, Mapping[str, Any]], unit: str) -> str:
    """Curves of the groups in `rows` (as `Detection.as_dict`), those without a fit left out.

    A dot marks a90, a bar reaches to its upper 95 % bound (to the frame where there is none).
    """
    fitted = {name: row for name, row in rows.items() if row["a90"] is not None}
    if not fitted:
        return "<p>No group of deposits allows a fit.</p>"
    axes = _size_axis([row[key] for row in fitted.values() for key in ("a50", "a90")])
    parts = _frame(axes, f"size, {unit}", "probability of detection")
    parts.append(_line([(axes.low, 0.9), (axes.high, 0.9)], axes, "#888888", "1 4", 1))
    for k, (name, row) in enumerate(fitted.items()):
        color, dash = COLORS[k % len(COLORS)], DASHES[k % len(DASHES)]
        points = [
            (size, 1 / (1 + math.exp(-_bounded(row["intercept"] + row["slope"] * math.log(size)))))
            for size in _log_steps(axes)
        ]
        parts.append(_line(points, axes, color, dash, 2))
        parts += _a90(row, axes, color, k)
        parts += _key(name, f"n {row['n']}, a90 {_whole(row['a90'])}", color, dash, k)
    return _svg(parts, f"Probability of detection against size in {unit}")


def _size_axis(sizes: Sequence[float]) -> Axes:
    """From a quarter of the smallest to three times the largest, as far as a size means anything.

    An extrapolated size may have hundreds of digits.
    """
    low = min(max(min(sizes) / 4, 1.0), LARGEST / 10)
    return Axes(low, max(min(3 * max(sizes), LARGEST), 10 * low), log=True)


def _whole(size: float) -> str:
    """A size in the key."""
    return f"{size:.0f}" if size <= LARGEST else f"over {LARGEST:.0f}"


def _a90(row: Mapping[str, Any], axes: Axes, color: str, k: int) -> list[str]:
    if not axes.low < row["a90"] < axes.high:
        return []
    bound = axes.high if row["a90_95"] is None else min(row["a90_95"], axes.high)
    y = axes.y(0.9) + 3 * (k % 2) - 1.5
    x0, x1 = axes.x(row["a90"]), axes.x(bound)
    return [
        f'<line x1="{x0:.1f}" y1="{y:.1f}" x2="{x1:.1f}" y2="{y:.1f}" stroke="{color}"/>',
        f'<circle cx="{x0:.1f}" cy="{y:.1f}" r="3.5" fill="{color}"/>',
    ]


def reliability_plot(found: Mapping[str, Any]) -> str:
    """Share of true pieces against stated confidence, before and after calibration.

    Bars are 95 % intervals; a bin without pieces has no point.
    """
    axes = Axes(0.0, 1.0, log=False)
    parts = _frame(axes, "stated confidence", "share true")
    parts.append(_line([(0.0, 0.0), (1.0, 1.0)], axes, "#888888", "1 4", 1))
    for k, side in enumerate(side for side in ("before", "after") if found[side] is not None):
        bins = [row for row in found[side]["bins"] if row["mean_confidence"] is not None]
        color, dash = COLORS[k], DASHES[k]
        points = [(row["mean_confidence"], row["true_share"]["value"]) for row in bins]
        parts.append(_line(points, axes, color, dash, 1.5))
        for row, (x, y) in zip(bins, points, strict=True):
            low, high = row["true_share"]["low"], row["true_share"]["high"]
            at = axes.x(x) + 3 * k
            parts.append(
                f'<line x1="{at:.1f}" y1="{axes.y(low):.1f}" x2="{at:.1f}" '
                f'y2="{axes.y(high):.1f}" stroke="{color}"/>'
            )
            parts.append(f'<circle cx="{at:.1f}" cy="{axes.y(y):.1f}" r="3.5" fill="{color}"/>')
        error = found[side]["expected_calibration_error"]["value"]
        parts += _key(f"{side} calibration", f"error {error:.3f}", color, dash, k)
    return _svg(parts, "Share of true pieces against stated confidence")


def _bounded(eta: float) -> float:
    return min(max(eta, -60.0), 60.0)


def _log_steps(axes: Axes) -> list[float]:
    return [axes.low * (axes.high / axes.low) ** (k / STEPS) for k in range(STEPS + 1)]


def _ticks(axes: Axes) -> list[float]:
    if not axes.log:
        return [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]
    decades = range(-1, 5)
    return [m * 10.0**d for d in decades for m in (1, 2, 5) if axes.low <= m * 10.0**d <= axes.high]


def _frame(axes: Axes, x_name: str, y_name: str) -> list[str]:
    x0, x1, y0, y1 = axes.x(axes.low), axes.x(axes.high), axes.y(0), axes.y(1)
    parts = [
        f'<rect x="{x0}" y="{y1}" width="{x1 - x0:.1f}" height="{y0 - y1:.1f}" fill="none" '
        'stroke="#444444"/>',
        _text((x0 + x1) / 2, HEIGHT - 8, x_name, "middle"),
        f'<text transform="translate(14 {(y0 + y1) / 2:.0f}) rotate(-90)" '
        f'text-anchor="middle">{escape(y_name)}</text>',
    ]
    for value in _ticks(axes):
        x = axes.x(value)
        parts.append(f'<line x1="{x:.1f}" y1="{y0}" x2="{x:.1f}" y2="{y0 + 5}" stroke="#444444"/>')
        parts.append(_text(x, y0 + 18, f"{value:g}", "middle"))
    for value in (0, 0.25, 0.5, 0.75, 0.9, 1):
        parts.append(_text(x0 - 6, axes.y(value) + 4, f"{value:g}", "end"))
    return parts


def _line(
    points: Sequence[tuple[float, float]], axes: Axes, color: str, dash: str, width: float
) -> str:
    path = " ".join(f"{axes.x(x):.1f},{axes.y(y):.1f}" for x, y in points)
    return (
        f'<polyline points="{path}" fill="none" stroke="{color}" stroke-width="{width}" '
        f'stroke-dasharray="{dash}"/>'
    )


def _key(name: str, note: str, color: str, dash: str, row: int) -> list[str]:
    x, y = WIDTH - RIGHT + 12, TOP + 12 + 38 * row
    return [
        f'<line x1="{x}" y1="{y}" x2="{x + 24}" y2="{y}" stroke="{color}" stroke-width="2" '
        f'stroke-dasharray="{dash}"/>',
        _text(x + 30, y + 4, name, "start"),
        _text(x + 30, y + 18, note, "start", "#555555"),
    ]


def _text(x: float, y: float, text: str, anchor: str, color: str = "#222222") -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{color}">{escape(text)}</text>'
    )


def _svg(parts: Sequence[str], title: str) -> str:
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" role="img" '
        f'font-family="sans-serif" font-size="12"><title>{escape(title)}</title>'
        + "".join(parts)
        + "</svg>"
    )
