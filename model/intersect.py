"""Rays against the surfaces of a connector: dome, chamfer, barrel, cavity floor and cavity wall.

World frame and units as in `camera`: micrometres, z out of the connector, the fibre at the origin.
All intersections are exact; arrays are float32 [h, w], NaN where a ray misses.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .profile import MeridianProfile
from .shape import ConnectorShape

__all__ = [
    "Floats",
    "Intersect",
    "Marks",
    "Rays",
    "Window",
    "inside_cavity",
    "marks_of",
    "meet_cavity",
    "meet_cone",
    "meet_cylinder",
    "meet_dome",
]

Floats = npt.NDArray[np.floating[Any]]
Window = tuple[int, int, int, int]  # rows y0:y1, columns x0:x1 as (y0, y1, x0, x1)
_PARALLEL = np.float32(1e-9)
_HAIR_UM = np.float32(0.5)  # so that rounding leaves no gap between dome and chamfer


@dataclass(frozen=True)
class Marks:
    """Heights z of a shape's edges and the direction the dome leans to; um, unit vector."""

    edge_z: float  # where the chamfer's cone has the endface edge's radius
    high_z: float  # no edge of the dome lies higher
    barrel_z: float
    floor_z: float
    rim_z: float
    dome_axis: tuple[float, float, float]


def marks_of(profile: MeridianProfile) -> Marks:
    """The marks of a profile's shape."""
    shape = profile.shape
    x, y, z = (float(v) for v in -profile.dome_center_um / shape.dome_radius_um)
    edge_z = profile.barrel_top_z_um + shape.chamfer_depth_um
    return Marks(
        edge_z=edge_z,
        high_z=edge_z + shape.ferrule_radius_um * float(np.hypot(x, y)) / z,
        barrel_z=profile.barrel_top_z_um,
        floor_z=profile.floor_z_um,
        rim_z=profile.rim_z_um,
        dome_axis=(x, y, z),
    )


@dataclass
class Rays:
    """Rays of a block of pixels: point = base + t * direction, t = depth beyond the fibre's depth.

    Starting at the fibre's depth keeps the numbers small, so float32 resolves well below 1 um.
    The direction has length 1 along the optical axis. Arrays [h, w] float32, one per world axis.
    """

    base: tuple[Floats, Floats, Floats]
    direction: tuple[Floats, Floats, Floats]

    def at(self, t: Floats) -> tuple[Floats, Floats, Floats]:
        """The points at parameter t."""
        (bx, by, bz), (dx, dy, dz) = self.base, self.direction
        return bx + t * dx, by + t * dy, bz + t * dz

    def cut(self, window: Window) -> "Rays":
        """The rays of the pixels in rows y0:y1, columns x0:x1 of `window` (y0, y1, x0, x1)."""
        y0, y1, x0, x1 = window
        bx, by, bz = (axis[y0:y1, x0:x1] for axis in self.base)
        dx, dy, dz = (axis[y0:y1, x0:x1] for axis in self.direction)
        return Rays((bx, by, bz), (dx, dy, dz))


Intersect = Callable[[Rays], tuple[Floats, Floats]]


def meet_dome(rays: Rays, shape: ConnectorShape, marks: Marks) -> tuple[Floats, Floats]:
    """(t, -normal . direction) on the dome; NaN where missed."""
    (bx, by, bz), (dx, dy, dz) = rays.base, rays.direction
    radius = np.float32(shape.dome_radius_um)
    # The ball |P + R axis|^2 = R^2 is |P|^2 + 2 R (P . axis) = 0: no large terms that cancel.
    cx, cy, cz = (radius * np.float32(v) for v in marks.dome_axis)
    a = dx * dx + dy * dy + dz * dz
    half_b = (bx + cx) * dx + (by + cy) * dy + (bz + cz) * dz
    c = bx * (bx + 2 * cx) + by * (by + 2 * cy) + bz * (bz + 2 * cz)
    root = np.sqrt(half_b * half_b - a * c)
    t = c / (root - half_b)
    x, y, z = rays.at(t)
    cone = np.float32(shape.endface_edge_um) + _slope(shape) * (np.float32(marks.edge_z) - z)
    return np.where((x * x + y * y <= cone * cone) & (cone > 0), t, np.nan), root / radius


def _slope(shape: ConnectorShape) -> np.float32:
    """Growth of the chamfer's radius per um downwards."""
    return np.float32((shape.ferrule_radius_um - shape.endface_edge_um) / shape.chamfer_depth_um)


def meet_cone(rays: Rays, shape: ConnectorShape, marks: Marks) -> tuple[Floats, Floats]:
    """(t, -normal . direction) on the chamfer; NaN where missed."""
    (bx, by, bz), (dx, dy, dz) = rays.base, rays.direction
    slope = _slope(shape)
    k0 = np.float32(shape.endface_edge_um) + slope * (np.float32(marks.edge_z) - bz)
    k1 = -slope * dz
    a = dx * dx + dy * dy - k1 * k1
    half_b = bx * dx + by * dy - k0 * k1
    c = bx * bx + by * by - k0 * k0
    root = np.sqrt(half_b * half_b - a * c)
    t = c / (root - half_b)  # the root that enters the cone, whatever the sign of a
    x, y, z = rays.at(t)
    ax, ay, az = (np.float32(v) for v in marks.dome_axis)
    dome = np.float32(shape.dome_radius_um)
    below = (x * x + y * y + z * z) / (2 * dome) + x * ax + y * ay + z * az <= _HAIR_UM
    radius = k0 + k1 * t
    across = root / (radius * np.sqrt(1 + slope * slope))
    return np.where(below & (z >= marks.barrel_z) & (radius > 0), t, np.nan), across


