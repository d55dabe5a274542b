"""Where dirt can lie on its way to the fibre: the places of the reach model, outside in."""

from enum import IntEnum

from ...model.shape import ConnectorShape
from ...model.surfaces import Surface
from ..see.fuse import Deposit
from .bridge import from_front_um, sleeve_reach_um, upright_ends_um
from .zones import ZONE_RADIUS_UM

__all__ = ["CORE_RADIUS_UM", "PLACE_NAMES", "Place", "place_at", "place_from", "place_of"]

CORE_RADIUS_UM = {"sm": 12.5, "mm": 32.5}  # zone A of IEC 61300-3-35, as quoted in zone_tables


class Place(IntEnum):
    """A state of the chain; `CONTACT`, `CORE` and `GONE` end a journey."""

    HOUSING = 0
    CAVITY = 1
    BARREL_BEHIND = 2  # behind what the sleeve covers
    BARREL_SLEEVE = 3  # within the sleeve's length
    BARREL_FRONT = 4  # the part of that nearest to the chamfer
    CHAMFER = 5
    ENDFACE = 6  # beyond the contact zone
    CONTACT = 7  # the graded zones, within 125 um of the axis
    CORE = 8
    GONE = 9


PLACE_NAMES = tuple(place.name.lower().replace("_", "-") for place in Place)

# of a surface whose place on it is unknown: the part nearest to the fibre
_NEAREST = {
    Surface.HOUSING: Place.HOUSING,
    Surface.CAVITY: Place.CAVITY,
    Surface.BARREL: Place.BARREL_FRONT,
    Surface.CHAMFER: Place.CHAMFER,
    Surface.ENDFACE: Place.CONTACT,
    Surface.FIBER: Place.CORE,
}


def place_at(
    surface: Surface, s_um: float | None, shape: ConnectorShape | None, front_um: float, mode: str
) -> Place:
    """The place of a point on a surface at path length `s_um` (um).

    What is not known is taken as nearest to the fibre. `front_um`: length of the barrel's front;
    `mode`: sm | mm, for the size of the core's zone. The surround has no place: KeyError.
    """
    if surface in (Surface.HOUSING, Surface.CAVITY) or s_um is None:
        return _NEAREST[surface]
    if surface in (Surface.ENDFACE, Surface.FIBER):
        if s_um <= CORE_RADIUS_UM[mode]:
            return Place.CORE
        return Place.CONTACT if s_um <= ZONE_RADIUS_UM else Place.ENDFACE
    if surface == Surface.CHAMFER or shape is None:
        return _NEAREST[surface]
    ahead = from_front_um(s_um, shape)
    if ahead > sleeve_reach_um(shape):
        return Place.BARREL_BEHIND
    front = shape.chamfer_depth_um + front_um
    return Place.BARREL_FRONT if ahead <= front else Place.BARREL_SLEEVE


def place_of(deposit: Deposit, shape: ConnectorShape | None, front_um: float, mode: str) -> Place:
    """Where the foremost part of a deposit lies: nothing of it is nearer to the fibre."""
    nearest = deposit.s_min_um if deposit.s_min_um is not None else deposit.s_um
    return place_from(deposit.surface, nearest, shape, front_um, mode)


def place_from(
    surface: Surface,
    nearest: float | None,
    shape: ConnectorShape | None,
    front_um: float,
    mode: str,
) -> Place:
    """The place of what lies on `surface` and comes as near as `nearest` (um) to the fibre."""
    if shape is not None and nearest is not None and surface in _ON_FERRULE:
        surface = max(surface, _surface_at(nearest, shape))
    return place_at(surface, nearest, shape, front_um, mode)


_ON_FERRULE = (Surface.CAVITY, Surface.BARREL, Surface.CHAMFER, Surface.ENDFACE, Surface.FIBER)


def _surface_at(s_um: float, shape: ConnectorShape) -> Surface:
    """The surface that an upright connector has at a path length (um)."""
    endface, chamfer = upright_ends_um(shape)
    if s_um <= endface:
        return Surface.ENDFACE
    if s_um <= chamfer:
        return Surface.CHAMFER
    return Surface.BARREL if s_um <= chamfer + shape.barrel_length_um else Surface.CAVITY
