"""The pinhole camera, and what surface of a connector each of its pixels shows.

World frame, micrometres: origin at the fibre's centre on the endface, +z along the ferrule's axis
out of the connector, x right and y up seen from the front. Picture: x right, y down, continuous;
pixel i covers [i, i+1), so its centre is i + 0.5. The principal point is the picture's centre.

Camera axes in the world, for tilt t and turn T (radians below), before the roll:

    back  = ( sin t cos T,  sin t sin T,  cos t)    from the part towards the camera
    down  = ( cos t cos T,  cos t sin T, -sin t)    the side theta = T lies at the picture's bottom
    right = down x (-back)

The roll then turns the picture's content clockwise on the screen about the optical axis. `tilt` and
`turn` are those of the optical axis; a fibre off the picture's centre is seen under a slightly
different angle, which the projection accounts for exactly.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from .intersect import (
    Floats,
    Intersect,
    Rays,
    Window,
    inside_cavity,
    marks_of,
    meet_cavity,
    meet_cone,
    meet_cylinder,
    meet_dome,
)
from .profile import MeridianProfile
from .shape import FIBER_RADIUS_UM, ConnectorShape
from .surfaces import Surface

__all__ = ["Camera", "SurfaceCoordinates", "surface_coordinates"]

BAND_PX = 1 << 17  # pixels of a band: its arrays fit a processor's cache


@dataclass(frozen=True)
class Camera:
    """A pinhole camera with square pixels looking at one connector.

    `distance_um` is the fibre's depth along the optical axis, `um_per_px` the size of a pixel at
    that depth; the focal length in pixels is their ratio. `fiber_px` is (x, y) of the fibre's
    centre, `size_hw` the picture's height and width in pixels.
    """

    tilt_deg: float
    turn_deg: float
    roll_deg: float
    um_per_px: float
    fiber_px: tuple[float, float]
    distance_um: float
    size_hw: tuple[int, int]

    def __post_init__(self) -> None:
        if not (self.um_per_px > 0 and self.distance_um > 0):
            raise ValueError(
                "um_per_px and distance_um: expected positive numbers, got "
                f"{self.um_per_px} and {self.distance_um}"
            )

    @property
    def focal_px(self) -> float:
        """The focal length, px."""
        return self.distance_um / self.um_per_px

    def axes(self) -> npt.NDArray[np.float64]:
        """Rows: the picture's right, down and forward directions in the world, float64 [3, 3].

        Read-only.
        """
        return self._axes

    @cached_property
    def _axes(self) -> npt.NDArray[np.float64]:
        tilt, turn, roll = np.radians([self.tilt_deg, self.turn_deg, self.roll_deg])
        radial = np.array([np.cos(turn), np.sin(turn), 0.0])
        up = np.array([0.0, 0.0, 1.0])
        forward = -(np.sin(tilt) * radial + np.cos(tilt) * up)
        down = np.cos(tilt) * radial - np.sin(tilt) * up
        right = np.cross(down, forward)
        c, s = np.cos(roll), np.sin(roll)
        axes = np.stack([c * right - s * down, s * right + c * down, forward])
        axes.setflags(write=False)
        return axes

    def _fiber_um(self) -> npt.NDArray[np.float64]:
        """The fibre's centre in camera axes, um [3]."""
        height, width = self.size_hw
        x = (self.fiber_px[0] - width / 2) * self.um_per_px
        y = (self.fiber_px[1] - height / 2) * self.um_per_px
        return np.array([x, y, self.distance_um])

    def centre_um(self) -> npt.NDArray[np.float64]:
        """The camera's centre in the world, um [3]."""
        return -self._fiber_um() @ self.axes()

    def project(
        self, xyz_um: npt.ArrayLike
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """World points um [..., 3] to picture points px [..., 2] and depths um [...].

        A point at or behind the camera gets NaN pixels (its depth is <= 0).
        """
        points = np.asarray(xyz_um, np.float64) @ self.axes().T + self._fiber_um()
        depth = points[..., 2]
        height, width = self.size_hw
        with np.errstate(divide="ignore", invalid="ignore"):
            px = points[..., :2] * (self.focal_px / depth)[..., None]
        px = px + np.array([width / 2, height / 2])
        return np.where((depth > 0)[..., None], px, np.nan), depth

    def rays(self) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """The camera's centre um [3] and each pixel's unit direction [H, W, 3], in the world."""
        height, width = self.size_hw
        x = (np.arange(width) + 0.5 - width / 2) / self.focal_px
        y = (np.arange(height) + 0.5 - height / 2) / self.focal_px
        right, down, forward = self.axes()
        directions = x[None, :, None] * right + y[:, None, None] * down + forward
        directions /= np.linalg.norm(directions, axis=-1, keepdims=True)
        return self.centre_um(), directions


@dataclass(frozen=True)
class SurfaceCoordinates:
    """Where on the connector each pixel's centre looks; all arrays [H, W].

    `surface` uint8: index of the surface; 0 (surround) where the ray meets none of the modelled
    ones, which includes the housing's front face and outside. The floats are NaN there.
    `s_um` float32: travel distance. `theta_deg` float32: [0, 360). `pixel_area_um2` float32: true
    area of the surface that the pixel covers. `facing` float32: cosine of ray and normal, 0..1.
    """

    surface: npt.NDArray[np.uint8]
    s_um: npt.NDArray[np.float32]
    theta_deg: npt.NDArray[np.float32]
    pixel_area_um2: npt.NDArray[np.float32]
    facing: npt.NDArray[np.float32]


def _block(camera: Camera, rows: tuple[int, int]) -> Rays:
    """Rays of the pixel centres of a band of rows (first, after last)."""
    height, width = camera.size_hw
    x = np.arange(width) + 0.5
    y = np.arange(*rows) + 0.5
    right, down, forward = camera.axes()
    scale, focal = camera.um_per_px, camera.focal_px

    def plane(cx: float, cy: float, c0: float) -> Floats:
        return (cx * x).astype(np.float32)[None] + (cy * y + c0).astype(np.float32)[:, None]

    base: list[Floats] = []
    direction: list[Floats] = []
    for axis in range(3):
        r, d = float(right[axis]), float(down[axis])
        offset = -scale * (r * camera.fiber_px[0] + d * camera.fiber_px[1])
        base.append(plane(r * scale, d * scale, offset))
        lean = float(forward[axis]) - (r * width / 2 + d * height / 2) / focal
        direction.append(plane(r / focal, d / focal, lean))
    return Rays((base[0], base[1], base[2]), (direction[0], direction[1], direction[2]))


def _window(camera: Camera, rows: tuple[int, int], xyz_um: Floats) -> Window | None:
    """The window within a band of rows, counted from its first, that holds the projected points.

    None if they all lie outside the band.
    """
    px, _ = camera.project(xyz_um)
    width, (first, last) = camera.size_hw[1], rows
    if not np.isfinite(px).all():
        return 0, last - first, 0, width
    x0, y0 = (int(v) - 1 for v in np.floor(px.min(axis=0)))
    x1, y1 = (int(v) + 1 for v in np.ceil(px.max(axis=0)))
    x0, x1, y0, y1 = max(x0, 0), min(x1, width), max(y0, first), min(y1, last)
    return (y0 - first, y1 - first, x0, x1) if y1 > y0 and x1 > x0 else None


def _circle(radius_um: float, z_um: float) -> Floats:
    """Points of a circle about the axis, circumscribed by a 64-gon so that no arc pokes out."""
    angle = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    reach = radius_um / np.cos(np.pi / 64)
    return np.stack([reach * np.cos(angle), reach * np.sin(angle), np.full(64, z_um)], axis=-1)


class _Sheet:
    """A band of the picture's rows while it is filled, nearest surface first."""

    def __init__(self, camera: Camera, profile: MeridianProfile, rows: tuple[int, int]) -> None:
        self.camera, self.shape, self.profile, self.rows = camera, profile.shape, profile, rows
        self.marks = marks_of(profile)
        self.rays = _block(camera, rows)
        size = (rows[1] - rows[0], camera.size_hw[1])
        self.surface = np.zeros(size, np.uint8)
        self.t = np.full(size, np.nan, np.float32)
        self.across = np.zeros(size, np.float32)  # -normal . direction
        self.open = np.zeros(size, np.bool_)  # rays through the housing's opening

    def window(self, *circles: tuple[float, float]) -> Window | None:
        """The window that holds the projected circles (radius um, z um); None off the band."""
        points = np.concatenate([_circle(radius, z) for radius, z in circles])
        return _window(self.camera, self.rows, points)

    def put(self, window: Window | None, intersect: Intersect, surface: Surface) -> None:
        """Write the pixels whose rays meet the surface first and not behind the housing."""
        if window is None:
            return
        rays = self.rays.cut(window)
        t, across = intersect(rays)
        y0, y1, x0, x1 = window
        block = np.s_[y0:y1, x0:x1]
        z = rays.base[2] + t * rays.direction[2]
        shown = (self.surface[block] == 0) & np.isfinite(t)
        shown &= self.open[block] | (z >= self.marks.rim_z)
        np.copyto(self.surface[block], np.uint8(surface), where=shown)
        np.copyto(self.t[block], t, where=shown)
        np.copyto(self.across[block], across, where=shown)

    def mark_open(self, window: Window | None) -> None:
        """Note which rays pass through the housing's opening."""
        if window is None:
            return
        rays = self.rays.cut(window)
        dz = rays.direction[2]
        x, y, _ = rays.at((np.float32(self.marks.rim_z) - rays.base[2]) / dz)
        y0, y1, x0, x1 = window
        self.open[y0:y1, x0:x1] = inside_cavity(self.shape, x, y) & (dz < 0)

    def put_all(self) -> None:
        """Dome, chamfer, barrel, then the cavity's floor and wall."""
        shape, m = self.shape, self.marks
        edge, ferrule = shape.endface_edge_um, shape.ferrule_radius_um
        reach = shape.cavity_radius_um * (1.0 if shape.cavity_corner >= 1 else 2**0.5)
        opening = self.window((reach, m.rim_z))
        self.mark_open(opening)
        top = edge if shape.apc_angle_deg == 0 else ferrule
        dome = self.window((edge, 0.0), (top, m.high_z), (top, 2 * m.edge_z - m.high_z))
        self.put(dome, lambda rays: meet_dome(rays, shape, m), Surface.ENDFACE)
        cone = self.window((top, m.high_z), (ferrule, m.barrel_z))
        self.put(cone, lambda rays: meet_cone(rays, shape, m), Surface.CHAMFER)
        barrel = self.window((ferrule, m.barrel_z), (ferrule, m.floor_z))
        self.put(barrel, lambda rays: meet_cylinder(rays, shape, m), Surface.BARREL)
        if opening is not None:
            y0, y1, x0, x1 = opening
            reached = self.open[y0:y1, x0:x1]
            self.put(opening, lambda rays: meet_cavity(rays, shape, m, reached), Surface.CAVITY)

    def coordinates(self) -> SurfaceCoordinates:
        """Place, area and facing of what was written."""
        camera = self.camera
        x, y, z = self.rays.at(self.t)
        radius = np.sqrt(x * x + y * y)
        theta = np.degrees(np.arctan2(y, x))
        np.add(theta, 360, out=theta, where=theta < 0)
        theta[theta >= 360] = 0  # a tiny negative angle rounds up to 360
        per_px = (np.float32(camera.distance_um) + self.t) / np.float32(camera.focal_px)
        across = np.maximum(self.across, np.float32(1e-6))
        dx, dy, dz = self.rays.direction
        length = np.sqrt(dx * dx + dy * dy + dz * dz)
        facing = np.where(self.surface > 0, across / length, np.float32(np.nan))
        area = (per_px * per_px / across).astype(np.float32)
        s_um = self._travel(radius, z, theta)
        fiber = (self.surface == Surface.ENDFACE) & (radius <= FIBER_RADIUS_UM)
        self.surface[fiber] = Surface.FIBER
        return SurfaceCoordinates(self.surface, s_um, theta, area, facing)

    def _travel(self, radius: Floats, z: Floats, theta: Floats) -> Floats:
        """Travel distance; but for the dome it is linear in radius and height."""
        ends = self.profile.s_ends_at(0.0)
        chamfer_end, m = float(ends[Surface.CHAMFER]), self.marks
        run = self.shape.ferrule_radius_um - self.shape.endface_edge_um
        slant = float(np.hypot(run, self.shape.chamfer_depth_um)) / self.shape.chamfer_depth_um
        rows = np.zeros((7, 3), np.float32)  # s = a + b radius + c z
        rows[Surface.CHAMFER] = chamfer_end + slant * m.barrel_z, 0, -slant
        rows[Surface.BARREL] = chamfer_end + m.barrel_z, 0, -1
        floor_start = float(ends[Surface.BARREL]) - self.shape.ferrule_radius_um
        rows[Surface.CAVITY] = floor_start - m.floor_z, 1, 1
        a, b, c = (np.take(rows[:, k], self.surface) for k in range(3))
        s = a + b * radius + c * z
        dome = self.surface == Surface.ENDFACE
        if self.shape.apc_angle_deg == 0:
            bow = np.float32(self.shape.dome_radius_um)
            s[dome] = bow * np.arcsin(radius[dome] / bow)
            return s
        around = np.linspace(0, 360, 1441)
        longer = self.profile.s_ends_at(around)[Surface.CHAMFER] - chamfer_end
        s += np.interp(theta, around, longer).astype(np.float32)
        points = np.stack([v[dome] for v in self.rays.at(self.t)], axis=-1)
        s[dome] = self.profile.from_xyz(points)[0]
        return s


def surface_coordinates(camera: Camera, shape: ConnectorShape) -> SurfaceCoordinates:
    """What each pixel's centre shows of a connector of this shape, by exact ray intersection.

    Done in bands of rows, so that the memory beyond the result does not grow with the picture.
    """
    height, width = camera.size_hw
    profile = MeridianProfile(shape)
    step = max(1, BAND_PX // width)
    bands: list[SurfaceCoordinates] = []
    with np.errstate(divide="ignore", invalid="ignore"):
        for first in range(0, height, step):
            sheet = _Sheet(camera, profile, (first, min(first + step, height)))
            sheet.put_all()
            bands.append(sheet.coordinates())
    return SurfaceCoordinates(
        np.concatenate([band.surface for band in bands]),
        np.concatenate([band.s_um for band in bands]),
        np.concatenate([band.theta_deg for band in bands]),
        np.concatenate([band.pixel_area_um2 for band in bands]),
        np.concatenate([band.facing for band in bands]),
    )
