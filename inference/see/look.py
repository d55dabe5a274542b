"""What views show of given places on a connector's surface."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...model.camera import Camera, SurfaceCoordinates, surface_coordinates
from ...model.profile import MeridianProfile
from ...model.shape import FIBER_RADIUS_UM, ConnectorShape
from ...model.surfaces import Surface

__all__ = ["Look", "MappedView", "Places", "faultless_view", "look_at", "places_on"]

Floats = npt.NDArray[np.float32]
Bytes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

LEAST_FACING = 0.12  # more grazingly than 83 deg nothing flat is seen
MOST_UNSEEN = 0.5
TOLERANCE_PX = 3.0  # how far a pixel's own place may lie from the place looked for
TOLERANCE_UM = 15.0
_AROUND = np.linspace(0.0, 360.0, 3601)
_SURFACE_OF_PIECE = np.array(
    [
        Surface.ENDFACE,
        Surface.CHAMFER,
        Surface.BARREL,
        Surface.CAVITY,
        Surface.CAVITY,
        Surface.SURROUND,
    ],
    np.uint8,
)


@dataclass(frozen=True)
class MappedView:
    """One readable view with all that the map takes from it; arrays [H, W].

    `coordinates`: of its pixels. `surface`, `kind` uint8: as segmented. `unseen` float32 0..1.
    `rgb` uint8 [H, W, 3]. `limit_px`: diameter of the smallest disc that it shows, px.
    """

    camera: Camera
    coordinates: SurfaceCoordinates
    surface: Bytes
    kind: Bytes
    unseen: Floats
    rgb: Bytes
    limit_px: float


@dataclass(frozen=True)
class Places:
    """Places on the surface: xyz um and outward normal [3, n], s um [n], surface uint8 [n]."""

    xyz_um: Floats
    normal: Floats
    s_um: Floats
    surface: Bytes


@dataclass(frozen=True)
class Look:
    """One view's look at n places; where `shown` is False the other values mean nothing.

    `row`, `column`: the pixel. `facing`: cosine. `um_per_px`: across the line of sight there.
    `resolved_um`: diameter of the smallest flat disc that the view shows there.
    """

    shown: Mask
    row: npt.NDArray[np.intp]
    column: npt.NDArray[np.intp]
    facing: Floats
    um_per_px: Floats
    resolved_um: Floats


def faultless_view(camera: Camera, shape: ConnectorShape, limit_px: float) -> MappedView:
    """What a camera would see of a clean connector, black and sharp all over."""
    coordinates = surface_coordinates(camera, shape)
    return MappedView(
        camera=camera,
        coordinates=coordinates,
        surface=coordinates.surface,
        kind=np.zeros(camera.size_hw, np.uint8),
        unseen=np.zeros(camera.size_hw, np.float32),
        rgb=np.zeros((*camera.size_hw, 3), np.uint8),
        limit_px=limit_px,
    )


def places_on(profile: MeridianProfile, s_um: npt.ArrayLike, theta_deg: npt.ArrayLike) -> Places:
    """The places at (s, theta) [n]; SURROUND off the chart."""
    s, theta = np.asarray(s_um, np.float64), np.asarray(theta_deg, np.float64)
    if profile.shape.apc_angle_deg == 0 and s.size > 2 * _AROUND.size:
        return _upright_places(profile, s.astype(np.float32), theta.astype(np.float32))
    return Places(
        profile.to_xyz(s, theta).astype(np.float32).T,
        profile.normal(s, theta).astype(np.float32).T,
        s.astype(np.float32),
        profile.surface_at(s, theta),
    )


def _upright_places(profile: MeridianProfile, s: Floats, theta: Floats) -> Places:
    """The same for many places on an upright dome: the chart's formulas piece by piece, float32."""
    shape, ends = profile.shape, profile.s_ends_at(0.0)
    edge_s, chamfer_s, barrel_s = (
        np.float32(ends[surface]) for surface in (Surface.ENDFACE, Surface.CHAMFER, Surface.BARREL)
    )
    dome, ferrule = np.float32(shape.dome_radius_um), np.float32(shape.ferrule_radius_um)
    wall_r = np.interp(theta, _AROUND, profile.wall_radius_um(_AROUND)).astype(np.float32)
    floor_s = barrel_s + wall_r - ferrule
    piece = (
        (s > edge_s).astype(np.uint8)
        + (s > chamfer_s)
        + (s > barrel_s)
        + (s > floor_s)
        + (s > floor_s + np.float32(shape.cavity_depth_um))
    )
    run, drop = shape.ferrule_radius_um - shape.endface_edge_um, shape.chamfer_depth_um
    slant = np.hypot(run, drop)
    to_go = chamfer_s - s
    part = [piece == 0, piece == 1, piece == 2, piece == 3]
    bow = s / dome
    radius = np.select(
        part, [dome * np.sin(bow), ferrule - to_go * (run / slant), ferrule, ferrule + s - barrel_s]
    )
    radius = np.where(piece >= 4, wall_r, radius)
    top, floor = profile.barrel_top_z_um, profile.floor_z_um
    sag = -2 * dome * np.sin(bow / 2) ** 2
    height = np.select(part, [sag, top + to_go * (drop / slant), top + to_go, np.float32(floor)])
    height = np.where(piece >= 4, floor + s - floor_s, height)
    phi = np.radians(theta)
    cos, sin = np.cos(phi), np.sin(phi)
    outward = np.select(part[:3], [np.sin(bow), np.float32(drop / slant), np.float32(1)])
    upward = np.select(part, [np.cos(bow), np.float32(run / slant), np.float32(0), np.float32(1)])
    xyz = np.stack([radius * cos, radius * sin, height]).astype(np.float32)
    normal = np.stack([outward * cos, outward * sin, upward]).astype(np.float32)
    on_wall = piece == 4
    middle = profile.s_ends_at(_AROUND)[Surface.CAVITY] - shape.cavity_depth_um / 2
    of_wall = profile.normal(middle, _AROUND)
    for axis in range(3):
        normal[axis, on_wall] = np.interp(theta[on_wall], _AROUND, of_wall[:, axis])
    surface = _SURFACE_OF_PIECE[piece]
    surface[(piece == 0) & (radius <= FIBER_RADIUS_UM)] = Surface.FIBER
    return Places(xyz, normal, s, surface)


