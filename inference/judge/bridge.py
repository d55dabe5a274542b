"""Grains that hold two mated ferrules apart, and what they do to the joint.

Two domes of radius R1 and R2 (um) that touch at their apexes leave, at radius r from the axis, the
gap r^2/2 (1/R1 + 1/R2); for like domes r^2/R. A hard grain thicker than that gap bridges it. Where
the apexes lie beside the axis, the domes touch at the middle m between them, and the gap at x is
|x - m|^2/R. On angled endfaces all of this holds in the plane that touches both faces, which is
tilted to the axis. Grain and ferrule are taken as rigid: the worst case, not a prediction.
"""

from dataclasses import dataclass
from math import asin, degrees, hypot, isfinite, pi, sin, sqrt

from ...model.families import FAMILIES, ConnectorFamily
from ...model.kinds import KINDS
from ...model.shape import ConnectorShape
from ...model.surfaces import Surface
from ..see.fuse import Deposit
from .harm import Harm, harm_of_gap, harm_of_shift

__all__ = [
    "APEX_OFFSET_UM",
    "Bridge",
    "HertzContact",
    "Wedge",
    "bridge_of",
    "bridge_radius_um",
    "from_front_um",
    "gap_um",
    "hertz_contact",
    "mean_pressure_mpa",
    "offset_gap_um",
    "offset_rest_gap_um",
    "rest_gap_um",
    "sleeve_reach_um",
    "spring_force_n",
    "upright_ends_um",
    "wedge_of",
]

APEX_OFFSET_UM = 50.0  # the most that GR-326 lets pass, from memory
ZIRCONIA_YOUNG_GPA = 210.0  # common value for partly stabilised zirconia
ZIRCONIA_POISSON = 0.3


def effective_radius_um(radius1_um: float, radius2_um: float | None = None) -> float:
    """R such that the gap between both domes is r^2/R: the harmonic mean of the two radii (um)."""
    second = radius1_um if radius2_um is None else radius2_um
    return 2.0 / (1.0 / radius1_um + 1.0 / second)


def gap_um(radius_um: float, dome1_um: float, dome2_um: float | None = None) -> float:
    """Gap (um) at `radius_um` from the axis between two domes in contact; like domes by default.

    Parabola r^2/R: for r = 1250 um and R = 5 mm it is 1.6 % below the exact sphere.
    """
    return radius_um**2 / effective_radius_um(dome1_um, dome2_um)


def bridge_radius_um(grain_um: float, dome1_um: float, dome2_um: float | None = None) -> float:
    """Radius (um) within which a rigid grain of this height keeps the domes apart: sqrt(d R)."""
    return sqrt(grain_um * effective_radius_um(dome1_um, dome2_um))


def rest_gap_um(
    grain_um: float, radius_um: float, dome1_um: float, dome2_um: float | None = None
) -> float:
    """Gap (um) left at the fibre by a rigid grain at `radius_um`, axes parallel; 0 if it fits."""
    return max(0.0, grain_um - gap_um(radius_um, dome1_um, dome2_um))


def offset_gap_um(
    radius_um: float, apex_offset_um: float, dome1_um: float, dome2_um: float | None = None
) -> float:
    """Least gap (um) at `radius_um` with the apexes up to `apex_offset_um` beside the fibre.

    The worst is both towards that place: (r - e)^2/R.
    """
    return gap_um(max(0.0, radius_um - apex_offset_um), dome1_um, dome2_um)


def offset_rest_gap_um(
    grain_um: float,
    radius_um: float,
    apex_offset_um: float,
    dome1_um: float,
    dome2_um: float | None = None,
) -> float:
    """Most that a rigid grain can leave open at the fibre (um); 0 if it fits.

    The apexes may lie up to `apex_offset_um` beside the fibre. The worst is both towards the grain:
    the gap there shrinks to (r - e)^2/R, that at the fibre grows by e^2/R.
    """
    if grain_um <= offset_gap_um(radius_um, apex_offset_um, dome1_um, dome2_um):
        return 0.0
    dome_um = effective_radius_um(dome1_um, dome2_um)
    return grain_um + (2 * radius_um * apex_offset_um - radius_um**2) / dome_um


@dataclass(frozen=True)
class HertzContact:
    """Contact of two spheres: diameter (um), peak and mean pressure (MPa), approach (um)."""

    diameter_um: float
    peak_mpa: float
    mean_mpa: float
    approach_um: float


