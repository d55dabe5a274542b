"""Sightings of all views joined into one list of physical deposits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ...model.kinds import Kind
from ...model.surfaces import Surface

if TYPE_CHECKING:
    from .deposits import SeenDeposit

__all__ = ["Deposit"]


@dataclass(frozen=True)
class Deposit:
    """One physical deposit, however many views show it.

    Lengths in um, areas in um2, `theta_deg` in [0, 360), `confidence` in 0..1. `s_um`, `theta_deg`
    and their neighbours are None where the place is unknown or (theta) the deposit lies all round.
    `off_zone`: nothing of it within 125 um of the axis. `unsure`: between the detection floor and
    the threshold. `seen_in`: indices of the views that show it.
    """

    id: int
    kind: Kind
    confidence: float
    surface: Surface
    s_um: float | None
    theta_deg: float | None
    s_min_um: float | None
    s_max_um: float | None
    size_um: float
    area_um2: float
    feret_max_um: float
    width_um: float
    length_um: float | None
    enclosing_um: float
    in_zone_area_um2: float
    off_zone: bool
    unsure: bool
    seen_in: tuple[int, ...]
    sightings: tuple[SeenDeposit, ...] = ()
