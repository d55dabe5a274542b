"""Bridge and wedge of single deposits."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fiberward.inference.judge.bridge import (
    bridge_of,
    from_front_um,
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
    assert tight.harm == ()
    assert wide.harm == harm_of_gap(wide.rest_gap_um)
    assert tight.rest_gap_um == 0.0


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


def test_an_angled_endface_and_an_unknown_place_have_no_bridge():
    for angle in (0.5, 8.0):
        assert bridge_of(grain(100.0), replace(SHAPE, apc_angle_deg=angle)) is None
    assert bridge_of(replace(grain(100.0), s_um=None, s_min_um=None), SHAPE) is None
    assert bridge_of(replace(grain(100.0), s_min_um=None), SHAPE) is not None
    assert bridge_of(grain(30.0, surface=Surface.FIBER), SHAPE) is not None


def test_the_clean_joints_contact_is_the_hertz_one_of_the_families_force():
    # 9.8 N, R = 20 mm: 172 um, calculated
    bridge = bridge_of(grain(100.0), SHAPE)
    assert bridge is not None
    assert bridge.contact_um == pytest.approx(172, abs=1)
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
    ("from_front", "offset", "lever"),
    # sleeve reach 5700 um, grain 5 um: h L/(L-x) up to the middle, h beyond; tilt h/max(x, L-x)
    [(1000.0, 5 * 5.7 / 4.7, 4700.0), (2850.0, 10.0, 2850.0), (3000.0, 5.0, 3000.0),
     (5700.0, 5.0, 5700.0)],
)  # fmt: skip
def test_the_wedge_bound_by_hand(from_front, offset, lever):
    wedge = wedge_of(barrel_grain(from_front), SHAPE)
    assert wedge is not None
    assert wedge.from_front_um == pytest.approx(from_front)
    assert wedge.offset_um == pytest.approx(offset)
    assert wedge.tilt_deg == pytest.approx(math.degrees(5.0 / lever))
    assert wedge.harm == harm_of_shift(wedge.offset_um, wedge.tilt_deg)


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