def hertz_contact(
    force_n: float,
    dome1_um: float,
    dome2_um: float | None = None,
    young_gpa: float = ZIRCONIA_YOUNG_GPA,
    poisson: float = ZIRCONIA_POISSON,
) -> HertzContact:
    """Hertz contact of two domes of one material (K. L. Johnson, Contact Mechanics, ch. 4).

    a^3 = 3 F R' / (4 E'), 1/R' = 1/R1 + 1/R2, E' = E / (2 (1 - nu^2)), approach a^2/R',
    mean F / (pi a^2), peak 3/2 of it. N, um, GPa in; um and MPa out.
    """
    relative_um = effective_radius_um(dome1_um, dome2_um) / 2
    modulus_mpa = young_gpa * 1e3 / (2 * (1 - poisson**2))  # MPa = N/mm2
    radius_mm = (3 * force_n * relative_um * 1e-3 / (4 * modulus_mpa)) ** (1 / 3)
    mean = force_n / (pi * radius_mm**2)
    return HertzContact(
        diameter_um=2e3 * radius_mm,
        peak_mpa=1.5 * mean,
        mean_mpa=mean,
        approach_um=radius_mm**2 / (relative_um * 1e-3) * 1e3,
    )


def mean_pressure_mpa(force_n: float, diameter_um: float) -> float:
    """Force over the area of a disc: MPa."""
    return force_n / (pi * (diameter_um * 1e-3) ** 2 / 4)


@dataclass(frozen=True)
class Bridge:
    """What a hard grain on the dome does as it lies (um); the rigid worst case.

    `grain_um`: its height, taken as its area-equivalent size. `radius_um`: its nearest point to the
    axis. `dome_um`: the domes' radius. `radius_limit_um`: bridge radius, clipped at the endface's
    edge. `rest_gap_um`: what it leaves open at the fibre. `harm`: by the rest gap, empty where
    there is none. `contact_um`, `contact_peak_mpa`: diameter and highest pressure of the clean
    joint's Hertz contact under the spring's `spring_n`.
    With the apexes up to `apex_offset_um` beside the fibre, at worst: `may_bridge`, out to
    `offset_radius_limit_um`, leaving `offset_rest_gap_um`; then `harm` is by that if it would not
    bridge otherwise.
    """

    bridges: bool
    grain_um: float
    radius_um: float
    gap_um: float
    radius_limit_um: float
    rest_gap_um: float
    contact_um: float
    harm: tuple[Harm, ...]
    assumes: str
    dome_um: float
    apex_offset_um: float
    may_bridge: bool
    offset_radius_limit_um: float
    offset_rest_gap_um: float
    contact_peak_mpa: float
    spring_n: float


@dataclass(frozen=True)
class Wedge:
    """Upper bound on what a hard grain between barrel and sleeve does to the ferrule's end.

    `offset_um` sideways at the endface, `tilt_deg` of the axis, `harm` by both.
    """

    grain_um: float
    from_front_um: float
    sleeve_reach_um: float
    offset_um: float
    tilt_deg: float
    harm: tuple[Harm, ...]
    assumes: str


_HARD = {row.kind for row in KINDS if row.hard}


def _is_grain(deposit: Deposit) -> bool:
    """Hard and of known size."""
    return deposit.kind in _HARD and isfinite(deposit.size_um)


def _family(shape: ConnectorShape) -> ConnectorFamily:
    """A family whose ferrule is nearest in size: sleeve and spring do not depend on the finish."""
    wanted = 2 * shape.ferrule_radius_um
    return min(FAMILIES, key=lambda family: abs(family.ferrule_diameter.nominal - wanted))


def spring_force_n(shape: ConnectorShape) -> float:
    """Nominal force (N) with which this ferrule size is pressed; see families for the source."""
    return _family(shape).spring_force.nominal


def sleeve_reach_um(shape: ConnectorShape) -> float:
    """How far (um) from the mating plane the sleeve covers one ferrule: half the sleeve."""
    return _family(shape).sleeve_length.nominal / 2