def look_at(view: MappedView, places: Places) -> Look:
    """What the view shows of the places: inside the frame, facing it, and nothing in the way."""
    camera = view.camera
    axes = camera.axes().astype(np.float32)
    height, width = camera.size_hw
    focal = np.float32(camera.focal_px)
    at_fiber = (
        (camera.fiber_px[0] - width / 2) * camera.um_per_px,
        (camera.fiber_px[1] - height / 2) * camera.um_per_px,
        camera.distance_um,
    )
    # in camera axes; written out, as a product of matrices wakes all threads for little
    right, down, depth = (
        a[0] * places.xyz_um[0] + a[1] * places.xyz_um[1] + a[2] * places.xyz_um[2] + np.float32(at)
        for a, at in zip(axes, at_fiber, strict=True)
    )
    n_right, n_down, n_depth = (
        a[0] * places.normal[0] + a[1] * places.normal[1] + a[2] * places.normal[2] for a in axes
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        x = right * (focal / depth) + np.float32(width / 2)
        y = down * (focal / depth) + np.float32(height / 2)
        sight = -(n_right * right + n_down * down + n_depth * depth)
        facing = sight / np.sqrt(right * right + down * down + depth * depth)
        inside = (depth > 0) & (x >= 1) & (x < width - 1) & (y >= 1) & (y < height - 1)
        inside &= facing > LEAST_FACING
    row, column = (np.zeros(x.size, np.intp) for _ in range(2))
    at = np.flatnonzero(inside)
    row[at], column[at] = y[at], x[at]
    um_per_px = depth / focal
    safe = np.maximum(facing, np.float32(LEAST_FACING))
    pixel = row[at], column[at]
    same = _same_surface(view, places.surface[at], pixel)
    gap = np.abs(view.coordinates.s_um[pixel] - places.s_um[at])
    same &= gap <= TOLERANCE_PX * um_per_px[at] / safe[at] + TOLERANCE_UM
    same &= view.unseen[pixel] < MOST_UNSEEN
    shown = np.zeros(x.size, bool)
    shown[at] = same
    resolved = np.float32(view.limit_px) * um_per_px / np.sqrt(safe)
    return Look(shown, row, column, facing, um_per_px, resolved)


def _same_surface(
    view: MappedView, surface: Bytes, pixel: tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]
) -> Mask:
    """Whether the fitted and the segmented surface are the places', or next to it on the chart.

    Next to it, because an edge may be drawn or labelled a pixel off; the travel distance then says
    whether it is the same place.
    """
    wanted = np.minimum(surface, np.uint8(Surface.ENDFACE)).astype(np.int8)
    drawn = np.minimum(view.coordinates.surface[pixel], np.uint8(Surface.ENDFACE))
    labelled = np.minimum(view.surface[pixel], np.uint8(Surface.ENDFACE))
    near = (drawn >= Surface.CAVITY) & (labelled >= Surface.CAVITY) & (wanted >= Surface.CAVITY)
    near &= np.abs(drawn.astype(np.int8) - wanted) <= 1
    return near & (np.abs(labelled.astype(np.int8) - wanted) <= 1)
