"""Rates with intervals, tests and control limits, for small numbers of connectors.

Fisher's test, distributions and the survival curve are SciPy's; formulas stand beside their source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from math import ceil, inf, isfinite, sqrt
from typing import Any, Literal

__all__ = [
    "CONFIDENCE",
    "CleanBy",
    "Kappa",
    "Limits",
    "McNemar",
    "Method",
    "Share",
    "c_limits",
    "clean_after",
    "clustered_share",
    "difference",
    "dispersion",
    "fisher",
    "holm",
    "kappa",
    "mcnemar",
    "needed_per_method",
    "poisson_interval",
    "share",
    "u_limits",
]

CONFIDENCE = 0.95
Method = Literal["wilson", "exact"]


@dataclass(frozen=True)
class Share:
    """`hits` of `of`, with the interval; `of_effective` < `of` where cases are not independent."""

    hits: int
    of: int
    low: float
    high: float
    of_effective: float

    @property
    def p(self) -> float:
        """The share itself."""
        return self.hits / self.of


def share(
    hits: int,
    of: int,
    method: Method = "wilson",
    confidence: float = CONFIDENCE,
    of_effective: float | None = None,
) -> Share:
    """A share of 0..1 with its two-sided interval. ValueError for of < 1 or hits outside 0..of.

    wilson: NIST/SEMATECH e-Handbook 7.2.4.1. exact: Clopper-Pearson, 7.2.4.2.
    """
    if of < 1 or not 0 <= hits <= of:
        raise ValueError(f"{hits} of {of} is no share")
    n = float(of) if of_effective is None else of_effective
    p = hits / of
    limits = _exact(p, n, confidence) if method == "exact" else _wilson(p, n, confidence)
    return Share(hits, of, limits[0], limits[1], n)


def _stats() -> Any:
    """SciPy's statistics, without type annotations of its own; imported when first needed."""
    import scipy.stats

    return scipy.stats


@cache
def _z(tail: float) -> float:
    """The standard normal's quantile above which a share of `tail` lies."""
    return float(_stats().norm.isf(tail))


def _wilson(p: float, n: float, confidence: float) -> tuple[float, float]:
    z = _z((1 - confidence) / 2)
    middle = p + z * z / (2 * n)
    half = z * sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    whole = 1 + z * z / n
    low, high = (middle - half) / whole, (middle + half) / whole
    return (0.0 if p == 0 else max(0.0, low)), (1.0 if p == 1 else min(1.0, high))


def _exact(p: float, n: float, confidence: float) -> tuple[float, float]:
    tail, x = (1 - confidence) / 2, p * n
    low = 0.0 if p == 0 else float(_stats().beta.ppf(tail, x, n - x + 1))
    high = 1.0 if p == 1 else float(_stats().beta.isf(tail, x + 1, n - x))
    return low, high


def clustered_share(
    groups: Mapping[tuple[int, int], int], method: Method = "wilson", confidence: float = CONFIDENCE
) -> Share:
    """The share of hits among cases of which those of one connector resemble each other.

    groups: how many connectors have so many (hits, of) cases. The interval is that of a smaller
    number: divided by the design effect, from the ratio estimator's variance over connectors (Korn
    and Graubard 1998, from memory); never made larger. Where the cases are all hits or all misses,
    each connector counts as one case.
    """
    used = [(x, n, many) for (x, n), many in groups.items() if n > 0]
    hits, of, k = (
        sum(x * many for x, _, many in used),
        sum(n * many for _, n, many in used),
        sum(many for _, _, many in used),
    )
    if of < 1:
        raise ValueError("no case to take a share of")
    p = hits / of
    alone = all(n == 1 for _, n, _ in used)
    if alone or p in (0, 1) or k < 2:
        effective = float(of if alone else k)
    else:
        variance = k / (k - 1) * sum(many * (x - p * n) ** 2 for x, n, many in used) / of**2
        effective = of / max(1.0, variance / (p * (1 - p) / of))
    return share(hits, of, method, confidence, effective)