def bridge_of(
    deposit: Deposit,
    shape: ConnectorShape,
    angle_deg: float = 0.0,
    apex_offset_um: float = APEX_OFFSET_UM,
) -> Bridge | None:
    """Whether a deposit bridges; None where the model does not hold or the place is unknown.

    Only hard kinds on the dome. The mating dome is taken as alike, and as keyed alike where the
    endface is angled (by `angle_deg`, or as fitted): then both touch in the plane of the faces, and
    the way along the surface is the radius there.
    """
    on_dome = deposit.surface in (Surface.FIBER, Surface.ENDFACE)
    nearest = deposit.s_min_um if deposit.s_min_um is not None else deposit.s_um
    if not _is_grain(deposit) or not on_dome or nearest is None:
        return None
    dome, size, angle = shape.dome_radius_um, deposit.size_um, angle_deg or shape.apc_angle_deg
    radius = dome * sin(nearest / dome)
    limit, gap = bridge_radius_um(size, dome), gap_um(radius, dome)
    rest = rest_gap_um(size, radius, dome)
    offset_rest = offset_rest_gap_um(size, radius, apex_offset_um, dome)
    opens = rest or offset_rest
    spring = spring_force_n(shape)
    contact = hertz_contact(spring, dome)
    tilted = f", faces angled by {angle:.0f} deg and keyed alike" if angle > 0 else ""
    assumes = f"rigid grain as high as its size, a like dome opposite, apexes on the axis{tilted}"
    return Bridge(
        bridges=size > gap,
        grain_um=size,
        radius_um=radius,
        gap_um=gap,
        radius_limit_um=min(limit, shape.endface_edge_um),
        rest_gap_um=rest,
        contact_um=contact.diameter_um,
        harm=harm_of_gap(opens, angle) if opens > 0 else (),
        assumes=assumes,
        dome_um=dome,
        apex_offset_um=apex_offset_um,
        may_bridge=offset_rest > 0,
        offset_radius_limit_um=min(limit + apex_offset_um, shape.endface_edge_um),
        offset_rest_gap_um=offset_rest,
        contact_peak_mpa=contact.peak_mpa,
        spring_n=spring,
    )


def wedge_of(deposit: Deposit, shape: ConnectorShape) -> Wedge | None:
    """Bound on offset and tilt from a hard grain on the barrel within the sleeve's reach, else
    None.

    The ferrule gives way by the grain's whole height where it lies; how it turns about that place
    nobody knows, so the worse of two ways counts (`_pivoting`, `_bedded`), for each figure by
    itself. Offset at most twice the height, tilt at most two heights over the sleeve's reach.
    """
    if not _is_grain(deposit) or deposit.surface != Surface.BARREL or deposit.s_min_um is None:
        return None
    reach = sleeve_reach_um(shape)
    at = from_front_um(deposit.s_min_um, shape)
    if at > reach:
        return None
    height = deposit.size_um
    ways = _pivoting(at / reach), _bedded(at / reach)
    offset = height * max(way[0] for way in ways)
    tilt = degrees(height / reach * max(way[1] for way in ways))
    return Wedge(
        grain_um=height,
        from_front_um=at,
        sleeve_reach_um=reach,
        offset_um=offset,
        tilt_deg=tilt,
        harm=harm_of_shift(offset, tilt),
        assumes="rigid grain as high as its size, rigid ferrule, split sleeve without clearance",
    )


def _pivoting(at: float) -> tuple[float, float]:
    """A ferrule that rests where the overlap ends farther from the grain, by the lever's law.

    `at`: the grain's way from the front over the sleeve's reach L, 0..1. Gives the end face's
    offset over the grain's height h, and the tilt (rad) over h / L. Grain nearer to the front: it
    turns about the sleeve's mouth, h L / (L - x). Nearer to the mouth: it turns about the front or
    shifts bodily, at most h.
    """
    return 1 / (1 - at) if at <= 0.5 else 1.0, 1 / max(at, 1 - at)


def _bedded(at: float) -> tuple[float, float]:
    """The same for a ferrule in a sleeve that gives way evenly all along (Winkler's bedding).

    A rigid bar u(z) = a + b z with u(x) = h and the least energy, the integral of u^2 over 0..L:
    u(0) = h (1 - 6 k) / (1 + 12 k^2), b = h / L 12 k / (1 + 12 k^2), k = x/L - 1/2. Own derivation
    from the textbook's bedding.
    """
    k = at - 0.5
    stiff = 1 + 12 * k * k
    return abs(1 - 6 * k) / stiff, 12 * abs(k) / stiff


def upright_ends_um(shape: ConnectorShape) -> tuple[float, float]:
    """Path lengths (um) at which the endface and the chamfer of an upright connector end."""
    dome = shape.dome_radius_um
    edge = dome * asin(shape.endface_edge_um / dome)
    slant = hypot(shape.ferrule_radius_um - shape.endface_edge_um, shape.chamfer_depth_um)
    return edge, edge + slant


def from_front_um(s_um: float, shape: ConnectorShape) -> float:
    """Axial distance (um) from the endface's edge to a path length on the barrel."""
    return max(0.0, s_um - upright_ends_um(shape)[1]) + shape.chamfer_depth_um
