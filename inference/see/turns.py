"""The turns of the views: what was stated, the camera's roll, and what a square mouth shows."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .connector_fit import LEAN_X, LEAN_Y

__all__ = ["Turns", "bottom_offset_deg", "camera_turn_deg", "settle_turns", "tilt_and_roll_deg"]

Floats = npt.NDArray[np.float64]

STATED_SD_DEG = 3.0  # of a stated turn
SHOWN_SD_DEG = 0.7  # of a turn against the others, told by what they all show
MOST_ERROR_DEG = 8.0  # a larger disagreement with a stated turn is not put down to the dial
ASKEW_DEG = 20.0  # up to here a roll counts as the camera held askew,
ASKEW_FRONT_DEG = 8.0  # in a view nearly from the front, which may lean anywhere, up to here
FRONT_TILT_DEG = 10.0


@dataclass(frozen=True)
class Turns:
    """Per view the camera's azimuth and its standard deviation (None: not stated), deg.

    `key_deg`: the direction of what the views share, None if they share nothing.
    """

    turn_deg: tuple[float, ...]
    sd_deg: tuple[float | None, ...]
    key_deg: float | None


def bottom_offset_deg(tilt_deg: float, roll_deg: float) -> float:
    """theta at the bottom of the picture (straight below the fibre) less the camera's turn."""
    tilt, roll = np.radians([tilt_deg, roll_deg])
    return float(np.degrees(np.arctan2(np.sin(roll) * np.cos(tilt), np.cos(roll))))


def camera_turn_deg(stated_deg: float, tilt_deg: float, roll_deg: float) -> float:
    """The camera's azimuth about the axis for a view of stated turn.

    The turn is the azimuth from which the camera looks, and that side lies at the picture's bottom.
    The two differ when the picture is rolled. A little roll is a camera held askew, and the azimuth
    is meant. A large one means that the lean is no turn on the dial (a front view that leans
    somewhere), and what lies at the bottom counts.
    """
    if abs(roll_deg) <= (ASKEW_FRONT_DEG if tilt_deg < FRONT_TILT_DEG else ASKEW_DEG):
        return stated_deg % 360.0
    return (stated_deg - bottom_offset_deg(tilt_deg, roll_deg)) % 360.0


def tilt_and_roll_deg(view: Floats) -> tuple[float, float]:
    """Tilt and roll (deg) of a view's parameters."""
    x, y = float(view[LEAN_X]), float(view[LEAN_Y])
    return float(np.degrees(np.hypot(x, y))), float(np.degrees(np.arctan2(x, y)))


def settle_turns(
    views: Floats,
    stated_deg: Sequence[float | None],
    shown_deg: Sequence[float | None],
    period_deg: float,
    trusted: bool = True,
) -> Turns:
    """The turns of the fitted views [V, 8] with stated turns (None: 0 within that view).

    `shown_deg`: per view the direction, from the camera's azimuth, of something that all views
    share: a side of the square mouth (`period_deg` 90) or the lean of an angled endface (360). A
    stated turn is good to about 3 deg; that direction tells how views are turned against each other
    far better, so they share out their differences, unless it is not `trusted`.
    """
    turns = [
        camera_turn_deg(turn or 0.0, *tilt_and_roll_deg(view))
        for turn, view in zip(stated_deg, views, strict=True)
    ]
    sds = [None if turn is None else STATED_SD_DEG for turn in stated_deg]
    marks = {
        row: turns[row] + shown
        for row, shown in enumerate(shown_deg)
        if shown is not None and sds[row] is not None
    }
    if not marks:
        return Turns(tuple(turns), tuple(sds), None)
    folds = 360.0 / period_deg
    around = np.exp(1j * np.radians(np.array(list(marks.values())) * folds))
    key = float(np.degrees(np.angle(around.mean())) / folds % period_deg)
    half = period_deg / 2
    off = {row: (mark - key + half) % period_deg - half for row, mark in marks.items()}
    if trusted and len(marks) > 1 and max(abs(v) for v in off.values()) <= MOST_ERROR_DEG:
        for row, amount in off.items():
            turns[row] = (turns[row] - amount) % 360.0
            sds[row] = SHOWN_SD_DEG
    return Turns(tuple(turns), tuple(sds), key)
