"""Connector families as data: dimensions with their ranges, sources and how sure they are.

`sure` says how a number was obtained: "read" (in the named source), "secondary" (quoted by a source
that was read), "memory" (common knowledge of the trade, not looked up), "calculated" (from other
rows), "assumed" (no source found: measure real parts). Shapes built from "assumed" rows serve as
starting points for a fit, never as evidence.
"""

from dataclasses import dataclass
from typing import Literal

from .shape import ConnectorShape

__all__ = ["FAMILIES", "ConnectorFamily", "Dimension", "default_shape", "find_family"]

Sure = Literal["read", "secondary", "memory", "calculated", "assumed"]


@dataclass(frozen=True)
class Dimension:
    """A nominal value with its range; `unit` is um, deg or n (newton)."""

    nominal: float
    low: float
    high: float
    unit: Literal["um", "deg", "n"]
    source: str
    sure: Sure


@dataclass(frozen=True)
class ConnectorFamily:
    """One family of single-fibre plugs with a cylindrical ferrule.

    `ferrule_diameter` and `endface_edge_diameter` (the pedestal) are diameters; `chamfer_angle` is
    taken from the face unless its source says otherwise; `sleeve_length` is the whole split sleeve.
    """

    name: str
    ferrule_mm: float
    finish: Literal["pc", "apc"]
    interfaces: tuple[str, ...]
    ferrule_diameter: Dimension
    dome_radius: Dimension
    endface_edge_diameter: Dimension
    chamfer_angle: Dimension
    chamfer_depth: Dimension
    protrusion: Dimension
    apc_angle: Dimension
    barrel_length: Dimension
    cavity_half_width: Dimension
    cavity_depth: Dimension
    sleeve_length: Dimension
    spring_force: Dimension


_NOT_FOUND = "no drawing could be read; measure real parts"
_SUMMARY_61754_4 = "public summary of IEC 61754-4"
_LC_MANUAL = "LC termination manual, Table C (maker unnamed)"

_DIAMETER_25 = Dimension(2499.0, 2498.5, 2499.5, "um", _SUMMARY_61754_4, "secondary")
_DIAMETER_125 = Dimension(1249.0, 1248.5, 1249.5, "um", "common specification", "memory")
_RADIUS_PC_25 = Dimension(
    20000.0, 10000.0, 25000.0, "um", "GR-326; IEC 61755-3-1 allows 5 to 30 mm by grade", "memory"
)
_RADIUS_PC_125 = Dimension(12000.0, 7000.0, 25000.0, "um", _LC_MANUAL, "read")
_RADIUS_APC = Dimension(8000.0, 5000.0, 12000.0, "um", "IEC 61755-3-2", "memory")
_EDGE_25 = Dimension(1400.0, 1400.0, 2100.0, "um", "what chamfers leave; from memory", "memory")
_EDGE_25_APC = Dimension(1400.0, 1300.0, 1500.0, "um", "conical or stepped fronts", "memory")
_EDGE_125 = Dimension(900.0, 800.0, 1000.0, "um", _LC_MANUAL, "read")
_CHAMFER_ANGLE = Dimension(30.0, 25.0, 35.0, "deg", _LC_MANUAL, "read")
_CHAMFER_ANGLE_25 = Dimension(30.0, 25.0, 35.0, "deg", "taken over from the LC manual", "assumed")
# run x tan 30 deg if the angle is from the face; x tan 60 deg (0.302 mm) if from the axis
_CHAMFER_DEPTH_125 = Dimension(
    101.0,
    101.0,
    302.0,
    "um",
    "LC manual's 30 deg, from the face or from the axis: unsaid",
    "calculated",
)
_CHAMFER_DEPTH_25 = Dimension(
    317.0, 317.0, 952.0, "um", "30 deg from the face or from the axis: unsaid", "calculated"
)
_PROTRUSION = Dimension(
    0.0, -0.1, 0.05, "um", "LC manual: protrusion <= 50 nm; undercut from memory", "read"
)
_UPRIGHT = Dimension(0.0, 0.0, 0.0, "deg", "PC by definition", "read")
_ANGLED = Dimension(
    8.0, 8.0, 9.0, "deg", "EN 61755-3-6/-3-8 (8 deg); FprEN 50377-4-3 (9 deg)", "read"
)
_BARREL_25 = Dimension(7000.0, 5000.0, 9000.0, "um", _NOT_FOUND, "assumed")
_BARREL_125 = Dimension(5000.0, 3500.0, 7500.0, "um", _NOT_FOUND, "assumed")
_CAVITY_25 = Dimension(2500.0, 1900.0, 3300.0, "um", _NOT_FOUND, "assumed")
_CAVITY_125 = Dimension(1600.0, 1100.0, 2200.0, "um", _NOT_FOUND, "assumed")
_DEPTH_25 = Dimension(5500.0, 3000.0, 8000.0, "um", _NOT_FOUND, "assumed")
_DEPTH_125 = Dimension(4000.0, 2500.0, 6000.0, "um", _NOT_FOUND, "assumed")
_SLEEVE_25 = Dimension(
    11400.0, 11400.0, 11400.0, "um", "split sleeve, from memory: check", "memory"
)
_SLEEVE_125 = Dimension(6800.0, 6800.0, 6800.0, "um", "split sleeve, from memory: check", "memory")
_FORCE_25 = Dimension(9.8, 7.8, 11.8, "n", "public notes of IEC 61754-24:2009", "secondary")
_FORCE_125 = Dimension(5.5, 5.0, 6.0, "n", "IEC 61754-20", "memory")

