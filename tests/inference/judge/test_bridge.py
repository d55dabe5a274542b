"""Bridge and wedge of single deposits."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fiberward.inference.judge.bridge import (
    bridge_of,
    from_front_um,
    offset_gap_um,
    offset_rest_gap_um,
    sleeve_reach_um,
    spring_force_n,
    wedge_of,
)
from fiberward.inference.judge.harm import harm_of_gap, harm_of_shift
from fiberward.inference.see.fuse import Deposit
from fiberward.model.kinds import Kind
from fiberward.model.profile import ConnectorShape, MeridianProfile
from fiberward.model.surfaces import Surface

quick = settings(max_examples=60, deadline=None, derandomize=True)

SHAPE = ConnectorShape(1249.5, 20000.0, 700.0, 317.0, 7000.0, 2500.0, 5500.0)


def grain(s_um, size_um=10.0, surface=Surface.ENDFACE, kind=Kind.PARTICLE):
    return Deposit(
        id=1, kind=kind, confidence=0.9, surface=surface, s_um=s_um, theta_deg=10.0, s_min_um=s_um,
        s_max_um=s_um, size_um=size_um, area_um2=78.0, feret_max_um=size_um, width_um=size_um,
        length_um=None, enclosing_um=size_um, in_zone_area_um2=0.0, off_zone=True, unsure=False,
        seen_in=(0,),
    )  # fmt: skip


def test_a_10_um_grain_at_300_um_bridges_at_20_mm_and_not_at_8_mm():
    # bridge radius sqrt(d R): 447 um and 283 um
    wide = bridge_of(grain(300.0), SHAPE)
    tight = bridge_of(grain(300.0), replace(SHAPE, dome_radius_um=8000.0))
    assert wide is not None
    assert tight is not None
    assert wide.bridges
    assert not tight.bridges
    assert wide.radius_limit_um == pytest.approx(447.2, abs=0.1)
    assert tight.radius_limit_um == pytest.approx(282.8, abs=0.1)
    assert wide.rest_gap_um == pytest.approx(10.0 - 4.5, abs=0.01)
    assert wide.harm == harm_of_gap(wide.rest_gap_um)
    assert tight.rest_gap_um == 0.0
    flat = bridge_of(grain(300.0), replace(SHAPE, dome_radius_um=8000.0), apex_offset_um=10.0)
    assert flat is not None
    assert (flat.may_bridge, flat.offset_rest_gap_um, flat.harm) == (False, 0.0, ())


def test_the_bridge_radius_ends_at_the_endfaces_edge_and_uses_radius_not_path():
    bridge = bridge_of(grain(600.0, size_um=100.0), SHAPE)
    assert bridge is not None
    assert bridge.radius_limit_um == 700.0
    assert bridge.radius_um == pytest.approx(20000.0 * math.sin(600.0 / 20000.0), rel=1e-12)


def test_the_nearest_point_of_a_grain_counts():
    bridge = bridge_of(replace(grain(460.0), s_min_um=440.0), SHAPE)
    assert bridge is not None
    assert bridge.bridges
    far = bridge_of(grain(460.0), SHAPE)
    assert far is not None
    assert not far.bridges


@pytest.mark.parametrize("kind", [k for k in Kind if k != Kind.PARTICLE])
def test_only_hard_kinds_bridge_or_wedge(kind):
    assert bridge_of(grain(100.0, kind=kind), SHAPE) is None
    assert wedge_of(grain(3000.0, surface=Surface.BARREL, kind=kind), SHAPE) is None


@pytest.mark.parametrize("surface", [Surface.CHAMFER, Surface.BARREL, Surface.CAVITY])
def test_nothing_bridges_off_the_dome(surface):
    assert bridge_of(grain(500.0, surface=surface), SHAPE) is None


def test_an_unknown_place_has_no_bridge_and_a_place_without_extent_has():
    assert bridge_of(replace(grain(100.0), s_um=None, s_min_um=None), SHAPE) is None
    assert bridge_of(replace(grain(100.0), s_min_um=None), SHAPE) is not None
    assert bridge_of(grain(30.0, surface=Surface.FIBER), SHAPE) is not None


def normal_gap(point, normal, centre, dome_um):
    """Way from a point along `normal` to a sphere that lies ahead: the nearer crossing."""
    to = centre - point
    along = float(to @ normal)
    return along - math.sqrt(dome_um**2 - float(to @ to) + along**2)


def gap_at_the_fibre(grain_um, at, apexes, angle_deg):
    """Two spheres in space, pushed apart along the ferrules' axis until a grain fits between them.

    `at`: the grain's place in the faces' plane, `apexes`: where each dome's lies there (um).
    """
    t, dome = math.radians(angle_deg), SHAPE.dome_radius_um
    normal, across = (
        np.array([math.sin(t), 0, math.cos(t)]),
        np.array([math.cos(t), 0, -math.sin(t)]),
    )
    plane = np.stack([across, [0.0, 1.0, 0.0]])
    here, there = (np.asarray(a) @ plane + side * dome * normal for a, side in
                   zip(apexes, (-1, 1), strict=True))  # fmt: skip

    def gap(place, lift_um):
        above = np.asarray(place, float) @ plane + 100.0 * normal  # between the domes or beyond
        surface = above - normal * normal_gap(above, -normal, here, dome)
        return normal_gap(surface, normal, there + np.array([0, 0, lift_um]), dome)

    low, high = -5.0, 40.0
    for _ in range(60):
        lift = (low + high) / 2
        low, high = (lift, high) if gap(at, lift) < grain_um else (low, lift)
    return gap((0.0, 0.0), lift)


@pytest.mark.parametrize("angle_deg", [0.0, 8.0])
@pytest.mark.parametrize("turn", [0.0, 1.0, 2.5, math.pi])
def test_spheres_in_space_leave_the_same_rest_gap(angle_deg, turn):
    # an independent way to the same figure: two spheres, pushed along the axis
    at = 300.0 * np.array([math.cos(turn), math.sin(turn)])
    bridge = bridge_of(grain(300.0), SHAPE, angle_deg)
    assert bridge is not None
    on_axis = gap_at_the_fibre(10.0, at, ((0, 0), (0, 0)), angle_deg)
    assert bridge.rest_gap_um == pytest.approx(on_axis, abs=0.06)
    spots = 50.0 * np.stack([np.cos(np.arange(0, 6.3, 0.1)), np.sin(np.arange(0, 6.3, 0.1))], 1)
    worst = max(gap_at_the_fibre(10.0, at, (spot, spot), angle_deg) for spot in spots)
    assert bridge.offset_rest_gap_um == pytest.approx(worst, abs=0.06)
    # apexes that lie apart do no more than both at their middle
    apart = gap_at_the_fibre(10.0, at, (spots[0], spots[20]), angle_deg)
    middle = (spots[0] + spots[20]) / 2
    assert apart == pytest.approx(gap_at_the_fibre(10.0, at, (middle, middle), angle_deg), abs=0.06)


def test_an_angled_endface_bridges_as_an_upright_one_and_gives_no_return_loss():
    upright, angled = bridge_of(grain(300.0), SHAPE), bridge_of(grain(300.0), SHAPE, 8.0)
    assert upright is not None
    assert angled is not None
    assert angled.rest_gap_um == upright.rest_gap_um
    assert "keyed alike" in angled.assumes
    assert {row.return_loss_db for row in angled.harm} == {None}
    assert bridge_of(grain(300.0), replace(SHAPE, apc_angle_deg=8.0)) == angled


@quick
@given(st.floats(1.0, 60.0), st.floats(0.0, 690.0), st.floats(0.0, 80.0), st.floats(0.0, 40.0))
def test_a_wider_apex_offset_never_helps(size_um, s_um, offset_um, more_um):
    less, more = (
        bridge_of(grain(s_um, size_um), SHAPE, apex_offset_um=e)
        for e in (offset_um, offset_um + more_um)
    )
    assert less is not None
    assert more is not None
    assert less.bridges <= less.may_bridge <= more.may_bridge
    assert less.rest_gap_um <= less.offset_rest_gap_um + 1e-9
    assert less.offset_rest_gap_um <= more.offset_rest_gap_um + 1e-9


def test_the_clean_joints_contact_is_the_hertz_one_of_the_families_force():
    # 9.8 N, R = 20 mm: 172 um, peak 632 MPa, calculated
    bridge = bridge_of(grain(100.0), SHAPE)
    assert bridge is not None
    assert bridge.contact_um == pytest.approx(172, abs=1)
    assert bridge.contact_peak_mpa == pytest.approx(632, abs=1)
    assert bridge.spring_n == 9.8
    small = replace(SHAPE, ferrule_radius_um=624.5, endface_edge_um=450.0)
    assert (spring_force_n(SHAPE), spring_force_n(small)) == (9.8, 5.5)
    assert (sleeve_reach_um(SHAPE), sleeve_reach_um(small)) == (5700.0, 3400.0)
    between = replace(SHAPE, ferrule_radius_um=900.0)  # 1.8 mm: nearer to 1.249 than to 2.499
    assert sleeve_reach_um(between) == 3400.0


def test_the_distance_from_the_front_is_axial():
    profile = MeridianProfile(SHAPE)
    s = profile.s_end_um[Surface.CHAMFER] + 1000.0
    edge_z = profile.to_xyz(profile.s_end_um[Surface.ENDFACE], 0.0)[2]
    assert from_front_um(s, SHAPE) == pytest.approx(edge_z - profile.to_xyz(s, 0.0)[2])


def barrel_grain(from_front, size_um=5.0):
    start = MeridianProfile(SHAPE).s_end_um[Surface.CHAMFER]
    return grain(start + from_front - SHAPE.chamfer_depth_um, size_um, Surface.BARREL)


@pytest.mark.parametrize(
    ("from_front", "offset", "tilt_um_per_mm"),
    # sleeve reach 5700 um, grain 5 um, by hand. Pivot: h L/(L-x) up to the middle, h beyond, tilt
    # h/max(x, L-x). Even bedding: k = x/L - 1/2, offset h (1-6k)/(1+12k^2), tilt 12k/(1+12k^2) h/L
    [
        (1000.0, 5 * 1.3017, 5 * 1.7203 / 5.7),  # k = -0.32456: bedding is worse for both
        (1900.0, 5 * 1.5, 5 * 1.5 / 5.7),  # k = -1/6: both ways alike
        (2850.0, 5 * 2.0, 5 * 2.0 / 5.7),  # the middle: the pivot is worse for both
        (3000.0, 5.0, 5 / 3.0),
        (5700.0, 5.0, 5 * 1.5 / 5.7),  # at the mouth: offset by the pivot, tilt by the bedding
    ],
)
def test_the_wedge_bound_by_hand(from_front, offset, tilt_um_per_mm):
    wedge = wedge_of(barrel_grain(from_front), SHAPE)
    assert wedge is not None
    assert wedge.from_front_um == pytest.approx(from_front)
    assert wedge.offset_um == pytest.approx(offset, rel=1e-4)
    assert wedge.tilt_deg == pytest.approx(math.degrees(tilt_um_per_mm / 1e3), rel=1e-4)
    assert wedge.harm == harm_of_shift(wedge.offset_um, wedge.tilt_deg)


@pytest.mark.parametrize("at", [320.0, 800.0, 1500.0, 2850.0, 4000.0, 5700.0])
def test_no_even_bedding_lets_the_ferrule_give_way_more_than_the_bound(at):
    # an independent way: 400 springs along the sleeve, least squares with the bar held up at x
    from scipy.optimize import minimize_scalar

    wedge = wedge_of(barrel_grain(at, 5.0), SHAPE)
    assert wedge is not None
    z = (np.arange(400) + 0.5) * 5700.0 / 400
    best = minimize_scalar(lambda slope: float(np.sum((5.0 + slope * (z - at)) ** 2)))
    assert abs(5.0 - best.x * at) <= wedge.offset_um * (1 + 1e-4)
    assert abs(best.x) <= math.radians(wedge.tilt_deg) * (1 + 1e-4)
    assert wedge.offset_um <= 2 * 5.0 * (1 + 1e-9)
    assert math.radians(wedge.tilt_deg) <= 2 * 5.0 / 5700.0 * (1 + 1e-9)


def test_a_grain_behind_the_sleeve_does_not_wedge():
    assert wedge_of(barrel_grain(5700.1), SHAPE) is None
    assert wedge_of(grain(500.0, surface=Surface.CHAMFER), SHAPE) is None
    assert wedge_of(replace(barrel_grain(1000.0), s_min_um=None), SHAPE) is None


@quick
@given(st.floats(320.0, 5700.0), st.floats(1.0, 200.0), st.floats(1.0, 2.0))
def test_a_larger_grain_never_wedges_less_and_never_more_than_twice_its_height(at, size, factor):
    small, large = (
        wedge_of(barrel_grain(at, size), SHAPE),
        wedge_of(barrel_grain(at, size * factor), SHAPE),
    )
    assert small is not None
    assert large is not None
    assert small.offset_um <= large.offset_um * (1 + 1e-9)
    assert size * (1 - 1e-9) <= small.offset_um <= 2 * size * (1 + 1e-9)


def test_a_grain_exactly_as_high_as_the_gap_fits():
    # (r - e)^2/R = 64^2/8192 = 0.5 um, exact in binary
    assert offset_rest_gap_um(0.5, 114.0, 50.0, 8192.0) == 0.0
    assert offset_rest_gap_um(0.51, 114.0, 50.0, 8192.0) > 0.0


def test_a_gap_under_a_micrometre_has_its_harm():
    # r^2/R = 0.78 um at 125 um, R = 20 mm (calculated): a grain of 1.2 um leaves 0.42 um open
    bridge = bridge_of(grain(125.0, 1.2), SHAPE)
    assert bridge is not None
    assert bridge.rest_gap_um == pytest.approx(0.42, abs=0.005)
    assert bridge.harm == harm_of_gap(bridge.rest_gap_um)


def test_under_the_chamfer_the_barrel_begins_and_apexes_beside_the_place_leave_no_gap():
    assert from_front_um(0.0, SHAPE) == SHAPE.chamfer_depth_um
    assert offset_gap_um(10.0, 50.0, 12e3) == 0.0
    nothing = bridge_of(grain(0.0, 0.0), SHAPE)
    assert nothing is not None
    assert not nothing.bridges
