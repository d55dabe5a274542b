"""How well one view sees a place: direction, scale, and where a standing deposit has its foot."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.camera import Camera
from ...model.kinds import Kind
from ...model.profile import MeridianProfile
from ...model.surfaces import Surface
from .deposits import SeenDeposit
from .pose import Pose
from .standing import Line, stands_at

__all__ = [
    "BASE_SD_UM",
    "SIZE_SHARE",
    "STANDING",
    "PlaceSight",
    "Placed",
    "floor_sd_um",
    "place_sighting",
    "sight_of",
]

Floats = npt.NDArray[np.float64]

HEIGHT_SHARE = 0.35  # the middle of an equant grain stands about a third of its size high
LEAST_FACING = 0.03
MOST_STEP_UM = 400.0
FARTHEST_FOOT_UM = 1500.0
LOCATE_PX = 1.0  # how well a centroid is located in the picture
BASE_SD_UM = 8.0  # of a place, whatever the scale: shape of the surface, polish, labels
HOUSING_SD_UM = 120.0  # of a place on the housing, whose face is not flat
SIZE_SHARE = 0.12  # and of its size: two views see two sides of a lump
STANDING = (Kind.PARTICLE, Kind.LINT)
LEAST_ON_HOST = 0.6  # of a standing deposit's pixels; with less it sticks out beyond the silhouette


@dataclass(frozen=True)
class PlaceSight:
    """One view's sight of one place on the surface.

    `facing`: cosine between the line of sight and the normal; negative: turned away. `um_per_px`
    across the line of sight. `toward` [2]: unit vector on the surface, along s and along theta,
    that points to the camera. `xy_px`: where the place lies in the picture.
    """

    facing: float
    um_per_px: float
    toward: Floats
    xy_px: tuple[float, float]
    radius_um: float


def sight_of(
    camera: Camera, profile: MeridianProfile, s_um: float, theta_deg: float
) -> PlaceSight | None:
    """The view's sight of (s, theta); None off the chart or behind the camera."""
    point, normal = profile.points_and_normals(s_um, theta_deg)
    if not np.isfinite(point).all():
        return None
    px, depth = camera.project(point)
    if not depth > 0:
        return None
    right, down, forward = camera.axes()
    height, width = camera.size_hw
    away = forward + ((px[0] - width / 2) * right + (px[1] - height / 2) * down) / camera.focal_px
    toward = -away / np.linalg.norm(away)
    phi = np.radians(theta_deg)
    along_theta = np.array([-np.sin(phi), np.cos(phi), 0.0])
    along_s = np.cross(along_theta, normal)
    flat = np.array([toward @ along_s, toward @ along_theta])
    length = float(np.hypot(*flat))
    return PlaceSight(
        facing=float(toward @ normal),
        um_per_px=float(depth) / camera.focal_px,
        toward=flat / length if length > 1e-9 else np.array([1.0, 0.0]),
        xy_px=(float(px[0]), float(px[1])),
        radius_um=float(np.hypot(point[0], point[1])),
    )


@dataclass(frozen=True)
class Placed:
    """A sighting with its place put right, how sure that is, and how well it was seen.

    `s_um`, `theta_deg`: of its foot. `covariance` [2, 2] um2 along s and theta, `seen_covariance`
    the same without the view's turn. `worth`: grows with the detail that the view shows of the
    place; compares sightings of one deposit. `turn_known`: whether theta compares with other views.
    `line`: of one that sticks out beyond the silhouette, the line of sight it was placed by.
    """

    seen: SeenDeposit
    s_um: float
    theta_deg: float
    radius_um: float
    covariance: Floats
    seen_covariance: Floats
    worth: float
    facing: float
    um_per_px: float
    turn_known: bool
    line: Line | None = None


def _height_um(seen: SeenDeposit) -> float:
    """How high the middle of a deposit stands above the surface."""
    if seen.kind == Kind.PARTICLE:
        return HEIGHT_SHARE * seen.size_um
    return HEIGHT_SHARE * seen.width_um if seen.kind == Kind.LINT else 0.0


