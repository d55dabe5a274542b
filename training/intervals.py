"""95 % intervals for shares and for means over groups."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

__all__ = ["Figure", "bootstrap", "share"]

Z95 = 1.959963984540054  # standard normal, 97.5 %
RESAMPLES, SEED = 1000, 20_011


@dataclass(frozen=True)
class Figure:
    """A measured value, its 95 % interval, what number it rests on; None = not measured."""

    value: float | None
    low: float | None
    high: float | None
    n: int

    def as_dict(self) -> dict[str, Any]:
        """Rounded plain values."""
        rounded = [None if v is None else round(v, 4) for v in (self.value, self.low, self.high)]
        return {"value": rounded[0], "low": rounded[1], "high": rounded[2], "n": self.n}

    def __str__(self) -> str:
        if self.value is None:
            return "not measured"
        if self.low is None or self.high is None:
            return f"{self.value:.3f} (n {self.n})"
        return f"{self.value:.3f} ({self.low:.3f} to {self.high:.3f}, n {self.n})"


def share(hits: int, n: int) -> Figure:
    """hits / n with Wilson's score interval (E. B. Wilson, 1927); not measured for n = 0."""
    if n == 0:
        return Figure(None, None, None, 0)
    p, zz = hits / n, Z95 * Z95
    middle = (p + zz / (2 * n)) / (1 + zz / n)
    half = Z95 / (1 + zz / n) * math.sqrt(p * (1 - p) / n + zz / (4 * n * n))
    return Figure(p, max(middle - half, 0.0), min(middle + half, 1.0), n)


def bootstrap(groups: Sequence[Any], figure: Callable[[Sequence[Any]], float | None]) -> Figure:
    """A figure of all groups, with the percentiles 2.5 and 97.5 of it over resampled groups.

    groups: what varies independently (one item per connector). Resamples in which the figure cannot
    be measured are left out; the interval is None below two groups.
    """
    value = figure(groups)
    if value is None or len(groups) < 2:
        return Figure(value, None, None, len(groups))
    random = np.random.default_rng(SEED)
    found: list[float] = []
    for _ in range(RESAMPLES):
        again = figure([groups[i] for i in random.integers(0, len(groups), len(groups))])
        if again is not None:
            found.append(again)
    low, high = np.percentile(found, [2.5, 97.5])
    return Figure(value, float(low), float(high), len(groups))
