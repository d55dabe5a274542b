"""The surface of one connector as a chart: (s_um, theta_deg) <-> xyz in micrometres.

Frame: origin at the fibre's centre on the endface, +z along the ferrule's axis out of the
connector. In each half plane through the axis (a meridian, at `theta_deg`) the surface is a chain
of five pieces: dome arc, chamfer line, barrel line, cavity floor, cavity wall. `s_um` is the path
length along that chain from the fibre's centre. The ferrule's front is the intersection of a ball
(the dome), a cone (the chamfer) and a cylinder (the barrel). With an angled (APC) endface the ball
leans, so the chain differs from meridian to meridian; with a rounded-square cavity its last two
pieces do.
"""

from collections.abc import Iterator
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .shape import FIBER_RADIUS_UM, ConnectorShape
from .surfaces import Surface

__all__ = ["FIBER_RADIUS_UM", "ConnectorShape", "MeridianProfile"]

Array = NDArray[np.float64]
# s, theta, the piece each place lies on, the ends of all pieces
Located = tuple[Array, Array, NDArray[np.intp], Array]

DOME, CHAMFER, BARREL, FLOOR, WALL, OFF = range(6)
_QUADRATURE = np.polynomial.legendre.leggauss(16)
_SURFACE_OF_PIECE = np.array(
    [Surface.ENDFACE, Surface.CHAMFER, Surface.BARREL, Surface.CAVITY, Surface.CAVITY], np.uint8
)


