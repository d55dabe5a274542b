"""The chart of the surface against closed forms, numerical derivatives and itself."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fiberward.model.profile import FIBER_RADIUS_UM, ConnectorShape, MeridianProfile
from fiberward.model.surfaces import Surface

ROUND = ConnectorShape(1249.5, 20000.0, 700.0, 300.0, 6000.0, 2500.0, 4000.0)
SQUARE = ConnectorShape(1249.5, 12000.0, 700.0, 317.0, 6000.0, 2500.0, 4000.0, 0.3, 0.0, 20.0)
SHARP = ConnectorShape(1249.5, 12000.0, 700.0, 317.0, 6000.0, 2500.0, 4000.0, 0.0)
ANGLED = ConnectorShape(1249.5, 8000.0, 700.0, 317.0, 6000.0, 2500.0, 4000.0, 1.0, 8.0, 35.0)
SHAPES = {"round": ROUND, "square": SQUARE, "sharp": SHARP, "angled": ANGLED}


@st.composite
def shapes(draw: st.DrawFn) -> ConnectorShape:
    """Any connector of either ferrule size that the trade could hold."""
    ferrule = draw(st.sampled_from([624.5, 1249.5]))
    apc = draw(st.sampled_from([0.0, 8.0, 9.0]))
    # a wide or shallow chamfer on an angled face would vanish on one side
    edge = ferrule * draw(st.floats(0.5, 0.58 if apc else 0.8))
    slope = draw(st.floats(np.tan(np.radians(40 if apc else 25)), np.tan(np.radians(60))))
    return ConnectorShape(
        ferrule_radius_um=ferrule,
        dome_radius_um=draw(st.floats(5000.0, 30000.0)),
        endface_edge_um=edge,
        chamfer_depth_um=(ferrule - edge) * slope,
        barrel_length_um=draw(st.floats(2000.0, 9000.0)),
        cavity_radius_um=ferrule * draw(st.floats(1.3, 3.0)),
        cavity_depth_um=draw(st.floats(500.0, 8000.0)),
        cavity_corner=draw(st.floats(0.0, 1.0)),
        apc_angle_deg=apc,
        key_deg=draw(st.none() | st.floats(0.0, 359.0)),
    )


places = st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 359.999))


@settings(max_examples=80, deadline=None, derandomize=True)
@given(shapes(), st.lists(places, min_size=1, max_size=20))
def test_a_place_survives_the_way_to_space_and_back(shape, wanted):
    profile = MeridianProfile(shape)
    share, theta = np.array(wanted).T
    s = share * profile.s_ends_at(theta)[Surface.CAVITY]
    s = np.maximum(s, 1e-3)  # at the fibre's very centre theta means nothing
    s_back, theta_back, surface = profile.from_xyz(profile.to_xyz(s, theta))
    np.testing.assert_allclose(s_back, s, atol=1e-6)
    turn = (theta_back - theta + 180) % 360 - 180
    np.testing.assert_allclose(turn * np.radians(1) * profile.radius_um(s, theta), 0, atol=1e-6)
    assert np.all((theta_back >= 0) & (theta_back < 360))
    away_from_edges = (
        np.min([np.abs(s - end) for end in profile.s_ends_at(theta).values()], axis=0) > 1e-3
    )
    at = profile.surface_at(s, theta)
    assert np.array_equal(surface[away_from_edges], at[away_from_edges])


@settings(max_examples=25, deadline=None, derandomize=True)
@given(shapes(), st.floats(0.0, 359.9))
def test_path_length_is_the_length_walked_along_the_meridian(shape, theta):
    profile = MeridianProfile(shape)
    s = np.linspace(0.0, float(profile.s_ends_at(theta)[Surface.CAVITY]), 4001)
    steps = np.linalg.norm(np.diff(profile.to_xyz(s, theta), axis=0), axis=1)
    corners = 4  # a chord may cut short at each corner between two pieces
    assert np.sum(~np.isclose(steps, s[1], rtol=1e-4)) <= corners
    assert np.all(steps <= s[1] * (1 + 1e-9))  # also proves that no jump hides in the chain


@pytest.mark.parametrize("name", SHAPES)
def test_normals_agree_with_differences_of_the_surface(name):
    profile = MeridianProfile(SHAPES[name])
    s, theta = random_places(profile)
    along, around = tangents(profile, s, theta)
    cross = np.cross(around, along)  # d/dtheta x d/ds points out of the material
    expected = cross / np.linalg.norm(cross, axis=-1, keepdims=True)
    normal = profile.normal(s, theta)
    np.testing.assert_allclose(np.linalg.norm(normal, axis=-1), 1.0, rtol=1e-12)
    off = np.linalg.norm(normal + expected, axis=-1)
    assert np.quantile(off, 0.999) < 1e-5  # the few left straddle a kink of the outline


@pytest.mark.parametrize("name", SHAPES)
def test_area_density_agrees_with_differences_of_the_surface(name):
    profile = MeridianProfile(SHAPES[name])
    s, theta = random_places(profile)
    along, around = tangents(profile, s, theta)
    expected = np.linalg.norm(np.cross(along, around), axis=-1)
    ratio = profile.area_density(s, theta) / expected
    assert np.quantile(np.abs(ratio - 1), 0.999) < 1e-5


def random_places(profile, count=5000):
    rng = np.random.default_rng(7)
    theta = rng.uniform(0.0, 360.0, count)
    ends = profile.s_ends_at(theta)
    surface = rng.choice(list(ends), count)  # as many on the small dome as on the long barrel
    high = np.choose([list(ends).index(k) for k in surface], list(ends.values()))
    s = rng.uniform(0.02, 0.999, count) * high
    return s, theta


def tangents(profile, s, theta, step=1e-3):
    along = profile.to_xyz(s + step, theta) - profile.to_xyz(s - step, theta)
    around = profile.to_xyz(s, theta + step) - profile.to_xyz(s, theta - step)
    return along / (2 * step), around / (2 * np.radians(step))


def test_areas_of_the_round_connector_are_cap_frustum_cylinder_and_annulus():
    profile = MeridianProfile(ROUND)
    dome, edge, ferrule = 20000.0, 700.0, 1249.5

    def cap(radius):  # spherical cap: 2 pi R h
        return 2 * np.pi * dome * (dome - np.sqrt(dome**2 - radius**2))

    fiber = cap(FIBER_RADIUS_UM)
    frustum = np.pi * (edge + ferrule) * np.hypot(ferrule - edge, 300.0)
    floor, wall = np.pi * (2500.0**2 - ferrule**2), 2 * np.pi * 2500.0 * 4000.0
    assert profile.total_area_um2(Surface.FIBER) == pytest.approx(fiber, rel=1e-9)
    assert profile.total_area_um2(Surface.ENDFACE) == pytest.approx(cap(edge) - fiber, rel=1e-9)
    assert profile.total_area_um2(Surface.CHAMFER) == pytest.approx(frustum, rel=1e-9)
    barrel = 2 * np.pi * ferrule * 6000.0
    assert profile.total_area_um2(Surface.BARREL) == pytest.approx(barrel, rel=1e-9)
    assert profile.total_area_um2(Surface.CAVITY) == pytest.approx(floor + wall, rel=1e-9)


def test_a_square_cavity_has_the_floor_and_the_wall_of_a_rounded_square():
    half, corner, ferrule = 2500.0, 750.0, 1249.5
    floor = 4 * half**2 - (4 - np.pi) * corner**2 - np.pi * ferrule**2
    wall = (8 * (half - corner) + 2 * np.pi * corner) * 4000.0
    got = MeridianProfile(SQUARE).total_area_um2(Surface.CAVITY)
    assert got == pytest.approx(floor + wall, rel=1e-7)


def test_an_angled_endface_is_a_slanted_cap_cut_by_the_cone():
    # independent of the chart: Monte Carlo over the plane, z and slope of the ball written out
    shape = ANGLED
    lean, key = np.radians(8.0), np.radians(35.0)
    center = -8000.0 * np.array(
        [np.sin(lean) * np.cos(key), np.sin(lean) * np.sin(key), np.cos(lean)]
    )
    grid = (np.arange(-1400, 1400, 2.0)) + 1.0
    x, y = np.meshgrid(grid, grid)
    above = np.sqrt(8000.0**2 - (x - center[0]) ** 2 - (y - center[1]) ** 2)
    dome_z = center[2] + above
    cone_top = -(8000.0 - np.sqrt(8000.0**2 - 700.0**2))
    cone_z = cone_top - (np.hypot(x, y) - 700.0) * 317.0 / (1249.5 - 700.0)
    area = np.sum((8000.0 / above)[dome_z <= cone_z]) * 4.0
    profile = MeridianProfile(shape)
    got = profile.total_area_um2(Surface.ENDFACE) + profile.total_area_um2(Surface.FIBER)
    assert got == pytest.approx(area, rel=2e-3)


def test_the_angled_endface_leans_its_normal_to_the_key():
    normal = MeridianProfile(ANGLED).normal(0.0, 0.0)
    lean, key = np.radians(8.0), np.radians(35.0)
    expected = [np.sin(lean) * np.cos(key), np.sin(lean) * np.sin(key), np.cos(lean)]
    np.testing.assert_allclose(normal, expected, atol=1e-12)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(shapes(), st.floats(0, 1), st.floats(0, 1), st.floats(0, 1), st.floats(0, 359))
def test_areas_add_up(shape, a, b, c, theta):
    profile = MeridianProfile(shape)
    end = max(profile.s_ends_at(np.arange(360.0))[Surface.CAVITY])
    s0, s1, s2 = (v * float(end) for v in sorted((a, b, c)))
    whole = profile.area_um2(s0, s2, theta, theta + 300)
    parts = profile.area_um2(s0, s1, theta, theta + 300) + profile.area_um2(
        s1, s2, theta, theta + 300
    )
    assert whole == pytest.approx(parts, rel=1e-5, abs=1.0)
    halves = profile.area_um2(s0, s2, theta, theta + 111) + profile.area_um2(
        s0, s2, theta + 111, theta + 300
    )
    assert whole == pytest.approx(halves, rel=1e-4, abs=1.0)


def test_all_surfaces_together_are_the_whole_chart():
    profile = MeridianProfile(SQUARE)
    total = sum(profile.total_area_um2(surface) for surface in profile.s_end_um)
    assert profile.area_um2(0.0, 1e6, 10.0, 370.0) == pytest.approx(total, rel=1e-7)


def test_landmarks_of_the_round_connector():
    profile = MeridianProfile(ROUND)
    end = profile.s_end_um
    sag = 20000.0 - np.sqrt(20000.0**2 - 700.0**2)
    assert end[Surface.FIBER] == pytest.approx(20000.0 * np.arcsin(62.5 / 20000.0), rel=1e-12)
    assert end[Surface.ENDFACE] == pytest.approx(20000.0 * np.arcsin(0.035), rel=1e-12)
    assert end[Surface.CHAMFER] - end[Surface.ENDFACE] == pytest.approx(np.hypot(549.5, 300.0))
    assert end[Surface.BARREL] - end[Surface.CHAMFER] == pytest.approx(6000.0)
    assert profile.s_floor_end_um - end[Surface.BARREL] == pytest.approx(2500.0 - 1249.5)
    assert end[Surface.CAVITY] - profile.s_floor_end_um == pytest.approx(4000.0)
    rim = profile.to_xyz(end[Surface.CAVITY], 90.0)
    np.testing.assert_allclose(rim, [0.0, 2500.0, -sag - 300.0 - 6000.0 + 4000.0], atol=1e-6)
    edge = profile.to_xyz(end[Surface.ENDFACE], 180.0)
    np.testing.assert_allclose(edge, [-700.0, 0.0, -sag], atol=1e-6)


def test_the_cavity_wall_of_a_square_is_nearest_at_its_sides_and_farthest_at_its_corners():
    profile = MeridianProfile(SHARP)
    walls = profile.wall_radius_um([0.0, 45.0, 90.0, 225.0])
    np.testing.assert_allclose(walls, [2500, 2500 * np.sqrt(2), 2500, 2500 * np.sqrt(2)])
    turned = MeridianProfile(SQUARE)
    corner = (2500 - 750) * np.sqrt(2) + 750
    np.testing.assert_allclose(turned.wall_radius_um([20.0, 65.0, 335.0]), [2500, corner, corner])


def test_off_the_chart_is_nan_and_surround():
    profile = MeridianProfile(ROUND)
    beyond = [-1.0, profile.s_end_um[Surface.CAVITY] + 1.0, np.nan]
    assert np.all(np.isnan(profile.to_xyz(beyond, 0.0)))
    assert np.all(np.isnan(profile.normal(beyond, 0.0)))
    assert np.all(np.isnan(profile.area_density(beyond, 0.0)))
    assert np.all(profile.surface_at(beyond, 0.0) == Surface.SURROUND)
    s, theta, surface = profile.from_xyz([np.nan, 0.0, 0.0])
    assert np.isnan(s)
    assert np.isnan(theta)
    assert surface == Surface.SURROUND


def test_the_fibre_ends_at_62_5_um_radius():
    profile = MeridianProfile(ROUND)
    _, _, surface = profile.from_xyz(
        profile.to_xyz(20000.0 * np.arcsin(np.array([62.4, 62.6]) / 20000.0), 10.0)
    )
    assert list(surface) == [Surface.FIBER, Surface.ENDFACE]


def test_a_point_beside_the_surface_goes_to_the_nearest_piece():
    profile = MeridianProfile(ROUND)
    s, theta, surface = profile.from_xyz([[0.0, 1260.0, -3000.0], [0.0, 300.0, 40.0]])
    assert list(surface) == [Surface.BARREL, Surface.ENDFACE]
    np.testing.assert_allclose(theta, 90.0)
    assert s[0] == pytest.approx(profile.s_end_um[Surface.CHAMFER] + profile.barrel_top_z_um + 3000)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"endface_edge_um": 1300.0}, "radii must grow"),
        ({"endface_edge_um": 60.0}, "radii must grow"),
        ({"cavity_radius_um": 1249.5}, "radii must grow"),
        ({"dome_radius_um": 2000.0}, "dome's radius"),
        ({"chamfer_depth_um": 0.0}, "above 0 um"),
        ({"barrel_length_um": float("nan")}, "above 0 um"),
        ({"cavity_corner": 1.1}, "cavity_corner"),
        ({"apc_angle_deg": -8.0}, "apc_angle_deg"),
        ({"apc_angle_deg": 8.0, "chamfer_depth_um": 30.0}, "leaves no chamfer"),
    ],
)
def test_a_shape_that_cannot_be_is_refused(change, said):
    values = {**ROUND.__dict__, **change}
    with pytest.raises(ValueError, match=said):
        MeridianProfile(ConnectorShape(**values))


def test_surfaces_off_the_chart_have_no_area():
    with pytest.raises(KeyError, match="housing"):
        MeridianProfile(ROUND).total_area_um2(Surface.HOUSING)
    with pytest.raises(ValueError, match="s0 <= s1"):
        MeridianProfile(ROUND).area_um2(10.0, 5.0, 0.0, 360.0)
