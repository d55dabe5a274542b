"""Probability of detection against size: the hit/miss model of MIL-HDBK-1823A.

    logit POD(a) = b0 + b1 ln a        fitted by maximum likelihood (a generalised linear model)

a50 and a90 are the sizes of POD 0.5 and 0.9; a90/95 is the upper 95 % bound of a90 (one-sided).
Bounds come from the profile likelihood, not from a normal approximation: x is within the bound of
a POD p as long as the best model that has POD p at x is no worse than 2 ln(L/L') = z^2. The model
runs from 0 to 1 and takes every target as independent; where many large deposits are missed, or
where few of one connector stand for many, it says too much, so `largest` (the share found among the
largest fifth) stands beside it.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from .intervals import Figure, share

__all__ = ["ONE_SIDED_Z", "Detection", "Logit", "ascend", "fit_detection", "fit_logit"]

ONE_SIDED_Z = 1.6448536269514722  # standard normal, 95 %
LEAST_TARGETS = 60  # MIL-HDBK-1823A for hit/miss
LONGEST = 20.0  # of a Newton step, in logits
FARTHEST = 40.0  # spans of x beyond the data at which a bound counts as infinite

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Logit:
    """logit p = intercept + slope * x, by maximum likelihood; `log_likelihood` of the data."""

    intercept: float
    slope: float
    log_likelihood: float
    x: Floats
    hit: Floats
    weight: Floats

    def at(self, p: float) -> float:
        """The x of probability `p`."""
        return (math.log(p / (1 - p)) - self.intercept) / self.slope

    def bound(self, p: float, z: float, upper: bool = True) -> float | None:
        """The farthest x that may have probability `p`, by profile likelihood; None = infinite.

        `z`: standard normal quantile, 1.645 for a one-sided bound of 95 %.
        """
        best, target = self.at(p), math.log(p / (1 - p))
        span = max(float(np.ptp(self.x)), 1e-9)

        def excess(x: float) -> float:
            return 2 * (self.log_likelihood - self._profile(x, target)) - z * z

        step = 0.02 * span * (1 if upper else -1)
        inner, outer = best, best + step
        while excess(outer) < 0:
            if abs(outer - best) > FARTHEST * span:
                return None
            inner, step = outer, 1.5 * step
            outer += step
        return _root(excess, inner, outer)

    def _profile(self, x: float, target: float) -> float:
        """The largest log likelihood of models whose logit at `x` is `target`."""
        away = (self.x - x)[:, None]
        slope = ascend(away, np.full(self.x.size, target), self.hit, self.weight)
        return _log_likelihood(away @ slope + target, self.hit, self.weight)


def _root(function: Callable[[float], float], inner: float, outer: float) -> float:
    from scipy import optimize

    kit: Any = optimize
    return float(kit.brentq(function, inner, outer, xtol=1e-9))


def _log_likelihood(eta: Floats, hit: Floats, weight: Floats) -> float:
    return float(weight @ (hit * eta - np.logaddexp(0, eta)))


def ascend(design: Floats, offset: Floats, hit: Floats, weight: Floats) -> Floats:
    """Newton's method for logit p = offset + design @ b, with halved steps where it overshoots.

    Where nearly all p are 0 or 1 the curve is flat and a plain step is as good as infinite: no step
    moves a logit by more than `LONGEST`.
    """
    b = np.zeros(design.shape[1])
    value = _log_likelihood(offset + design @ b, hit, weight)
    for _ in range(200):
        eta = offset + design @ b
        p = np.exp(-np.logaddexp(0, -eta))
        slope = design.T @ (weight * (hit - p))
        curve = (design * (weight * p * (1 - p))[:, None]).T @ design
        curve += 1e-12 * np.eye(b.size) * max(float(np.trace(curve)), 1e-300)
        step = np.linalg.lstsq(curve, slope, rcond=None)[0]
        step = step / max(1.0, float(np.abs(design @ step).max()) / LONGEST)
        while True:
            better = _log_likelihood(offset + design @ (b + step), hit, weight)
            if better >= value or np.abs(step).max() < 1e-13:
                break
            step = step / 2
        b, gained, value = b + step, better - value, better
        if gained < 1e-12 * (1 + abs(value)):
            break
    return b


def fit_logit(x: Sequence[float] | Floats, hit: Any, weight: Any = None) -> Logit:
    """The model's maximum likelihood. x [n]; hit [n]: 0, 1, or a share of `weight` [n] trials.

    Raises ValueError where no maximum exists: all or none hit, or hits and misses apart in x.
    """
    x, hit = np.asarray(x, np.float64), np.asarray(hit, np.float64)
    weight = np.ones(x.size) if weight is None else np.asarray(weight, np.float64)
    if x.size == 0:
        raise ValueError("no targets")
    missed, found = x[(hit < 1) & (weight > 0)], x[(hit > 0) & (weight > 0)]
    if found.size == 0 or missed.size == 0:
        raise ValueError("all were found" if missed.size == 0 else "none was found")
    if found.min() >= missed.max() or missed.min() >= found.max():
        raise ValueError("one size divides the found from the missed")
    middle, scale = float(x.mean()), float(x.std()) or 1.0
    design = np.stack([np.ones(x.size), (x - middle) / scale], axis=1)
    b = ascend(design, np.zeros(x.size), hit, weight)
    value = _log_likelihood(design @ b, hit, weight)
    slope = float(b[1] / scale)
    return Logit(float(b[0]) - slope * middle, slope, value, x, hit, weight)


@dataclass(frozen=True)
class Detection:
    """Probability of detection of one group of targets, sizes in the unit they were given in.

    `a90_95` None beside an `a90`: no finite bound at 95 %. `beyond`: a90 lies above all sizes
    tried, an extrapolation. `enough`: at least 60 targets. `why_not`: why there is no fit.
    `largest`: found among the largest fifth. `curve`: rows (POD, size, upper 95 % bound of it).
    """

    n: int
    found: int
    a50: float | None = None
    a90: float | None = None
    a90_95: float | None = None
    intercept: float | None = None
    slope: float | None = None
    beyond: bool = False
    enough: bool = False
    why_not: str | None = None
    largest: Figure = Figure(None, None, None, 0)
    curve: tuple[tuple[float, float, float | None], ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self) | {"largest": self.largest.as_dict()}


CURVE = (0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 0.98)


def fit_detection(size: Sequence[float], found: Sequence[bool]) -> Detection:
    """Fit sizes (positive) and whether each was found; says why where no model fits."""
    sizes, hits = np.asarray(size, np.float64), np.asarray(found, bool)
    n, hit = int(sizes.size), int(hits.sum())
    top = hits[np.argsort(sizes, kind="stable")[n - n // 5 :]]
    plain = Detection(
        n, hit, enough=n >= LEAST_TARGETS, largest=share(int(top.sum()), int(top.size))
    )
    try:
        fit = fit_logit(np.log(sizes), hits)
    except ValueError as error:
        return replace(plain, why_not=str(error))
    if fit.slope <= 0:
        return replace(plain, why_not="larger ones are not found more often")
    a90 = math.exp(min(fit.at(0.9), 700.0))
    curve = tuple((p, _size(fit.at(p)), _size_or_none(fit.bound(p, ONE_SIDED_Z))) for p in CURVE)
    return replace(
        plain,
        a50=_size(fit.at(0.5)),
        a90=a90,
        a90_95=_size_or_none(fit.bound(0.9, ONE_SIDED_Z)),
        intercept=fit.intercept,
        slope=fit.slope,
        beyond=a90 > float(sizes.max()),
        curve=curve,
    )


def _size(x: float) -> float:
    return math.exp(min(x, 700.0))


def _size_or_none(x: float | None) -> float | None:
    return None if x is None else _size(x)