class MeridianProfile:
    """The chart of one connector's surface, from the fibre's centre to the housing's front rim.

    All methods take scalars or arrays (broadcast together), angles in degrees, lengths in um, and
    return float64. `s_end_um[surface]`: path length at which that surface ends, averaged over theta
    (exact for an upright dome in a round cavity; `s_ends_at` gives it per theta).
    `s_floor_end_um`: the same for the cavity's floor.
    """

    def __init__(self, shape: ConnectorShape) -> None:
        self.shape = shape
        lean = np.radians(shape.apc_angle_deg)
        azimuth = np.radians(self._key_deg)
        axis = np.array(
            [np.sin(lean) * np.cos(azimuth), np.sin(lean) * np.sin(azimuth), np.cos(lean)]
        )
        self.dome_center_um: Array = -shape.dome_radius_um * axis
        dome, edge = shape.dome_radius_um, shape.endface_edge_um
        self._cone_top_z = -edge * edge / (dome + np.sqrt(dome * dome - edge * edge))
        self.barrel_top_z_um = float(self._cone_top_z - shape.chamfer_depth_um)
        self.floor_z_um = self.barrel_top_z_um - shape.barrel_length_um
        self.rim_z_um = self.floor_z_um + shape.cavity_depth_um
        run = shape.ferrule_radius_um - edge
        self._cone_length = float(np.hypot(run, shape.chamfer_depth_um))
        self._cone_dr = run / self._cone_length
        self._cone_dz = -shape.chamfer_depth_um / self._cone_length
        self._same_all_round = shape.apc_angle_deg == 0 and shape.cavity_corner == 1
        self._check_edge()

    def _check_edge(self) -> None:
        radius: Array = self._edge_radius(np.linspace(0.0, 360.0, 361))
        if not (np.all(radius > FIBER_RADIUS_UM) and np.all(radius < self.shape.ferrule_radius_um)):
            raise ValueError(
                f"an endface at {self.shape.apc_angle_deg:g} deg leaves no chamfer here, "
                f"or cuts the fibre (edge at {self.shape.endface_edge_um:g} um)"
            )

    @property
    def _key_deg(self) -> float:
        return 0.0 if self.shape.key_deg is None else self.shape.key_deg

    # -- where the pieces end ----------------------------------------------------------------------

    @cached_property
    def s_end_um(self) -> dict[Surface, float]:
        """Path length (um) at which each surface ends, averaged over theta."""
        ends = self.s_ends_at(self._all_round)
        return {surface: float(np.mean(end)) for surface, end in ends.items()}

    @cached_property
    def s_floor_end_um(self) -> float:
        """Path length (um) from the fibre to the foot of the cavity's wall, averaged over theta."""
        return float(self._piece_ends(self._all_round)[FLOOR].mean())

    @property
    def _all_round(self) -> Array:
        """Angles (deg) to average over: one stands for all where the meridians are alike."""
        return np.zeros(1) if self._same_all_round else np.linspace(0.0, 359.5, 720)

    def s_ends_at(self, theta_deg: ArrayLike) -> dict[Surface, Array]:
        """Path length (um) at which each surface ends on the meridian(s) `theta_deg`."""
        theta = np.asarray(theta_deg, np.float64)
        ends = self._piece_ends(theta)
        return {
            Surface.FIBER: self._dome_path(np.full_like(theta, FIBER_RADIUS_UM), theta),
            Surface.ENDFACE: ends[DOME],
            Surface.CHAMFER: ends[CHAMFER],
            Surface.BARREL: ends[BARREL],
            Surface.CAVITY: ends[WALL],
        }

    def _piece_ends(self, theta: Array) -> Array:
        """[5, ...] path length at the end of each piece."""
        if self._same_all_round and theta.size > 1:
            one = self._piece_ends(np.zeros(()))
            return np.broadcast_to(one.reshape(5, *(1,) * theta.ndim), (5, *theta.shape))
        shape = self.shape
        edge = self._edge_radius(theta)
        lengths = np.stack(
            [
                self._dome_path(edge, theta),
                (shape.ferrule_radius_um - edge) / self._cone_dr,
                np.full_like(theta, shape.barrel_length_um),
                self.wall_radius_um(theta) - shape.ferrule_radius_um,
                np.full_like(theta, shape.cavity_depth_um),
            ]
        )
        return np.cumsum(lengths, axis=0)

    def _meridian_circle(self, theta: Array) -> tuple[Array, Array, Array]:
        """Centre (radial, z) and radius of the circle that a meridian plane cuts from the dome."""
        phi = np.radians(theta)
        cx, cy, cz = self.dome_center_um
        radial = cx * np.cos(phi) + cy * np.sin(phi)
        return radial, np.full_like(radial, cz), np.sqrt(radial * radial + cz * cz)

    def _dome_height(self, radius: Array, theta: Array) -> Array:
        """z (um) of the dome at a radius; the circle passes through the origin."""
        c_r, c_z, rho = self._meridian_circle(theta)
        # (r - c_r)^2 + (z - c_z)^2 = rho^2 written so that no digits cancel near the fibre
        across = np.sqrt(np.maximum(rho * rho - (radius - c_r) ** 2, 0.0))
        return -radius * (radius - 2 * c_r) / (across - c_z)

    def _dome_path(self, radius: Array, theta: Array) -> Array:
        """Arc length (um) on the dome from the fibre's centre to a radius."""
        c_r, _, rho = self._meridian_circle(theta)
        return rho * (np.arcsin((radius - c_r) / rho) - np.arcsin(-c_r / rho))

    def _edge_radius(self, theta: Array) -> Array:
        """Radius (um) at which the dome meets the chamfer's cone on each meridian."""
        c_r, c_z, rho = self._meridian_circle(theta)
        # from a point on the cone's line to the nearer crossing of that line with the circle
        r0, z0 = self.shape.endface_edge_um - c_r, self._cone_top_z - c_z
        along = r0 * self._cone_dr + z0 * self._cone_dz
        off = r0 * r0 + z0 * z0 - rho * rho
        root = np.sqrt(np.maximum(along * along - off, 0.0))
        # a cone no steeper than the face has no edge with it: NaN, refused by _check_edge
        t = off / np.where(along < 0, root - along, np.nan)
        return self.shape.endface_edge_um + t * self._cone_dr

    def wall_radius_um(self, theta_deg: ArrayLike) -> Array:
        """Distance (um) from the axis to the cavity's wall in the direction(s) `theta_deg`."""
        half, corner, phi = self._fold(np.asarray(theta_deg, np.float64))
        flat = half / np.cos(phi)
        m = (half - corner) * (np.cos(phi) + np.sin(phi))
        inside = np.maximum(m * m - 2 * (half - corner) ** 2 + corner * corner, 0.0)
        return np.where(half * np.tan(phi) <= half - corner, flat, m + np.sqrt(inside))

    def _fold(self, theta: Array) -> tuple[float, float, Array]:
        """Half side, corner radius (um), and theta folded by symmetry to 0..45 deg (rad)."""
        half = self.shape.cavity_radius_um
        folded = np.abs((theta - self._key_deg + 45.0) % 90.0 - 45.0)
        return half, half * self.shape.cavity_corner, np.radians(folded)

    # -- the chart ---------------------------------------------------------------------------------

    def _locate(self, s_um: ArrayLike, theta_deg: ArrayLike) -> Located:
        """Broadcast s, theta; the piece each s lies on (OFF = off the chart) and all piece ends."""
        s, theta = np.broadcast_arrays(
            np.asarray(s_um, np.float64), np.asarray(theta_deg, np.float64)
        )
        ends = self._piece_ends(theta)
        piece = np.sum(s > ends, axis=0)
        # the rim itself is on the chart however its path length was added up
        piece = np.where(np.isclose(s, ends[WALL], rtol=1e-12, atol=0.0), WALL, piece)
        return s, theta, np.where((s >= 0) & np.isfinite(theta), piece, OFF), ends

    def _dome_radius_at(self, s: Array, theta: Array) -> Array:
        c_r, _, rho = self._meridian_circle(theta)
        start = np.arcsin(-c_r / rho)
        # sin(start + s/rho) - sin(start), as a product: exact near the fibre
        return 2 * rho * np.cos(start + s / (2 * rho)) * np.sin(s / (2 * rho))

    def _radius_and_height(
        self, s_um: ArrayLike, theta_deg: ArrayLike
    ) -> tuple[Array, Array, Array]:
        return self._meridian_points(self._locate(s_um, theta_deg))

    def _meridian_points(self, located: Located) -> tuple[Array, Array, Array]:
        s, theta, piece, ends = located
        radius, height = self._piece_points(np.broadcast_to(s, (5, *s.shape)), ends, theta)
        on_chart = piece <= WALL
        pick = np.minimum(piece, WALL)[None]
        radius = np.take_along_axis(radius, pick, axis=0)[0]
        height = np.take_along_axis(height, pick, axis=0)[0]
        return np.where(on_chart, radius, np.nan), np.where(on_chart, height, np.nan), theta

    def radius_um(self, s_um: ArrayLike, theta_deg: ArrayLike = 0.0) -> Array:
        """Distance (um) from the axis at path length `s_um`; NaN off the chart."""
        return self._radius_and_height(s_um, theta_deg)[0]

    def to_xyz(self, s_um: ArrayLike, theta_deg: ArrayLike) -> Array:
        """[..., 3] point (um) of the surface; NaN where s is negative or beyond the rim."""
        return self._points(self._locate(s_um, theta_deg))

    def _points(self, located: Located) -> Array:
        radius, height, theta = self._meridian_points(located)
        phi = np.radians(theta)
        return np.stack([radius * np.cos(phi), radius * np.sin(phi), height], axis=-1)

    def surface_at(self, s_um: ArrayLike, theta_deg: ArrayLike) -> NDArray[np.uint8]:
        """Index of the surface at (s, theta); `Surface.SURROUND` off the chart."""
        s, theta, piece, _ = self._locate(s_um, theta_deg)
        return self._name_surface(piece, self._dome_radius_at(s, theta))

    @staticmethod
    def _name_surface(piece: NDArray[np.intp], radius: Array) -> NDArray[np.uint8]:
        surface = _SURFACE_OF_PIECE[np.minimum(piece, WALL)]
        # a hair of slack: the rim of the fibre belongs to the fibre whichever way it was computed
        fiber = (piece == DOME) & (radius <= FIBER_RADIUS_UM * (1 + 1e-12))
        surface = np.where(fiber, np.uint8(Surface.FIBER), surface)
        return np.where(piece > WALL, np.uint8(Surface.SURROUND), surface).astype(np.uint8)

    def from_xyz(self, xyz_um: ArrayLike) -> tuple[Array, Array, NDArray[np.uint8]]:
        """Chart place of points on the surface: (s_um, theta_deg in [0, 360), surface index).

        `xyz_um` [..., 3]. A point off the surface goes to the nearest piece within its own meridian
        plane; NaN coordinates give NaN and `Surface.SURROUND`.
        """
        xyz = np.asarray(xyz_um, np.float64)
        x, y, z = xyz[..., 0], xyz[..., 1], xyz[..., 2]
        radius = np.hypot(x, y)
        theta = np.degrees(np.arctan2(y, x)) % 360.0
        theta = np.where(theta >= 360.0, 0.0, theta)  # -tiny % 360 rounds to 360
        s_of_piece, distance = self._project(radius, z, theta)
        bad = ~np.all(np.isfinite(xyz), axis=-1)
        piece = np.argmin(np.where(bad, 0.0, distance), axis=0)
        s = np.take_along_axis(s_of_piece, piece[None], axis=0)[0]
        surface = self._name_surface(
            piece, self._dome_radius_at(np.where(piece == DOME, s, 0.0), theta)
        )
        surface = np.where(bad, np.uint8(Surface.SURROUND), surface)
        return np.where(bad, np.nan, s), np.where(bad, np.nan, theta), surface

    def _project(self, radius: Array, z: Array, theta: Array) -> tuple[Array, Array]:
        """Per piece: path length (um) of its nearest point, and the distance to it (um)."""
        ends = self._piece_ends(theta)
        starts = np.concatenate([np.zeros_like(ends[:1]), ends[:-1]])
        c_r, c_z, rho = self._meridian_circle(theta)
        dome = rho * (np.arctan2(radius - c_r, z - c_z) - np.arctan2(-c_r, -c_z))
        path = np.stack(
            [
                dome,
                ends[CHAMFER]
                + (radius - self.shape.ferrule_radius_um) * self._cone_dr
                + (z - self.barrel_top_z_um) * self._cone_dz,
                ends[CHAMFER] + self.barrel_top_z_um - z,
                ends[BARREL] + radius - self.shape.ferrule_radius_um,
                ends[FLOOR] + z - self.floor_z_um,
            ]
        )
        path = np.clip(path, starts, ends)
        near_r, near_z = self._piece_points(path, ends, theta)
        return path, np.hypot(near_r - radius, near_z - z)

    def _piece_points(self, path: Array, ends: Array, theta: Array) -> tuple[Array, Array]:
        """(radius, z) on each of the five pieces at its own path length, all [5, ...]."""
        ferrule = np.full_like(theta, self.shape.ferrule_radius_um)
        dome_r = self._dome_radius_at(path[DOME], theta)
        to_go = ends[CHAMFER] - path[CHAMFER]
        radius = np.stack(
            [
                dome_r,
                ferrule - to_go * self._cone_dr,
                ferrule,
                ferrule + path[FLOOR] - ends[BARREL],
                self.wall_radius_um(theta),
            ]
        )
        height = np.stack(
            [
                self._dome_height(dome_r, theta),
                self.barrel_top_z_um - to_go * self._cone_dz,
                self.barrel_top_z_um - (path[BARREL] - ends[CHAMFER]),
                np.full_like(theta, self.floor_z_um),
                self.floor_z_um + path[WALL] - ends[FLOOR],
            ]
        )
        return radius, height

    def normal(self, s_um: ArrayLike, theta_deg: ArrayLike) -> Array:
        """[..., 3] unit normal pointing out of the material (the wall's points inwards)."""
        return self.points_and_normals(s_um, theta_deg)[1]

    def points_and_normals(self, s_um: ArrayLike, theta_deg: ArrayLike) -> tuple[Array, Array]:
        """`to_xyz` and `normal` of the same places, which cost less together."""
        located = self._locate(s_um, theta_deg)
        s, theta, piece, _ = located
        points = self._points(located)
        on_dome = (points - self.dome_center_um) / self.shape.dome_radius_um
        one, zero, nan = np.ones_like(s), np.zeros_like(s), np.full_like(s, np.nan)
        phi = np.radians(theta)
        wall_phi = phi + self._wall_skew(theta)
        toward = [phi, phi, phi, phi, wall_phi, phi]
        radial = np.choose(piece, [zero, -self._cone_dz * one, one, zero, -one, nan])
        axial = np.choose(piece, [one, self._cone_dr * one, zero, one, zero, nan])
        angle = np.choose(piece, toward)
        plain = np.stack([radial * np.cos(angle), radial * np.sin(angle), axial], axis=-1)
        return points, np.where((piece == DOME)[..., None], on_dome, plain)

    def _wall_skew(self, theta: Array) -> Array:
        """Angle (rad) from the radial direction to the outward normal of the cavity's outline."""
        half, corner, phi = self._fold(theta)
        wall = self.wall_radius_um(theta)
        on_flat = half * np.tan(phi) <= half - corner
        to_corner = np.arctan2(
            wall * np.sin(phi) - half + corner, wall * np.cos(phi) - half + corner
        )
        outward = np.where(on_flat, 0.0, to_corner)
        side = np.sign((theta - self._key_deg + 45.0) % 90.0 - 45.0)
        return side * (outward - phi)

    # -- areas -------------------------------------------------------------------------------------

    def area_density(self, s_um: ArrayLike, theta_deg: ArrayLike) -> Array:
        """True area per unit of s (um) and of theta in RADIANS: |dP/ds x dP/dtheta|, um2 per um."""
        s, theta, piece, _ = self._locate(s_um, theta_deg)
        return self._density(s, theta, piece)

    def _density(self, s: Array, theta: Array, piece: NDArray[np.intp]) -> Array:
        radius, height, _ = self._radius_and_height(s, theta)
        _, c_z, rho = self._meridian_circle(theta)
        # dome as a height field: dA = r dr dtheta / n_z, and dr/ds is the meridian circle's slope
        n_z = (height - c_z) / self.shape.dome_radius_um
        dome = radius * ((height - c_z) / rho) / n_z
        wall = radius / np.cos(self._wall_skew(theta))
        return np.choose(piece, [dome, radius, radius, radius, wall, np.full_like(s, np.nan)])

    def area_um2(self, s0_um: float, s1_um: float, theta0_deg: float, theta1_deg: float) -> float:
        """Area (um2) between two path lengths and two angles (theta1 >= theta0, at most one turn).

        16-point Gauss-Legendre per piece and per smooth stretch of theta.
        """
        if not (0 <= s0_um <= s1_um and theta0_deg <= theta1_deg <= theta0_deg + 360):
            raise ValueError("need 0 <= s0 <= s1 and theta0 <= theta1 <= theta0 + 360")
        total = 0.0
        for theta, weight in self._theta_nodes(theta0_deg, theta1_deg):
            ends = np.concatenate([np.zeros((1, theta.size)), self._piece_ends(theta)])
            cuts = np.clip(ends, s0_um, s1_um)
            total += float(np.sum(weight * self._strip_areas(cuts[:-1], cuts[1:], theta)))
        return total

    def total_area_um2(self, surface: Surface) -> float:
        """Whole area (um2) of a surface of the chart; KeyError for housing and surround."""
        order = list(self.s_end_um)
        index = order.index(surface) if surface in order else -1
        if index < 0:
            raise KeyError(f"{surface.name.lower()} is not on the chart")
        total = 0.0
        for theta, weight in self._theta_nodes(0.0, 360.0):
            here = self.s_ends_at(theta)
            lo = here[order[index - 1]] if index else np.zeros_like(theta)
            ends_here = np.concatenate([np.zeros((1, theta.size)), self._piece_ends(theta)])
            cuts = np.clip(ends_here, lo, here[surface])
            total += float(np.sum(weight * self._strip_areas(cuts[:-1], cuts[1:], theta)))
        return total

    def _strip_areas(self, lo: Array, hi: Array, theta: Array) -> Array:
        """Area per radian of theta between path lengths lo and hi [5, n], summed over pieces."""
        nodes, weights = _QUADRATURE
        half = (hi - lo) / 2
        s = (hi + lo)[..., None] / 2 + half[..., None] * nodes
        piece = np.broadcast_to(np.arange(5)[:, None, None], s.shape)
        around = np.broadcast_to(theta[None, :, None], s.shape)
        inner = np.sum(weights * self._density(s, around, piece), axis=-1)
        return np.sum(np.where(half > 0, half * inner, 0.0), axis=0)  # empty strips may lie off it

    def _theta_nodes(self, theta0: float, theta1: float) -> Iterator[tuple[Array, Array]]:
        """Gauss-Legendre nodes (deg) and weights (rad) on stretches where the outline is smooth."""
        half, corner, _ = self._fold(np.zeros(1))
        turn = float(np.degrees(np.arctan2(half - corner, half)))  # where the flat side ends
        kinks = self._key_deg + np.concatenate(
            [np.arange(-720.0, 1081.0, 45.0)]
            + [np.arange(-720.0, 1081.0, 90.0) + sign * turn for sign in (-1, 1)]
        )
        inside = np.unique(kinks[(kinks > theta0) & (kinks < theta1)])
        edges = np.concatenate([[theta0], inside, [theta1]])
        nodes, weights = _QUADRATURE
        for a, b in zip(edges, edges[1:], strict=False):
            half_width = (b - a) / 2
            yield (a + b) / 2 + half_width * nodes, np.radians(half_width) * weights
