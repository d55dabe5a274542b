"""Geometry against published dimensions and hand calculations; the source stands beside each."""

import numpy as np
import pytest

from fiberward.model.families import default_shape, find_family
from fiberward.model.profile import ConnectorShape, MeridianProfile
from fiberward.model.surfaces import Surface


def lc(dome_radius_um=12000.0):
    return MeridianProfile(
        ConnectorShape(624.5, dome_radius_um, 450.0, 101.0, 5000.0, 1600.0, 4000.0)
    )


def test_lc_pedestal_of_0_9_mm_has_0_6362_mm2():
    # pedestal diameter: LC termination manual, maker unnamed, Table C (read); area: pi d^2/4.
    # The dome's area exceeds the flat disc's by r^2/(4 R^2) = 0.035 %.
    profile = lc()
    area = profile.area_um2(0.0, profile.s_end_um[Surface.ENDFACE], 0.0, 360.0)
    assert area / 1e6 == pytest.approx(0.6362, rel=5e-4)


def test_the_250_um_zone_is_7_7_percent_of_the_lc_pedestal():
    # IEC 61300-3-35 contact zone diameter 250 um (secondary), calculated 0.04909 mm2 and 0.0772
    profile = lc()
    zone = profile.area_um2(0.0, 12000.0 * np.arcsin(125.0 / 12000.0), 0.0, 360.0)
    assert zone / 1e6 == pytest.approx(0.04909, rel=2e-4)
    whole = profile.area_um2(0.0, profile.s_end_um[Surface.ENDFACE], 0.0, 360.0)
    assert zone / whole == pytest.approx(0.0772, abs=1e-4)


@pytest.mark.parametrize(
    ("radius_um", "dome_mm", "gap_um"),
    # gap between two like domes r^2/R, calculated table of the facts sheet
    [(62.5, 7, 0.56), (125, 7, 2.23), (125, 12, 1.30), (125, 20, 0.78), (125, 25, 0.62),
     (250, 12, 5.21), (450, 12, 16.9)],
)  # fmt: skip
def test_two_like_domes_leave_the_tabulated_gap(radius_um, dome_mm, gap_um):
    dome = dome_mm * 1000.0
    profile = lc(dome)
    depth = -profile.to_xyz(dome * np.arcsin(radius_um / dome), 0.0)[2]
    assert 2 * depth == pytest.approx(gap_um, rel=0.01)


def test_barrel_area_per_millimetre_of_both_ferrules():
    # pi d x 1 mm: 3.92 mm2 (1.249 mm) and 7.85 mm2 (2.499 mm), calculated
    for ferrule_mm, area_mm2 in ((1.25, 3.92), (2.5, 7.85)):
        profile = MeridianProfile(default_shape(find_family(ferrule_mm)))
        start = profile.s_end_um[Surface.CHAMFER]
        area = profile.area_um2(start, start + 1000.0, 0.0, 360.0) / 1e6
        assert area == pytest.approx(area_mm2, abs=0.006)


def test_ferrule_diameters_are_the_standard_ones():
    # 2.499 mm: public summary of IEC 61754-4; 1.249 mm: common specification, from memory
    assert default_shape(find_family(2.5)).ferrule_radius_um == 1249.5
    assert default_shape(find_family(1.25)).ferrule_radius_um == 624.5


def test_the_250_um_zone_is_4_and_1_percent_of_the_ferrules_cross_section():
    # (0.25/1.249)^2 = 4.0 %, (0.25/2.499)^2 = 1.0 %, calculated
    for ferrule_mm, share in ((1.25, 0.040), (2.5, 0.010)):
        radius = default_shape(find_family(ferrule_mm)).ferrule_radius_um
        assert (125.0 / radius) ** 2 == pytest.approx(share, abs=0.0005)


def test_lc_chamfer_depth_is_0_101_or_0_302_mm():
    # 30 deg (read) over a 0.1745 mm run, from the face or from the axis: calculated
    depth = find_family(1.25).chamfer_depth
    assert (depth.low, depth.high) == (101.0, 302.0)