FAMILIES = (
    ConnectorFamily(
        "2.5-pc", 2.5, "pc", ("SC", "FC", "ST", "LSH"),
        _DIAMETER_25, _RADIUS_PC_25, _EDGE_25, _CHAMFER_ANGLE_25, _CHAMFER_DEPTH_25, _PROTRUSION,
        _UPRIGHT, _BARREL_25, _CAVITY_25, _DEPTH_25, _SLEEVE_25, _FORCE_25,
    ),
    ConnectorFamily(
        "2.5-apc", 2.5, "apc", ("SC", "FC", "LSH"),
        _DIAMETER_25, _RADIUS_APC, _EDGE_25_APC, _CHAMFER_ANGLE_25, _CHAMFER_DEPTH_25, _PROTRUSION,
        _ANGLED, _BARREL_25, _CAVITY_25, _DEPTH_25, _SLEEVE_25, _FORCE_25,
    ),
    ConnectorFamily(
        "1.25-pc", 1.25, "pc", ("LC", "MU"),
        _DIAMETER_125, _RADIUS_PC_125, _EDGE_125, _CHAMFER_ANGLE, _CHAMFER_DEPTH_125, _PROTRUSION,
        _UPRIGHT, _BARREL_125, _CAVITY_125, _DEPTH_125, _SLEEVE_125, _FORCE_125,
    ),
    ConnectorFamily(
        "1.25-apc", 1.25, "apc", ("LC", "MU"),
        _DIAMETER_125, _RADIUS_APC, _EDGE_125, _CHAMFER_ANGLE, _CHAMFER_DEPTH_125, _PROTRUSION,
        _ANGLED, _BARREL_125, _CAVITY_125, _DEPTH_125, _SLEEVE_125, _FORCE_125,
    ),
)  # fmt: skip


def find_family(ferrule_mm: float, finish: Literal["pc", "apc"] = "pc") -> ConnectorFamily:
    """The family of a ferrule size (2.5 or 1.25 mm) and finish; KeyError if there is none."""
    for family in FAMILIES:
        if family.ferrule_mm == ferrule_mm and family.finish == finish:
            return family
    raise KeyError(f"no family with a {ferrule_mm:g} mm ferrule and finish {finish}")


def default_shape(family: ConnectorFamily) -> ConnectorShape:
    """The family's nominal dimensions as a shape: where a fit starts, not a measurement."""
    return ConnectorShape(
        ferrule_radius_um=family.ferrule_diameter.nominal / 2,
        dome_radius_um=family.dome_radius.nominal,
        endface_edge_um=family.endface_edge_diameter.nominal / 2,
        chamfer_depth_um=family.chamfer_depth.nominal,
        barrel_length_um=family.barrel_length.nominal,
        cavity_radius_um=family.cavity_half_width.nominal,
        cavity_depth_um=family.cavity_depth.nominal,
        cavity_corner=1.0,
        apc_angle_deg=family.apc_angle.nominal,
    )
