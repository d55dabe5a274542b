"""Circles, ellipses and patches of known place and area, through pose, measuring and placing.

Outside: plane and solid geometry. A circle has pi d^2 / 4, an ellipse pi a b, a patch of a cone or
a cylinder is as long as it is along the meridian and as wide as its angle times the radius. They
are laid into pictures by the exact camera; everything after that comes from the fitted one.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pytest

from fiberward.inference.see.deposits import measure_deposits
from fiberward.inference.see.pose import ConnectorFit, fit_connector
from fiberward.inference.see.segment import Segmentation
from fiberward.inference.see.sighting import place_sighting
from fiberward.model.camera import Camera, SurfaceCoordinates, surface_coordinates
from fiberward.model.kinds import Kind
from fiberward.model.profile import ConnectorShape, MeridianProfile
from fiberward.model.surfaces import Surface

SHAPE = ConnectorShape(1249.5, 15000.0, 900.0, 250.0, 2500.0, 4200.0, 600.0)
PROFILE = MeridianProfile(SHAPE)
TURN_DEG = 70.0
TILTS_DEG = (0.0, 20.0, 40.0, 60.0, 80.0)
TOTAL_SHARE = 0.01  # what a surface's total may be off
AREA_SHARE, EDGE_PX = 0.06, 0.4  # and a small patch's, whose edge runs through pixels


@dataclass(frozen=True)
class Patch:
    """A flat deposit: where, its two sides or axes (um), and whether it is an oval."""

    s_um: float
    theta_deg: float
    along_um: float
    across_um: float
    oval: bool

    @property
    def area_um2(self) -> float:
        return self.along_um * self.across_um * (np.pi / 4 if self.oval else 1.0)


ON_FACE = [Patch(420, 70, 110, 110, True), Patch(560, 190, 160, 70, True)]
ON_SIDE = [Patch(1450, 75, 150, 90, False), Patch(1900, 50, 140, 140, True)]


@cache
def taken(tilt_deg: float) -> tuple[SurfaceCoordinates, ConnectorFit]:
    """The exact places of a view's pixels, and the fit to it together with a front view."""
    cameras = [
        Camera(tilt, TURN_DEG, 0.0, 4.0, (400.0, 300.0 - 100 * (tilt > 30)), 60_000.0, (640, 800))
        for tilt in (1.0, tilt_deg)
    ]
    exact = [surface_coordinates(camera, SHAPE) for camera in cameras]
    return exact[1], fit_connector(exact, 2.5, [TURN_DEG, TURN_DEG])


def mask_of(patch: Patch, exact: SurfaceCoordinates) -> Any:
    """The pixels whose place lies on the patch."""
    theta = np.radians(exact.theta_deg - patch.theta_deg)
    on_face = exact.surface >= Surface.ENDFACE
    if patch.s_um < PROFILE.s_end_um[Surface.ENDFACE]:
        along = exact.s_um * np.cos(theta) - patch.s_um
        across = exact.s_um * np.sin(theta)
    else:
        along = exact.s_um - patch.s_um
        radius = float(PROFILE.radius_um(patch.s_um, patch.theta_deg))
        across = radius * ((theta + np.pi) % (2 * np.pi) - np.pi)
        on_face = exact.surface == Surface.BARREL
    u, v = along / patch.along_um, across / patch.across_um
    inside = u * u + v * v <= 0.25 if patch.oval else (np.abs(u) <= 0.5) & (np.abs(v) <= 0.5)
    return inside & on_face


def measured(patch: Patch, tilt_deg: float) -> tuple[Any, Any]:
    """The deposit as measured and as placed by the fitted pose."""
    exact, fit = taken(tilt_deg)
    pose = fit.poses[1]
    assert pose is not None, fit.why_not
    kind = mask_of(patch, exact).astype(np.uint8) * int(Kind.FILM)
    nothing = np.zeros(kind.shape, np.float32)
    seen = Segmentation(exact.surface, kind, (kind > 0).astype(np.float32), nothing, 0.0)
    fitted = surface_coordinates(pose.camera, pose.shape)
    (deposit,) = measure_deposits(seen, fitted, 1)
    return deposit, place_sighting(deposit, pose, MeridianProfile(pose.shape))


CASES = [
    *((patch, tilt) for patch in ON_FACE for tilt in TILTS_DEG),
    *((patch, tilt) for patch in ON_SIDE for tilt in TILTS_DEG if tilt >= 40),
]


@pytest.mark.parametrize(("patch", "tilt_deg"), CASES)
def test_a_known_patch_comes_back_at_its_place_within_the_stated_uncertainty(patch, tilt_deg):
    _, placed = measured(patch, tilt_deg)
    off = np.array([placed.s_um - patch.s_um, 0.0])
    turn = (placed.theta_deg - patch.theta_deg + 180) % 360 - 180
    off[1] = np.radians(turn) * placed.radius_um
    # 99.7 % of a two-dimensional normal distribution lies within 11.6; the turn was stated exactly
    assert off @ np.linalg.solve(placed.seen_covariance, off) < 11.6
    assert np.hypot(*off) < 40  # and that is no empty promise


@pytest.mark.parametrize(("patch", "tilt_deg"), CASES)
def test_a_known_patch_comes_back_with_its_area(patch, tilt_deg):
    deposit, _ = measured(patch, tilt_deg)
    # seen at a slant a patch is few pixels high, and its edge falls anywhere within them
    share = AREA_SHARE + EDGE_PX / min(deposit.mask.shape)
    assert share < 0.2
    assert deposit.area_um2 == pytest.approx(patch.area_um2, rel=share)


@pytest.mark.parametrize("tilt_deg", TILTS_DEG)
def test_the_whole_endface_comes_back_with_the_area_of_its_cap(tilt_deg):
    """A spherical cap of height h has the area 2 pi R h (solid geometry)."""
    _, fit = taken(tilt_deg)
    pose = fit.poses[1]
    fitted = surface_coordinates(pose.camera, pose.shape)
    total = float(fitted.pixel_area_um2[fitted.surface >= Surface.ENDFACE].sum())
    height = SHAPE.dome_radius_um - np.sqrt(SHAPE.dome_radius_um**2 - SHAPE.endface_edge_um**2)
    assert total == pytest.approx(2 * np.pi * SHAPE.dome_radius_um * height, rel=TOTAL_SHARE)


@pytest.mark.parametrize("tilt_deg", [20.0, 40.0])  # from the front alone its depth cannot be told
def test_the_whole_chamfer_comes_back_with_the_area_of_its_frustum(tilt_deg):
    """A cone's frustum between radii a and b with the slant l has the area pi (a + b) l."""
    _, fit = taken(tilt_deg)
    pose = fit.poses[1]
    fitted = surface_coordinates(pose.camera, pose.shape)
    total = float(fitted.pixel_area_um2[fitted.surface == Surface.CHAMFER].sum())
    run = SHAPE.ferrule_radius_um - SHAPE.endface_edge_um
    slant = np.hypot(run, SHAPE.chamfer_depth_um)
    wanted = np.pi * (SHAPE.endface_edge_um + SHAPE.ferrule_radius_um) * slant
    assert total == pytest.approx(wanted, rel=TOTAL_SHARE)
