"""Families are consistent with themselves and give shapes that stand."""

import math

import pytest

from fiberward.model.families import FAMILIES, Dimension, default_shape, find_family
from fiberward.model.profile import MeridianProfile
from fiberward.model.surfaces import Surface

DIMENSIONS = [
    (family.name, name, value)
    for family in FAMILIES
    for name, value in vars(family).items()
    if isinstance(value, Dimension)
]


@pytest.mark.parametrize(("family", "name", "row"), DIMENSIONS)
def test_every_dimension_lies_in_its_range_and_says_where_it_is_from(family, name, row):
    assert row.low <= row.nominal <= row.high
    assert len(row.source) > 5
    assert row.sure in {"read", "secondary", "memory", "calculated", "assumed"}


@pytest.mark.parametrize("family", FAMILIES, ids=lambda f: f.name)
def test_every_family_gives_a_shape_that_stands(family):
    profile = MeridianProfile(default_shape(family))
    assert profile.shape.ferrule_radius_um * 2 == family.ferrule_diameter.nominal
    assert (profile.shape.apc_angle_deg > 0) == (family.finish == "apc")
    ends = list(profile.s_end_um.values())
    assert ends == sorted(ends)
    assert len(ends) == 5


@pytest.mark.parametrize("family", FAMILIES, ids=lambda f: f.name)
def test_the_chamfer_depth_follows_from_its_angle_read_either_way(family):
    run = (family.ferrule_diameter.nominal - family.endface_edge_diameter.nominal) / 2
    angle = math.radians(family.chamfer_angle.nominal)
    assert family.chamfer_depth.low == pytest.approx(run * math.tan(angle), abs=1.0)
    assert family.chamfer_depth.high == pytest.approx(run / math.tan(angle), abs=1.0)


@pytest.mark.parametrize("size", [1.25, 2.5])
def test_sleeve_and_spring_do_not_depend_on_the_finish(size):
    upright, angled = find_family(size, "pc"), find_family(size, "apc")
    assert upright.sleeve_length == angled.sleeve_length
    assert upright.spring_force == angled.spring_force


def test_families_are_found_by_size_and_finish():
    assert find_family(1.25, "apc").name == "1.25-apc"
    assert find_family(2.5).name == "2.5-pc"
    assert len({f.name for f in FAMILIES}) == len(FAMILIES)
    with pytest.raises(KeyError, match="3 mm"):
        find_family(3.0)


def test_the_default_chamfer_is_part_of_the_chart():
    profile = MeridianProfile(default_shape(find_family(1.25)))
    chamfer = profile.s_end_um[Surface.CHAMFER] - profile.s_end_um[Surface.ENDFACE]
    assert chamfer == pytest.approx(math.hypot(174.5, 101.0))
