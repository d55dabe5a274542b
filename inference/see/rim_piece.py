"""A short piece of a rim, on which the picture's blur is measured."""

from dataclasses import dataclass

__all__ = ["HALF_LENGTH_PX", "HALF_WIDTH_PX", "RimPiece"]

HALF_LENGTH_PX, HALF_WIDTH_PX = 12, 14  # along and across


@dataclass(frozen=True)
class RimPiece:
    """A piece of rim: its middle (x, y) px and its unit normal."""

    x: float
    y: float
    nx: float
    ny: float
