"""The camera against closed forms, an independent ray march and the chart of the surface."""

import numpy as np
import pytest

from fiberward.model.camera import Camera, surface_coordinates
from fiberward.model.profile import MeridianProfile
from fiberward.model.shape import ConnectorShape
from fiberward.model.surfaces import Surface

SHAPE = ConnectorShape(1249.5, 15000.0, 900.0, 300.0, 5000.0, 2200.0, 3500.0)
LEANING = ConnectorShape(
    1249.5, 8000.0, 900.0, 300.0, 5000.0, 2200.0, 3500.0, 0.4, apc_angle_deg=8.0, key_deg=25.0
)


def camera(tilt_deg: float = 40.0, turn_deg: float = 30.0, roll_deg: float = 5.0) -> Camera:
    return Camera(tilt_deg, turn_deg, roll_deg, 8.0, (330.0, 200.0), 40000.0, (480, 640))


def test_the_fibre_lands_on_its_stated_pixel_at_the_stated_depth():
    px, depth = camera().project([0.0, 0.0, 0.0])
    assert np.allclose(px, (330.0, 200.0))
    assert np.isclose(depth, 40000.0)


def test_a_pixel_at_the_fibres_depth_spans_um_per_px():
    """Moving a point sideways in the picture plane by um_per_px moves it by one pixel."""
    view = camera()
    right, down, _ = view.axes()
    px, _ = view.project(np.stack([right * 8.0, down * 8.0]))
    assert np.allclose(px, [(331.0, 200.0), (330.0, 201.0)])


def test_points_along_a_pixels_ray_project_back_onto_the_pixels_centre():
    view = camera()
    origin, directions = view.rays()
    points = origin + 35000.0 * directions[[0, 200, 479], [639, 10, 320]]
    px, _ = view.project(points)
    assert np.allclose(px, [(639.5, 0.5), (10.5, 200.5), (320.5, 479.5)], atol=1e-6)


def test_a_point_behind_the_camera_has_no_pixel():
    px, depth = camera(tilt_deg=0.0).project([0.0, 0.0, 50000.0])
    assert np.isnan(px).all()
    assert depth < 0


@pytest.mark.parametrize("tilt_deg", [0.0, 30.0, 70.0])
@pytest.mark.parametrize("turn_deg", [0.0, 90.0, 200.0])
def test_the_side_at_the_turns_angle_lies_at_the_bottom_of_the_picture(tilt_deg, turn_deg):
    """By the definition of turn: straight below the fibre, and the side 90 deg on to its right."""
    view = Camera(tilt_deg, turn_deg, 0.0, 8.0, (320.0, 240.0), 40000.0, (480, 640))
    angle = np.radians([turn_deg, turn_deg + 90])
    rim = np.stack([900 * np.cos(angle), 900 * np.sin(angle), np.zeros(2)], axis=-1)
    (below, aside), _ = view.project(rim)
    assert abs(below[0] - 320) < 1e-6
    assert below[1] > 240 + 5
    assert aside[0] > 320 + 5


def test_seen_straight_from_the_front_theta_runs_counter_clockwise_on_the_screen():
    """Hand case: turn 270 puts theta 270 at the bottom, so theta 0 is right and 90 is up."""
    view = Camera(0.0, 270.0, 0.0, 10.0, (320.0, 240.0), 1e9, (480, 640))
    px, _ = view.project([[500.0, 0.0, 0.0], [0.0, 500.0, 0.0]])
    assert np.allclose(px, [(370.0, 240.0), (320.0, 190.0)], atol=1e-3)


def test_a_positive_roll_turns_the_content_clockwise_on_the_screen():
    """Clockwise by 90 deg: what lay below the fibre now lies to its left."""
    upright = Camera(0.0, 0.0, 0.0, 10.0, (320.0, 240.0), 1e9, (480, 640))
    rolled = Camera(0.0, 0.0, 90.0, 10.0, (320.0, 240.0), 1e9, (480, 640))
    assert np.allclose(upright.project([500.0, 0, 0])[0], (320.0, 290.0), atol=1e-3)
    assert np.allclose(rolled.project([500.0, 0, 0])[0], (270.0, 240.0), atol=1e-3)


@pytest.mark.parametrize("shape", [SHAPE, LEANING], ids=["upright", "apc"])
@pytest.mark.parametrize("tilt_deg", [0.0, 25.0, 60.0])
def test_every_pixels_place_on_the_chart_projects_back_into_that_pixel(shape, tilt_deg):
    """The chart's own to_xyz, tested elsewhere, is the reference."""
    view = camera(tilt_deg=tilt_deg)
    seen = surface_coordinates(view, shape)
    rows, columns = np.nonzero(seen.surface > 0)
    profile = MeridianProfile(shape)
    xyz = profile.to_xyz(
        seen.s_um[rows, columns].astype(float), seen.theta_deg[rows, columns].astype(float)
    )
    shown = np.isfinite(xyz).all(axis=-1)  # the rim itself may round off the chart
    assert shown.mean() > 0.999
    px, _ = view.project(xyz[shown])
    off = np.hypot(px[:, 0] - columns[shown] - 0.5, px[:, 1] - rows[shown] - 0.5)
    assert np.percentile(off, 99.9) < 0.02


