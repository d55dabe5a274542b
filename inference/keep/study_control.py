"""The control connector: one that stays as it is, inspected each shift to watch the inspecting.

A chart of individual values (NIST/SEMATECH e-Handbook 6.3.2.2), with two of the Western Electric
rules (6.3.2): a value beyond three sigma, or eight in a row on one side of the centre line.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from .statistics import Limits
from .study_data import RESHOOT, LookTable

__all__ = ["ControlChart", "ControlPoint", "control_chart", "individual_limits"]

BASELINE = 20  # values that the limits come from; common practice: 20 or more
RUN = 8
_PER_MOVING_RANGE = 3 / 1.128  # three sigma, from the mean range of two values in a row


@dataclass(frozen=True)
class ControlPoint:
    """One inspection of the control connector. `signal`: beyond a limit, or the eighth of a run."""

    created_at: str
    value: float
    signal: Literal["beyond", "run"] | None


@dataclass(frozen=True)
class ControlChart:
    """Deposits found on the control connector, in order.

    `settled`: whether the limits rest on enough values. `stop`: whether the newest value asks to
    stop inspecting until the reason is found.
    """

    label: str
    limits: Limits
    points: tuple[ControlPoint, ...]
    settled: bool

    @property
    def stop(self) -> bool:
        """The newest value gives a signal."""
        return self.points[-1].signal is not None


def individual_limits(values: Sequence[float]) -> Limits:
    """Limits of individual values: mean +/- 3 / 1.128 times the mean moving range of two.

    The lower one may be below 0. ValueError with fewer than two values.
    """
    if len(values) < 2:
        raise ValueError("limits need at least two values")
    mean = sum(values) / len(values)
    ranges = [abs(b - a) for a, b in zip(values, values[1:], strict=False)]
    half = _PER_MOVING_RANGE * sum(ranges) / len(ranges)
    return Limits(mean, mean - half, mean + half)


def control_chart(looks: LookTable, label: str) -> ControlChart | None:
    """The chart of one connector's inspections, oldest first; None with fewer than two values.

    The first 20 values set the limits. A reshoot is passed over.
    """
    own = looks.labelled(label) & (looks.deposits >= 0) & (looks.verdict != RESHOOT)
    rows: list[int] = np.flatnonzero(own).tolist()
    told = sorted((looks.created_at[k], float(looks.deposits[k])) for k in rows)
    if len(told) < 2:
        return None
    values = [value for _, value in told]
    limits = individual_limits(values[:BASELINE])
    points = tuple(
        ControlPoint(created_at, value, _signal(values[: k + 1], limits))
        for k, (created_at, value) in enumerate(told)
    )
    return ControlChart(label, limits, points, len(values) >= BASELINE)


def _signal(values: Sequence[float], limits: Limits) -> Literal["beyond", "run"] | None:
    """What the newest of the values says."""
    if not limits.low <= values[-1] <= limits.high:
        return "beyond"
    last = values[-RUN:]
    above = all(value > limits.center for value in last)
    below = all(value < limits.center for value in last)
    return "run" if len(last) == RUN and (above or below) else None
