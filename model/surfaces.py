"""The surfaces a pixel can show, in one table. Every list of surfaces derives from it."""

from dataclasses import dataclass
from enum import IntEnum

__all__ = ["SURFACES", "SURFACE_NAMES", "Surface", "SurfaceRow", "on_surface"]


class Surface(IntEnum):
    """Index of a surface in masks and in the net's `surface` output."""

    SURROUND = 0
    HOUSING = 1
    CAVITY = 2
    BARREL = 3
    CHAMFER = 4
    ENDFACE = 5
    FIBER = 6


@dataclass(frozen=True)
class SurfaceRow:
    """One surface: its index, its name in every output, and what it is."""

    surface: Surface
    name: str
    meaning: str
    on_ferrule: bool


SURFACES = (
    SurfaceRow(Surface.SURROUND, "surround", "whatever is not the connector", False),
    SurfaceRow(Surface.HOUSING, "housing", "the plug's body, outside and front rim", False),
    SurfaceRow(Surface.CAVITY, "cavity", "the space round the ferrule: floor and wall", False),
    SurfaceRow(Surface.BARREL, "barrel", "the ferrule's cylindrical side", True),
    SurfaceRow(Surface.CHAMFER, "chamfer", "the cone between barrel and endface", True),
    SurfaceRow(Surface.ENDFACE, "endface", "the polished dome, without the fibre", True),
    SurfaceRow(Surface.FIBER, "fiber", "the 125 um disc of the fibre", True),
)
SURFACE_NAMES = tuple(row.name for row in SURFACES)


def on_surface(name: str) -> str:
    """Where something on the surface of this name lies: "on the barrel", "in the cavity"."""
    return f"{'in' if name == SURFACE_NAMES[Surface.CAVITY] else 'on'} the {name}"