def meet_cylinder(rays: Rays, shape: ConnectorShape, marks: Marks) -> tuple[Floats, Floats]:
    """(t, -normal . direction) on the barrel; NaN where missed."""
    (bx, by, bz), (dx, dy, dz) = rays.base, rays.direction
    radius = np.float32(shape.ferrule_radius_um)
    a = np.maximum(dx * dx + dy * dy, _PARALLEL)
    half_b = bx * dx + by * dy
    c = bx * bx + by * by - radius * radius
    root = np.sqrt(half_b * half_b - a * c)
    t = -(half_b + root) / a
    z = bz + t * dz
    return np.where((z <= marks.barrel_z) & (z >= marks.floor_z), t, np.nan), root / radius


def _rotated(shape: ConnectorShape, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """World x, y in the axes of the square cavity (its sides face key_deg and every 90 deg on)."""
    angle = np.radians(shape.key_deg or 0.0)
    c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return c * x + s * y, c * y - s * x


def _corner_um(shape: ConnectorShape) -> np.float32:
    return np.float32(shape.cavity_corner * shape.cavity_radius_um)


def inside_cavity(shape: ConnectorShape, x: Floats, y: Floats) -> npt.NDArray[np.bool_]:
    """Whether x, y lie inside the cavity's outline (a circle or a square with rounded corners)."""
    half = np.float32(shape.cavity_radius_um)
    if shape.cavity_corner >= 1:
        return x * x + y * y <= half * half
    x, y = _rotated(shape, x, y)
    corner = _corner_um(shape)
    over_x = np.maximum(np.abs(x) - (half - corner), 0)
    over_y = np.maximum(np.abs(y) - (half - corner), 0)
    in_square = np.maximum(np.abs(x), np.abs(y)) <= half
    return in_square & (over_x * over_x + over_y * over_y <= np.maximum(corner * corner, 1))


def meet_cavity(
    rays: Rays, shape: ConnectorShape, marks: Marks, reached: npt.NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """(t, -normal . direction) on the cavity's floor or past it the wall; NaN if not `reached`."""
    dz = rays.direction[2]
    floor_t = (np.float32(marks.floor_z) - rays.base[2]) / dz
    x, y, _ = rays.at(floor_t)
    on_floor = inside_cavity(shape, x, y)
    wall_t, wall_across = _wall(rays, shape)
    t = np.where(on_floor, floor_t, wall_t)
    t[~reached] = np.nan
    return t, np.where(on_floor, -dz, wall_across)


def _wall(rays: Rays, shape: ConnectorShape) -> tuple[Floats, Floats]:
    """(t, -normal . direction) where rays that entered the cavity leave through its wall."""
    (bx, by, _), (dx, dy, _) = rays.base, rays.direction
    half = np.float32(shape.cavity_radius_um)
    if shape.cavity_corner >= 1:
        return _arc_exit(bx, by, dx, dy, half)
    bx, by = _rotated(shape, bx, by)
    dx, dy = _rotated(shape, dx, dy)
    t, facing = _square_exit(bx, by, dx, dy, half)
    corner = _corner_um(shape)
    x, y = bx + t * dx, by + t * dy
    flat = np.minimum(np.abs(x), np.abs(y)) <= half - corner
    centre = half - corner
    bow, bow_facing = _arc_exit(
        bx - np.copysign(centre, x), by - np.copysign(centre, y), dx, dy, np.maximum(corner, 1)
    )
    return np.where(flat, t, bow), np.where(flat, facing, bow_facing)


def _arc_exit(
    bx: Floats, by: Floats, dx: Floats, dy: Floats, radius: np.float32
) -> tuple[Floats, Floats]:
    """Where 2-D rays leave a circle about the origin, and the outward normal's share of them."""
    a = np.maximum(dx * dx + dy * dy, _PARALLEL)
    half_b = bx * dx + by * dy
    root = np.sqrt(half_b * half_b - a * (bx * bx + by * by - radius * radius))
    return (root - half_b) / a, root / radius


def _square_exit(
    bx: Floats, by: Floats, dx: Floats, dy: Floats, half: np.float32
) -> tuple[Floats, Floats]:
    """Where 2-D rays leave the square |x|, |y| <= half, and the outward normal's share of them."""
    tx = (half - bx * np.sign(dx)) / np.maximum(np.abs(dx), _PARALLEL)
    ty = (half - by * np.sign(dy)) / np.maximum(np.abs(dy), _PARALLEL)
    return np.minimum(tx, ty), np.where(tx < ty, np.abs(dx), np.abs(dy))
