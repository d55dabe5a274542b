"""The picture to take next, and how it is drawn."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from .job import Job

__all__ = ["Wanted", "next_of_inspection", "next_of_job"]

# The usual four: one straight from the front, then round the plug. (tilt, turn) in deg.
USUAL = ((0.0, 0.0), (50.0, 0.0), (50.0, 120.0), (50.0, 240.0))
FRONT_DEG = 10.0  # up to this tilt a picture counts as straight from the front
ARM, RADIUS = 54.0, 43.0  # of the drawing, in its own units


@dataclass(frozen=True)
class Wanted:
    """A picture to take, angles in deg.

    `number`: which of the usual four (from 1), None for another. `adds`: by surface's name, what
    share of it the picture would show that none shows yet.
    """

    tilt_deg: float
    turn_deg: float
    number: int | None = None
    adds: Mapping[str, float] | None = None

    @property
    def front(self) -> bool:
        """Whether it is straight from the front."""
        return self.tilt_deg <= FRONT_DEG

    @property
    def turn(self) -> str:
        """The turn as a form takes it."""
        return f"{self.turn_deg:g}"

    @property
    def words(self) -> str:
        """What to do, in one sentence."""
        if self.front:
            held = "straight from the front"
        else:
            usual = "45 to 60" if self.number is not None else f"{self.tilt_deg:.0f}"
            held = f"tilted {usual} degrees away from the ferrule's axis"
        return (
            f"The camera {held}; the side at {self.turn_deg:.0f} degrees at the picture's bottom."
        )

    @property
    def camera(self) -> tuple[float, float]:
        """Where the camera stands in the drawing from the side: the endface is at (0, 0)."""
        tilt = math.radians(0.0 if self.front else self.tilt_deg)
        return round(ARM * math.sin(tilt), 1), round(-ARM * math.cos(tilt), 1)

    @property
    def marks(self) -> list[tuple[int, float, float]]:
        """Angles round the connector and where they are in the picture, the turn at its bottom and
        the rest counter-clockwise: (deg, x, y)."""
        found: list[tuple[int, float, float]] = []
        for deg in range(0, 360, 90):
            away = math.radians(deg - self.turn_deg)
            x, y = RADIUS * math.sin(away), RADIUS * math.cos(away)
            found.append((deg, round(x, 1), round(y, 1)))
        return found


def next_of_job(job: Job) -> Wanted | None:
    """The picture wanted for a case: what an inspection asked for, else one of the usual four."""
    if job.next_tilt_deg is not None and job.next_turn_deg is not None:
        return Wanted(job.next_tilt_deg, job.next_turn_deg)
    if job.more or len(job.shots) >= len(USUAL):
        return None
    return Wanted(*USUAL[len(job.shots)], number=len(job.shots) + 1)


def next_of_inspection(found: Mapping[str, Any] | None) -> Wanted | None:
    """As an inspection's `next_picture` says."""
    if found is None:
        return None
    return Wanted(found["tilt_deg"], found["turn_deg"], adds=found["adds"])
