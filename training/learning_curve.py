"""Would more labels help? The net learns from a part of the teaching connectors, then from more.

Each part is learnt from anew, beginning with the same parent, and asked on the connectors that
judge. What is left to gain (1 - the score) is taken to fall as a power of the number of teaching
connectors (Hestness et al., "Deep learning scaling is predictable, empirically", 2017); the line
through it tells what twice as many would bring. With a handful of connectors that is a hint, no
promise: its interval, over the connectors that judge, is told where there are four or more.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from .gate import LEAST_CONNECTORS
from .intervals import Figure, bootstrap

__all__ = ["Curve", "Point", "learning_curve", "parts_of", "twice_as_many"]

LAYERS = ("surfaces", "deposits")
LEAST_LEFT = 0.002  # what is left to gain is never less; its logarithm is taken

# per connector that judges: the layers' scores, 0..1, None where nobody annotated the layer
Scores = Sequence[Sequence[float | None]]


@dataclass(frozen=True)
class Point:
    """What learning from so many connectors came to; 0: the parent. `scores`: see `Scores`."""

    connectors: int
    pictures: int
    scores: Scores

    def mean(self, layer: int) -> float | None:
        """Over the connectors that judge."""
        return mean_of([row[layer] for row in self.scores])


@dataclass(frozen=True)
class Curve:
    """The points, from the parent on, and per layer what twice as many connectors would add."""

    points: tuple[Point, ...]
    gains: dict[str, Figure]

    def lines(self) -> list[str]:
        """For a person."""
        rows = [f"{'taught by':>22}  {'surfaces, mean IoU':>20}  {'deposits, Dice':>16}"]
        for point in self.points:
            name = f"{point.connectors} connectors" if point.connectors else "the net before"
            values = [point.mean(layer) for layer in range(len(LAYERS))]
            shown = ["not annotated" if v is None else f"{v:.3f}" for v in values]
            rows.append(f"{name:>22}  {shown[0]:>20}  {shown[1]:>16}")
        return [*rows, *(self.told(layer) for layer in LAYERS)]

    def told(self, layer: str) -> str:
        """What twice as many would bring, in words."""
        gain, most = self.gains[layer], self.points[-1].connectors
        if gain.value is None:
            return f"{layer}: not annotated, or too few connectors teach to say what more would add"
        more = f"{layer}: {most} more connectors would add about {max(gain.value, 0.0):.3f}"
        if gain.low is None or gain.high is None:
            few = f"only {len(self.points[-1].scores)} connectors judge: how sure is not known"
            return f"{more} ({few})"
        sure = "" if gain.low > 0 else "; it may be nothing"
        return f"{more} (95 %: {gain.low:+.3f} to {gain.high:+.3f}{sure})"

    def as_dict(self) -> dict[str, Any]:
        """Plain values."""
        gains = {layer: gain.as_dict() for layer, gain in self.gains.items()}
        return {"points": [asdict(p) for p in self.points], "twice_as_many_adds": gains}


def parts_of(connectors: int) -> list[int]:
    """Of how many connectors the parts are: all, a half, a quarter, each at least one."""
    return sorted({max(1, math.ceil(connectors / k)) for k in (1, 2, 4)})


def learning_curve(parent: Point, parts: Sequence[int], learn: Callable[[int], Point]) -> Curve:
    """Learn from each part; learn(number of connectors) -> its point."""
    points = (parent, *(learn(count) for count in parts))
    gains = {name: gain_of(points[1:], layer) for layer, name in enumerate(LAYERS)}
    return Curve(points, gains)


def gain_of(points: Sequence[Point], layer: int) -> Figure:
    """What twice as many teaching connectors would add to a layer's score."""
    counts = [point.connectors for point in points]
    judges = list(zip(*(point.scores for point in points), strict=True))

    def gain(chosen: Sequence[Any]) -> float | None:
        means = [mean_of([judge[k][layer] for judge in chosen]) for k in range(len(points))]
        known = [value for value in means if value is not None]
        return twice_as_many(counts, known) if len(known) == len(means) else None

    if len(judges) < LEAST_CONNECTORS:
        return Figure(gain(judges), None, None, len(judges))
    return bootstrap(judges, gain)


def twice_as_many(counts: Sequence[int], scores: Sequence[float]) -> float | None:
    """What the score gains from the last count to twice as many; None for fewer than two counts.

    The least-squares line through ln(1 - score) against ln(count), from the last point on.
    """
    if len(counts) < 2:
        return None
    left = np.log(np.maximum(1 - np.asarray(scores, float), LEAST_LEFT))
    slope = float(np.polyfit(np.log(np.asarray(counts, float)), left, 1)[0])
    return float((1 - scores[-1]) * (1 - 2.0**slope))


def mean_of(values: Sequence[float | None]) -> float | None:
    """The mean of what is known; None where nothing is."""
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None