def place_sighting(seen: SeenDeposit, pose: Pose, profile: MeridianProfile) -> Placed | None:
    """Where a sighting's deposit has its foot; None where its place is not known.

    A grain hides the surface behind it as the camera sees it, so its pixels show a place too far
    from the camera by its height times the tangent of the angle of view. What sticks out beyond the
    silhouette is placed by its line of sight (`standing`).
    """
    if _sticks_out(seen) and (found := _by_line(seen, pose, profile)) is not None:
        return found
    if seen.s_um is None or seen.theta_deg is None:
        return None
    height = _height_um(seen)
    s_um, theta = seen.s_um, seen.theta_deg
    if height > 0:
        s_um, theta = _foot(pose.camera, profile, seen, height)
    sight = sight_of(pose.camera, profile, s_um, theta)
    if sight is None:
        return None
    facing = max(sight.facing, LEAST_FACING)
    slant = float(np.sqrt(1 - facing**2)) / facing
    radius = max(sight.radius_um, 1.0)
    across = (LOCATE_PX * sight.um_per_px + SIZE_SHARE * seen.size_um) ** 2 + BASE_SD_UM**2
    along = ((LOCATE_PX * sight.um_per_px + SIZE_SHARE * seen.size_um) * slant) ** 2
    seen_covariance = across * np.eye(2) + along * np.outer(sight.toward, sight.toward)
    if seen.surface == Surface.CAVITY:
        seen_covariance[0, 0] += floor_sd_um(pose, profile, s_um, theta) ** 2
    covariance = seen_covariance.copy()
    covariance[1, 1] += (np.radians(pose.turn_sd_deg or 0.0) * radius) ** 2
    return Placed(
        seen=seen,
        s_um=s_um,
        theta_deg=theta,
        radius_um=radius,
        covariance=covariance,
        seen_covariance=seen_covariance,
        worth=facing * seen.confidence / sight.um_per_px**2,
        facing=sight.facing,
        um_per_px=sight.um_per_px,
        turn_known=pose.turn_sd_deg is not None,
    )


def floor_sd_um(pose: Pose, profile: MeridianProfile, s_um: float, theta_deg: float) -> float:
    """How far the unknown height of the cavity's floor may shift a travel distance there, um.

    A floor deeper by 1 um makes the barrel 1 um longer, and lets the line of sight go on, outwards
    or inwards. Up the wall, whose place the picture shows, s counts the way down and up again.
    """
    if s_um >= float(profile.s_ends_at(theta_deg)[Surface.CAVITY]) - profile.shape.cavity_depth_um:
        return 2 * pose.floor_sd_um
    camera = pose.camera
    slant = np.tan(np.radians(min(camera.tilt_deg, 80.0)))
    share = 1 - slant * np.cos(np.radians(theta_deg - camera.turn_deg))
    return max(abs(float(share)), 0.2) * pose.floor_sd_um


def _sticks_out(seen: SeenDeposit) -> bool:
    """Whether a standing deposit shows mostly beyond the silhouette of the ferrule's side."""
    if seen.kind not in STANDING or seen.surface not in (Surface.CHAMFER, Surface.BARREL):
        return False
    return seen.on_host < LEAST_ON_HOST or seen.s_um is None


def _by_line(seen: SeenDeposit, pose: Pose, profile: MeridianProfile) -> Placed | None:
    """A sighting placed by its line of sight alone."""
    scale = pose.camera.um_per_px
    size = max(seen.width_um if seen.kind == Kind.LINT else seen.feret_max_um, scale)
    turn_sd = pose.turn_sd_deg
    # other views see other parts of it
    sd_px = float(np.hypot(LOCATE_PX, (SIZE_SHARE * size + BASE_SD_UM) / scale))
    line = Line(pose.camera, seen.xy_px, sd_px, size, turn_sd or 0.0)
    found = stands_at([line], profile, seen.surface)
    if found is None:
        return None
    sight = sight_of(pose.camera, profile, found.s_um, found.theta_deg)
    if sight is None:
        return None
    facing = max(sight.facing, LEAST_FACING)
    return Placed(
        seen=seen,
        s_um=found.s_um,
        theta_deg=found.theta_deg,
        radius_um=max(sight.radius_um, 1.0),
        covariance=found.covariance,
        seen_covariance=found.covariance,
        worth=facing * seen.confidence / sight.um_per_px**2,
        facing=sight.facing,
        um_per_px=sight.um_per_px,
        turn_known=turn_sd is not None,
        line=line,
    )


