"""Gaps, contact and adhesion against hand calculations; the source stands beside each."""

import pytest

from fiberward.inference.judge.adhesion import (
    dmt_pull_off_n,
    jkr_pull_off_n,
    times_own_weight,
    weight_n,
)
from fiberward.inference.judge.bridge import (
    bridge_radius_um,
    gap_um,
    hertz_contact,
    mean_pressure_mpa,
    rest_gap_um,
)


@pytest.mark.parametrize(
    ("radius_um", "dome_mm", "expected_um"),
    # calculated: r^2/R for two like rigid domes (first row to one digit more than the source)
    [
        (62.5, 7, 0.558), (62.5, 12, 0.326), (62.5, 20, 0.195), (62.5, 25, 0.156),
        (125, 7, 2.23), (125, 12, 1.302), (125, 20, 0.78), (125, 25, 0.62),
        (250, 7, 8.93), (250, 12, 5.21), (250, 20, 3.12), (250, 25, 2.50),
        (450, 7, 28.9), (450, 12, 16.875), (450, 20, 10.1), (450, 25, 8.1),
        (1000, 7, 143), (1000, 12, 83.3), (1000, 20, 50.0), (1000, 25, 40.0),
    ],
)  # fmt: skip
def test_the_gap_between_like_domes(radius_um, dome_mm, expected_um):
    assert gap_um(radius_um, dome_mm * 1e3) == pytest.approx(expected_um, rel=0.02)


@pytest.mark.parametrize(
    ("grain_um", "dome_mm", "expected_um"),
    # calculated: sqrt(d R)
    [
        (5, 7, 187), (5, 12, 245), (5, 20, 316), (5, 25, 354),
        (10, 7, 265), (10, 12, 346.4), (10, 20, 447.2), (10, 25, 500), (10, 8, 283),
        (20, 7, 374), (20, 12, 490), (20, 20, 632), (20, 25, 707),
    ],
)  # fmt: skip
def test_the_radius_within_which_a_grain_bridges(grain_um, dome_mm, expected_um):
    assert bridge_radius_um(grain_um, dome_mm * 1e3) == pytest.approx(expected_um, rel=2e-3)


def test_unlike_domes_leave_the_gap_of_their_harmonic_mean():
    # r^2/2 (1/R1 + 1/R2), a flat face opposite as the limit
    assert gap_um(125.0, 12e3, 20e3) == pytest.approx(125.0**2 / 2 * (1 / 12e3 + 1 / 20e3))
    assert gap_um(125.0, 12e3, 1e12) == pytest.approx(125.0**2 / 24e3)
    assert bridge_radius_um(10.0, 12e3, 1e12) == pytest.approx((10 * 24e3) ** 0.5)


def test_a_10_um_grain_at_125_um_leaves_8_7_um_at_the_fibre():
    # calculated: 10 - 1.302, R = 12 mm, rigid
    assert rest_gap_um(10.0, 125.0, 12e3) == pytest.approx(8.7, abs=0.01)
    assert rest_gap_um(1.0, 125.0, 12e3) == 0.0


@pytest.mark.parametrize(
    ("force_n", "dome_mm", "diameter_um", "peak_mpa"),
    # calculated for zirconia, E = 210 GPa, nu = 0.3, two like domes (Hertz)
    [(9.8, 12, 145, 888), (9.8, 20, 172, 632), (9.8, 25, 185, None), (5, 12, 116, None),
     (5, 7, 97, None)],
)  # fmt: skip
def test_hertz_contact_of_two_endfaces(force_n, dome_mm, diameter_um, peak_mpa):
    contact = hertz_contact(force_n, dome_mm * 1e3)
    assert contact.diameter_um == pytest.approx(diameter_um, abs=0.6)
    if peak_mpa is not None:
        assert contact.peak_mpa == pytest.approx(peak_mpa, abs=1.0)


def test_hertz_mean_pressure_and_approach():
    # mean 421 MPa at 9.8 N, R = 20 mm (calculated); approach a^2/R' with R' = R/2
    contact = hertz_contact(9.8, 20e3)
    assert contact.mean_mpa == pytest.approx(421, abs=1)
    assert contact.approach_um == pytest.approx((contact.diameter_um / 2) ** 2 / 10e3)


def test_3_kgf_on_a_200_um_disc_is_936_mpa():
    # calculated; a figure of 147 N/m2 in circulation is wrong by millions
    assert mean_pressure_mpa(3 * 9.80665, 200.0) == pytest.approx(936, abs=1)


@pytest.mark.parametrize(
    ("size_um", "jkr_un", "dmt_un", "weight_nn", "ratio"),
    # calculated: W = 0.05 J/m2, quartz 2650 kg/m3; formulas JKR 3/2 pi W R (read), DMT 2 pi W R
    [(1, 0.118, 0.157, 1.36e-5, 8.7e6), (10, 1.178, 1.571, 1.36e-2, 8.7e4),
     (100, 11.8, 15.7, 13.6, 866)],
)  # fmt: skip
def test_adhesion_against_weight(size_um, jkr_un, dmt_un, weight_nn, ratio):
    assert jkr_pull_off_n(size_um) * 1e6 == pytest.approx(jkr_un, rel=4e-3)
    assert dmt_pull_off_n(size_um) * 1e6 == pytest.approx(dmt_un, rel=4e-3)
    assert weight_n(size_um) * 1e9 == pytest.approx(weight_nn, rel=3e-3)
    assert times_own_weight(size_um) == pytest.approx(ratio, rel=6e-3)
