"""Harm of single deposits once they lie on the core."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fiberward.inference.judge.harm import (
    LOSS_CAP_DB,
    coherent_gap,
    disc_blocked_fraction,
    harm_of,
    harm_of_gap,
    harm_of_shift,
    mask_blocked_fraction,
    mode_overlap,
    worst_coherent_gap,
)
from fiberward.inference.see.fuse import Deposit
from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface

quick = settings(max_examples=60, deadline=None, derandomize=True)


def speck(size_um, kind=Kind.PARTICLE, **changes):
    values = dict(
        id=3, kind=kind, confidence=0.9, surface=Surface.ENDFACE, s_um=300.0, theta_deg=10.0,
        s_min_um=295.0, s_max_um=305.0, size_um=size_um, area_um2=0.785 * size_um**2,
        feret_max_um=size_um, width_um=size_um, length_um=None, enclosing_um=size_um,
        in_zone_area_um2=0.0, off_zone=True, unsure=False, seen_in=(0,),
    )  # fmt: skip
    return Deposit(**{**values, **changes})


def test_a_1_um_speck_costs_0_2_db_at_1310_and_less_at_1550_and_in_multimode():
    rows = harm_of(speck(1.0), angled=False)
    assert rows is not None
    assert [(r.fiber_mode, r.wavelength_nm) for r in rows] == [
        ("sm", 1310.0),
        ("sm", 1550.0),
        ("mm", 850.0),
    ]
    assert rows[0].loss_db == pytest.approx(0.2052, abs=1e-4)
    assert rows[1].loss_db == pytest.approx(0.1606, abs=1e-4)
    assert rows[2].loss_db == pytest.approx(-10 * np.log10(1 - 1 / 2500), rel=1e-6)
    assert all(row.interval == (0.0, row.loss_db) for row in rows)


def test_a_blocked_core_reads_the_cap_and_never_infinity():
    rows = harm_of(speck(300.0), angled=False)
    assert rows is not None
    assert [row.loss_db for row in rows] == [LOSS_CAP_DB] * 3


def test_lint_blocks_with_its_width():
    lint = speck(100.0, Kind.LINT, width_um=2.0)
    rows = harm_of(lint, angled=False)
    assert rows is not None
    assert rows == harm_of(replace(speck(2.0), id=3), angled=False)


@pytest.mark.parametrize("kind", [Kind.FILM, Kind.LIQUID, Kind.DAMAGE])
def test_kinds_that_are_no_opaque_mask_get_no_figure(kind):
    assert harm_of(speck(10.0, kind), angled=False) is None


def test_an_angled_endface_and_multimode_get_no_return_loss():
    upright, angled = harm_of(speck(10.0), False), harm_of(speck(10.0), True)
    assert upright is not None
    assert angled is not None
    assert [row.return_loss_db for row in angled] == [None] * 3
    worst = worst_coherent_gap()[1]
    assert [row.return_loss_db for row in upright] == [worst, worst, None]
    assert [row.loss_db for row in upright] == [row.loss_db for row in angled]


@quick
@given(st.floats(0.1, 40.0), st.floats(0.0, 30.0), st.floats(4.0, 12.0))
def test_the_blocked_share_is_a_share_and_falls_as_the_disc_moves_away(disc, offset, mfd):
    near, far = (disc_blocked_fraction(disc, mfd, d) for d in (offset, offset + 0.5))
    assert 0 <= far <= near + 1e-9
    assert near <= 1


@quick
@given(st.floats(0.5, 20.0))
def test_off_centre_blocking_tends_to_the_centred_value(disc):
    assert disc_blocked_fraction(disc, 9.2, 1e-6) == pytest.approx(
        disc_blocked_fraction(disc, 9.2), abs=1e-6
    )


def test_an_empty_mask_blocks_nothing_and_a_full_one_everything():
    mask = np.zeros((400, 400), bool)
    assert mask_blocked_fraction(mask, 0.1, 9.2, (200.0, 200.0)) == 0.0
    assert mask_blocked_fraction(~mask, 0.1, 9.2, (200.0, 200.0)) == pytest.approx(1.0, abs=1e-6)


def test_a_mask_is_placed_by_pixel_edges():
    # one pixel [10, 11) x [20, 21) is centred on (10.5, 20.5)
    mask = np.zeros((40, 40), bool)
    mask[20, 10] = True
    at = mask_blocked_fraction(mask, 0.1, 9.2, (10.5, 20.5))
    assert at == pytest.approx(2 / (np.pi * 4.6**2) * 0.01, rel=1e-6)
    for beside in ((10.0, 20.5), (10.5, 20.0), (11.0, 20.5), (20.5, 10.5)):
        assert mask_blocked_fraction(mask, 0.1, 9.2, beside) < at


@quick
@given(st.floats(4.0, 12.0), st.floats(4.0, 12.0), st.floats(0.0, 5.0), st.floats(0.0, 3.0))
def test_overlap_is_symmetric_and_never_above_one(mfd1, mfd2, offset, tilt):
    there = mode_overlap(mfd1, mfd2, offset, tilt)
    assert there == pytest.approx(mode_overlap(mfd2, mfd1, offset, tilt))
    assert 0 <= there <= 1 + 1e-12


@quick
@given(st.floats(0.0, 5.0))
def test_a_lossless_gap_passes_what_it_does_not_reflect(gap_um):
    loss, reflected = coherent_gap(gap_um, 1310.0)
    assert 10 ** (-loss / 10) + 10 ** (-reflected / 10) == pytest.approx(1.0)


def test_a_gap_of_8_7_um_costs_interference_and_a_little_spreading():
    # 10 um grain at r = 125 um, R = 12 mm: 0.03 dB spreading, up to 0.62 dB interference, return
    # loss down to 8.73 dB (calculated)
    sm, _, mm = harm_of_gap(8.7)
    assert sm.loss_db == pytest.approx(0.624 + 0.032, abs=2e-3)
    assert sm.return_loss_db == pytest.approx(8.73, abs=0.01)
    assert mm.loss_db == pytest.approx(0.318, abs=1e-3)
    assert mm.return_loss_db is None


def test_a_gap_below_the_quarter_wave_costs_what_it_has():
    # 0.1 um at 1310 nm: 0.141 dB, 14.97 dB (calculated)
    sm = harm_of_gap(0.1)[0]
    assert sm.loss_db == pytest.approx(0.141, abs=1e-3)
    assert sm.return_loss_db == pytest.approx(14.97, abs=0.06)
    assert [row.loss_db for row in harm_of_gap(0.0)] == [0.0, 0.0, 0.0]
    assert harm_of_gap(0.0)[0].return_loss_db is None


def test_a_shift_of_1_um_costs_0_2_db_and_tilt_adds_to_it():
    # 0.2052 dB offset (calculated); tilt of 1 deg in glass 0.3468 dB
    rows = harm_of_shift(1.0, 0.0)
    assert rows[0].loss_db == pytest.approx(0.2052, abs=1e-4)
    assert rows[1].loss_db == pytest.approx(0.1606, abs=1e-4)
    assert harm_of_shift(1.0, 1.0)[0].loss_db == pytest.approx(0.2052 + 0.3468, abs=5e-4)
    assert {row.return_loss_db for row in rows} == {None}
    assert harm_of_shift(100.0, 0.0)[0].loss_db == LOSS_CAP_DB
    assert harm_of_shift(100.0, 0.0)[2].loss_db == LOSS_CAP_DB


def test_two_like_cores_offset_by_their_radius_share_a_lens():
    # two circles of radius r at distance r overlap by (2 pi/3 - sqrt(3)/2) r^2
    share = (2 * np.pi / 3 - np.sqrt(3) / 2) / np.pi
    assert harm_of_shift(25.0, 0.0)[2].loss_db == pytest.approx(-10 * np.log10(share))