def difference(a: Share, b: Share, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Interval of a - b of independent shares from Wilson intervals (Newcombe's hybrid, 1998)."""
    first, second = (share(x.hits, x.of, "wilson", confidence) for x in (a, b))
    d = a.p - b.p
    low = d - sqrt((a.p - first.low) ** 2 + (second.high - b.p) ** 2)
    high = d + sqrt((first.high - a.p) ** 2 + (b.p - second.low) ** 2)
    return low, high


def fisher(a: Share, b: Share) -> float:
    """Two-sided p of Fisher's exact test that two shares are one."""
    table = [[a.hits, a.of - a.hits], [b.hits, b.of - b.hits]]
    return float(_stats().fisher_exact(table)[1])


@dataclass(frozen=True)
class McNemar:
    """Pairs that differ: `only_a`, `only_b`. `p`: exact; `mid_p`: less cautious (Fagerland 2013).

    `ratio`: only_a / only_b with its exact interval; infinity where only_b is 0.
    """

    only_a: int
    only_b: int
    p: float
    mid_p: float
    ratio: float
    low: float
    high: float


def mcnemar(only_a: int, only_b: int) -> McNemar:
    """McNemar's test of pairs, exact: binomial with one half among the pairs that differ."""
    n = only_a + only_b
    if n == 0:
        return McNemar(0, 0, 1.0, 1.0, 1.0, 0.0, inf)
    few = min(only_a, only_b)
    p = min(1.0, 2 * float(_stats().binom.cdf(few, n, 0.5)))
    mid = min(
        1.0, 2 * float(_stats().binom.cdf(few, n, 0.5)) - float(_stats().binom.pmf(few, n, 0.5))
    )
    low, high = _exact(only_a / n, n, CONFIDENCE)
    ratio = only_a / only_b if only_b else inf
    return McNemar(only_a, only_b, p, mid, ratio, low / (1 - low), _odds(high))


def _odds(p: float) -> float:
    return inf if p >= 1 else p / (1 - p)


def holm(ps: Sequence[float]) -> list[float]:
    """The p values corrected for their number by Holm's step-down method (1979), in their order."""
    order = sorted(range(len(ps)), key=lambda i: ps[i])
    corrected, least = [0.0] * len(ps), 0.0
    for rank, i in enumerate(order):
        least = max(least, min(1.0, (len(ps) - rank) * ps[i]))
        corrected[i] = least
    return corrected


def needed_per_method(
    p_a: float, p_b: float, power: float = 0.8, alpha: float = 0.05
) -> int | None:
    """Connectors per method for Fisher's test to show p_a against p_b; None if they are equal.

    Normal approximation with continuity correction (Fleiss, Levin and Paik 2003, from memory; the
    tests hold it against the exact power).
    """
    d = abs(p_a - p_b)
    if d == 0:
        return None
    z_alpha, z_power = float(_stats().norm.isf(alpha / 2)), float(_stats().norm.ppf(power))
    mean = (p_a + p_b) / 2
    spread = sqrt(p_a * (1 - p_a) + p_b * (1 - p_b))
    plain = (z_alpha * sqrt(2 * mean * (1 - mean)) + z_power * spread) ** 2 / d**2
    return ceil(plain / 4 * (1 + sqrt(1 + 4 / (plain * d))) ** 2)


@dataclass(frozen=True)
class Limits:
    """A control chart's centre line and limits; `low` is never below 0."""

    center: float
    low: float
    high: float


def c_limits(counts: Sequence[float], widen: float = 1.0) -> Limits:
    """Three-sigma limits of counts: mean +/- 3 sqrt(mean) (NIST e-Handbook 6.3.3.1).

    `widen` > 1: how many times wider than Poisson's the scatter is (see dispersion).
    """
    return u_limits(sum(counts) / len(counts), 1.0, widen)


def u_limits(mean: float, size: float, widen: float = 1.0) -> Limits:
    """Three-sigma limits of a count per unit over `size` units: mean +/- 3 sqrt(mean / size)."""
    half = 3 * widen * sqrt(mean / size)
    return Limits(mean, max(0.0, mean - half), mean + half)


def dispersion(groups: Sequence[Sequence[int]]) -> tuple[float, float] | None:
    """Variance over mean of counts within groups, and p that it is 1 (Poisson; chi-square).

    None where there is nothing to tell it from.
    """
    used = [g for g in groups if len(g) > 1 and sum(g) > 0]
    freedom = sum(len(g) - 1 for g in used)
    if freedom < 1:
        return None
    means = [sum(g) / len(g) for g in used]
    total = sum(sum((x - m) ** 2 for x in g) / m for g, m in zip(used, means, strict=True))
    return total / freedom, float(_stats().chi2.sf(total, freedom))


def poisson_interval(count: int, units: float) -> tuple[float, float]:
    """Exact interval of a rate per unit from a count (Garwood 1936)."""
    from scipy.special import (
        gammainccinv,  # pyright: ignore[reportUnknownVariableType]
        gammaincinv,  # pyright: ignore[reportUnknownVariableType]
    )

    tail = (1 - CONFIDENCE) / 2
    # half of chi-square's quantiles at twice as many degrees of freedom, without SciPy's checks,
    # which take most of the time where there are hundreds of lots
    low = 0.0 if count == 0 else float(gammaincinv(count, tail))
    return low / units, float(gammainccinv(count + 1, tail)) / units


@dataclass(frozen=True)
class Kappa:
    """Cohen's kappa with its interval; `agreed`: share of the cases with the same word.

    None where both used one and the same word throughout: then it is not defined.
    """

    cases: int
    agreed: Share
    kappa: float | None
    low: float | None
    high: float | None

    @property
    def word(self) -> str:
        """Landis and Koch's (1977) word for it."""
        if self.kappa is None:
            return "not defined"
        if self.kappa < 0:
            return "less than chance"
        words = ("slight", "fair", "moderate", "substantial", "almost perfect")
        return words[min(4, max(0, ceil(self.kappa * 5 - 1e-9) - 1))]


def kappa(table: Sequence[Sequence[int]]) -> Kappa:
    """Agreement of two raters from their square table of counts.

    k = (po - pe) / (1 - pe); standard error of Fleiss, Cohen and Everitt (1969).
    """
    n = sum(map(sum, table))
    if n < 1:
        raise ValueError("no case that both have judged")
    same = sum(table[i][i] for i in range(len(table)))
    rows = [sum(row) / n for row in table]
    columns = [sum(column) / n for column in zip(*table, strict=True)]
    po, pe = same / n, sum(r * c for r, c in zip(rows, columns, strict=True))
    agreed = share(same, n)
    if pe >= 1:
        return Kappa(n, agreed, None, None, None)
    value = (po - pe) / (1 - pe)
    size = range(len(table))
    on = sum(table[i][i] / n * (1 - (rows[i] + columns[i]) * (1 - value)) ** 2 for i in size)
    off = (
        sum(table[i][j] / n * (columns[i] + rows[j]) ** 2 for i in size for j in size if i != j)
        * (1 - value) ** 2
    )
    variance = max(0.0, on + off - (value - pe * (1 - value)) ** 2) / ((1 - pe) ** 2 * n)
    half = float(_stats().norm.isf((1 - CONFIDENCE) / 2)) * sqrt(variance)
    return Kappa(n, agreed, value, max(-1.0, value - half), min(1.0, value + half))


@dataclass(frozen=True)
class CleanBy:
    """The share clean after `attempt` cleanings; `low` and `high` None where it cannot be told.

    `at_risk`: connectors that were cleaned so often; `clean`: those that this cleaning made clean.
    """

    attempt: int
    p: float
    low: float | None
    high: float | None
    at_risk: int
    clean: int


def clean_after(clean_at: Mapping[int, int], given_up: Mapping[int, int]) -> tuple[CleanBy, ...]:
    """The share clean after each number of cleanings (Kaplan-Meier, log-log interval; SciPy).

    `clean_at`: how many connectors became clean at each attempt; `given_up`: how many of those that
    did not had that one as their last, which says nothing of those after.
    """
    import warnings

    if not clean_at and not given_up:
        return ()
    ended = [[a for a, many in side.items() for _ in range(many)] for side in (clean_at, given_up)]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # an interval of none or all is nan
        dirty = _stats().ecdf(_stats().CensoredData(uncensored=ended[0], right=ended[1])).sf
        band = dirty.confidence_interval(CONFIDENCE, method="log-log")
        rows: list[CleanBy] = []
        for attempt in range(1, max(*clean_at, *given_up, 0) + 1):
            low, high = (float(side.evaluate(attempt)) for side in (band.high, band.low))
            known = isfinite(low) and isfinite(high)
            rows.append(
                CleanBy(
                    attempt,
                    1 - float(dirty.evaluate(attempt)),
                    1 - low if known else None,
                    1 - high if known else None,
                    sum(
                        many
                        for side in (clean_at, given_up)
                        for a, many in side.items()
                        if a >= attempt
                    ),
                    clean_at.get(attempt, 0),
                )
            )
    return tuple(rows)