@pytest.mark.parametrize("shape", [SHAPE, LEANING], ids=["upright", "apc"])
def test_the_charts_surface_names_agree_with_the_cameras(shape):
    seen = surface_coordinates(camera(), shape)
    on = seen.surface > 0
    named = MeridianProfile(shape).surface_at(seen.s_um[on] - 1e-3, seen.theta_deg[on])
    assert np.mean(named == seen.surface[on]) > 0.998


def test_areas_seen_from_the_front_add_up_to_the_closed_forms():
    """Cap 2 pi R h, frustum pi (r1 + r2) slant, disc pi r^2 (any geometry text)."""
    view = Camera(0.0, 0.0, 0.0, 3.0, (500.0, 490.0), 60000.0, (1000, 1000))
    seen = surface_coordinates(view, SHAPE)
    height = 15000.0 - np.sqrt(15000.0**2 - 900.0**2)
    area = lambda s: float(seen.pixel_area_um2[seen.surface == s].sum(dtype=float))  # noqa: E731
    cap = 2 * np.pi * 15000.0 * height
    assert area(Surface.ENDFACE) + area(Surface.FIBER) == pytest.approx(cap, rel=1e-3)
    assert area(Surface.FIBER) == pytest.approx(np.pi * 62.5**2, rel=0.02)
    frustum = np.pi * (900.0 + 1249.5) * np.hypot(349.5, 300.0)
    assert area(Surface.CHAMFER) == pytest.approx(frustum, rel=2e-3)


@pytest.mark.parametrize("tilt_deg", [30.0, 55.0, 70.0])
def test_area_of_the_endface_does_not_depend_on_the_tilt(tilt_deg):
    seen = surface_coordinates(camera(tilt_deg=tilt_deg), SHAPE)
    face = (seen.surface == Surface.ENDFACE) | (seen.surface == Surface.FIBER)
    height = 15000.0 - np.sqrt(15000.0**2 - 900.0**2)
    total = float(seen.pixel_area_um2[face].sum(dtype=float))
    assert total == pytest.approx(2 * np.pi * 15000.0 * height, rel=5e-3)


def test_facing_is_the_cosine_between_ray_and_the_charts_normal():
    view = camera()
    seen = surface_coordinates(view, SHAPE)
    _, directions = view.rays()
    on = seen.surface > 0
    normal = MeridianProfile(SHAPE).normal(seen.s_um[on], seen.theta_deg[on])
    cosine = -np.sum(normal * directions[on], axis=-1)
    assert np.nanpercentile(np.abs(cosine - seen.facing[on]), 99.5) < 1e-3


def test_a_ray_march_through_the_solids_meets_the_same_surfaces():
    """Independent check: step along rays, test the solids' inequalities, take the first hit."""
    view, rng = camera(tilt_deg=50.0), np.random.default_rng(3)
    seen = surface_coordinates(view, SHAPE)
    origin, directions = view.rays()
    rows, columns = rng.integers(0, 480, 300), rng.integers(0, 640, 300)
    steps = np.arange(30000.0, 50000.0, 4.0)
    points = origin + steps[None, :, None] * directions[rows, columns][:, None]
    radius, z = np.hypot(points[..., 0], points[..., 1]), points[..., 2]
    sag = np.sqrt(15000.0**2 - 900.0**2) - 15000.0
    dome = radius**2 + (z + 15000.0) ** 2 <= 15000.0**2
    cone = radius <= 900.0 + (sag - z) * 349.5 / 300.0
    ferrule = dome & cone & (radius <= 1249.5)
    floor, rim = sag - 5300.0, sag - 1800.0
    body = (z <= floor) | ((z <= rim) & (radius >= 2200.0))
    first_ferrule = np.where(ferrule.any(1), ferrule.argmax(1), 10**6)
    first_body = np.where(body.any(1), body.argmax(1), 10**6)
    is_ferrule = first_ferrule < first_body
    index = np.minimum(first_body, steps.size - 1)
    entered = z[np.arange(300), index] < rim - 8  # else the housing's front face
    expected = np.where(is_ferrule, 1, np.where((first_body < 10**6) & entered, 2, 0))
    got = seen.surface[rows, columns]
    got = np.where(got >= Surface.BARREL, 1, np.where(got == Surface.CAVITY, 2, 0))
    assert np.mean(expected == got) > 0.985
    assert {0, 1, 2} <= set(expected.tolist())


def test_a_camera_needs_a_positive_scale_and_distance():
    with pytest.raises(ValueError, match="positive"):
        Camera(0.0, 0.0, 0.0, 0.0, (1.0, 1.0), 1e4, (10, 10))