def place_on_housing(seen: SeenDeposit, pose: Pose, profile: MeridianProfile) -> Placed | None:
    """Where a sighting on the housing would lie if it lay in the plane of its front face.

    The housing's outside is not on the chart: this only tells whether two views mean the same
    deposit. `s_um` is the distance from the axis here.
    """
    camera = pose.camera
    right, down, forward = camera.axes()
    height, width = camera.size_hw
    across = (seen.xy_px[0] - width / 2) * right + (seen.xy_px[1] - height / 2) * down
    ray = forward + across / camera.focal_px
    if ray[2] >= -1e-6:
        return None
    centre = camera.centre_um()
    point = centre + (profile.rim_z_um - centre[2]) / ray[2] * ray
    radius = max(float(np.hypot(point[0], point[1])), 1.0)
    spread = HOUSING_SD_UM**2 * np.eye(2)
    spread[1, 1] += (np.radians(pose.turn_sd_deg or 0.0) * radius) ** 2
    return Placed(
        seen=seen,
        s_um=radius,
        theta_deg=float(np.degrees(np.arctan2(point[1], point[0])) % 360),
        radius_um=radius,
        covariance=spread,
        seen_covariance=spread,
        worth=-float(ray[2] / np.linalg.norm(ray)) * seen.confidence / camera.um_per_px**2,
        facing=-float(ray[2] / np.linalg.norm(ray)),
        um_per_px=camera.um_per_px,
        turn_known=pose.turn_sd_deg is not None,
    )


def _foot(
    camera: Camera, profile: MeridianProfile, seen: SeenDeposit, height_um: float
) -> tuple[float, float]:
    """(s, theta) such that a point `height_um` above it appears at the sighting's centroid.

    Newton's method from the place that the sighting's pixels show. Where it leads off the surface
    or far away (a lump beyond the silhouette), that place stays.
    """
    assert seen.s_um is not None
    assert seen.theta_deg is not None
    start = np.array([seen.s_um, seen.theta_deg])
    per_deg = np.radians(max(float(profile.radius_um(seen.s_um, seen.theta_deg)), 5.0))
    wanted = np.array(seen.xy_px)

    def misses(places: npt.NDArray[Any]) -> list[Floats]:
        feet, normals = profile.points_and_normals(places[:, 0], places[:, 1])
        return [camera.project(top)[0] - wanted for top in feet + height_um * normals]

    step = 2.0
    place: Floats = start.copy()
    aside = np.array([[0.0, 0.0], [step, 0.0], [0.0, step / per_deg]])
    for _ in range(8):
        at, along, around = misses(place + aside)
        if not np.isfinite(at).all():
            return seen.s_um, seen.theta_deg
        if np.hypot(*at) < 0.02:
            break
        slope = np.stack([along - at, around - at], axis=1)
        # a little damping (1 px2 per um2 of 1e-6) keeps the grazing direction from running away
        push = np.linalg.solve(slope.T @ slope + 1e-6 * np.eye(2), slope.T @ -at)
        push *= min(1.0, MOST_STEP_UM / (step * float(np.hypot(*push)) + 1e-9))
        place = place + push * [step, step / per_deg]
    far = np.hypot(place[0] - start[0], (place[1] - start[1]) * per_deg)
    here, there = (int(profile.surface_at(*p)) for p in (place, start))
    face = int(Surface.ENDFACE)
    if far > FARTHEST_FOOT_UM or min(here, face) != min(there, face):
        return seen.s_um, seen.theta_deg
    return float(place[0]), float(place[1] % 360)
