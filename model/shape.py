"""The dimensions of one connector, as far as its surface goes."""

from dataclasses import dataclass
from math import isfinite

__all__ = ["FIBER_RADIUS_UM", "ConnectorShape"]

FIBER_RADIUS_UM = 62.5  # cladding 125.0 +/- 0.7 um, ITU-T G.652.D and spec sheets


@dataclass(frozen=True)
class ConnectorShape:
    """One connector's dimensions in micrometres; raises ValueError if they cannot be one body.

    `endface_edge_um` is the RADIUS (not the path) at which an upright dome meets the chamfer; on an
    angled endface the edge swings about it. `chamfer_depth_um` and `cavity_depth_um` are axial;
    `cavity_depth_um` runs from the floor to the housing's front rim, `barrel_length_um` from the
    chamfer's end to the floor. `cavity_radius_um`: inner radius, or half the side of the rounded
    square whose corner radius is `cavity_corner` (0 sharp .. 1 round) of it. `key_deg`: where the
    key sits; the square's sides and the direction towards which an angled endface's normal leans
    follow it (0 when unknown; that the normal leans to the key is this chart's convention).
    """

    ferrule_radius_um: float
    dome_radius_um: float
    endface_edge_um: float
    chamfer_depth_um: float
    barrel_length_um: float
    cavity_radius_um: float
    cavity_depth_um: float
    cavity_corner: float = 1.0
    apc_angle_deg: float = 0.0
    key_deg: float | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be a connector, naming the numbers."""
        lengths = (self.chamfer_depth_um, self.barrel_length_um, self.cavity_depth_um)
        if not all(isfinite(v) and v > 0 for v in lengths):
            raise ValueError(
                f"chamfer, barrel and cavity lengths must be above 0 um, got {lengths}"
            )
        radii = (
            FIBER_RADIUS_UM,
            self.endface_edge_um,
            self.ferrule_radius_um,
            self.cavity_radius_um,
        )
        if not all(a < b for a, b in zip(radii, radii[1:], strict=False)):
            raise ValueError(
                "radii must grow from fibre to endface edge, ferrule and cavity wall (um), "
                f"got {', '.join(f'{r:g}' for r in radii)}"
            )
        if not self.dome_radius_um > 2 * self.ferrule_radius_um:
            raise ValueError(
                "the dome's radius must exceed the ferrule's diameter, "
                f"got {self.dome_radius_um:g} um"
            )
        if not 0 <= self.cavity_corner <= 1:
            raise ValueError(f"cavity_corner must lie in 0..1, got {self.cavity_corner:g}")
        if not 0 <= self.apc_angle_deg <= 15:
            raise ValueError(f"apc_angle_deg must lie in 0..15, got {self.apc_angle_deg:g}")
