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
    masked_mode_db,
    mode_overlap,
    refracted_shift_um,
    strip_blocked_fraction,
    worst_coherent_gap,
)
from fiberward.inference.judge.multimode import (
    multimode_disc_db,
    multimode_gap_db,
    multimode_strip_db,
    multimode_tilt_db,
)
from fiberward.inference.judge.outlines import (
    Outline,
    outline_of,
    worst_core_share,
    worst_mode_share,
)
from fiberward.inference.see.deposits import SeenDeposit
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
        ("mm", 1300.0),
    ]
    assert rows[3].loss_db == rows[2].loss_db  # power overlap knows no wavelength
    assert rows[0].loss_db == pytest.approx(0.2052, abs=1e-4)
    assert rows[1].loss_db == pytest.approx(0.1606, abs=1e-4)
    assert rows[2].loss_db == pytest.approx(-10 * np.log10(1 - 1 / 2500), rel=1e-6)
    assert all(row.interval == (0.0, row.loss_db) for row in rows)


def test_a_blocked_core_reads_the_cap_and_never_infinity():
    rows = harm_of(speck(300.0), angled=False)
    assert rows is not None
    assert [row.loss_db for row in rows] == [LOSS_CAP_DB] * 4


def test_lint_without_an_outline_blocks_as_a_strip_of_its_width():
    # a strip covers more than a disc as wide; erf(D/(sqrt 2 w)), by hand for D = 2 um, w = 4.6 um
    rows = harm_of(speck(100.0, Kind.LINT, width_um=2.0), angled=False)
    assert rows is not None
    assert rows[0].loss_db == pytest.approx(-20 * np.log10(1 - 0.33628), abs=1e-3)
    disc = harm_of(speck(2.0), angled=False)
    assert disc is not None
    assert all(a.loss_db > b.loss_db for a, b in zip(rows, disc, strict=True))
    assert "strip" in (rows[0].assumes or "")
    assert "disc" in (disc[0].assumes or "")


@pytest.mark.parametrize("kind", [Kind.FILM, Kind.LIQUID, Kind.DAMAGE])
def test_kinds_that_are_no_opaque_mask_get_no_figure(kind):
    assert harm_of(speck(10.0, kind), angled=False) is None


def test_an_angled_endface_and_multimode_get_no_return_loss():
    upright, angled = harm_of(speck(10.0), False), harm_of(speck(10.0), True)
    assert upright is not None
    assert angled is not None
    assert [row.return_loss_db for row in angled] == [None] * 4
    worst = worst_coherent_gap()[1]
    assert [row.return_loss_db for row in upright] == [worst, worst, None, None]
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


def test_an_empty_outline_blocks_nothing_and_a_wide_one_everything():
    none, all_over = (Outline(np.full((100, 100), v, np.float32), 0.5) for v in (0.0, 1.0))
    assert worst_mode_share(none, 9.2) == worst_core_share(none, 50.0) == 0.0
    assert worst_mode_share(all_over, 9.2) == pytest.approx(1.0, abs=1e-5)


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
    sm, _, mm, _ = harm_of_gap(8.7)
    assert sm.loss_db == pytest.approx(0.624 + 0.032, abs=2e-3)
    assert sm.return_loss_db == pytest.approx(8.73, abs=0.01)
    assert mm.loss_db == pytest.approx(0.318 + multimode_gap_db(8.7, 50.0, 0.2), abs=1e-3)
    assert mm.return_loss_db is None


def test_a_gap_below_the_quarter_wave_costs_what_it_has():
    # 0.1 um at 1310 nm: 0.141 dB, 14.97 dB (calculated)
    sm = harm_of_gap(0.1)[0]
    assert sm.loss_db == pytest.approx(0.141, abs=1e-3)
    assert sm.return_loss_db == pytest.approx(14.97, abs=0.06)
    assert [row.loss_db for row in harm_of_gap(0.0)] == pytest.approx([0.0] * 4, abs=1e-12)
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


# -- multimode by power overlap --------------------------------------------------------------------


@pytest.mark.parametrize("gap_um", [2.0, 8.7, 40.0])
def test_spreading_over_a_multimode_gap_is_that_of_rays_drawn_at_random(gap_um):
    # an independent way: rays evenly over the core and over the cone, followed across the gap
    rng, n = np.random.default_rng(3), 400_000
    radius, around = 25 * np.sqrt(rng.random(n)), 2 * np.pi * rng.random(n)
    sine, towards = 0.2 * np.sqrt(rng.random(n)), 2 * np.pi * rng.random(n)
    shift = gap_um * sine / np.sqrt(1 - sine**2)
    x = radius * np.cos(around) + shift * np.cos(towards)
    y = radius * np.sin(around) + shift * np.sin(towards)
    kept = np.mean(np.hypot(x, y) <= 25)
    assert 10 ** (-multimode_gap_db(gap_um, 50.0, 0.2) / 10) == pytest.approx(kept, abs=2e-3)


def test_a_small_multimode_gap_loses_4_over_3_pi_of_gap_and_aperture_over_the_radius():
    # limit of the closed form for small gaps: both circles' lens to first order
    lost = 1 - 10 ** (-multimode_gap_db(0.5, 50.0, 0.2) / 10)
    assert lost == pytest.approx(4 * 0.5 * 0.2 / (3 * np.pi * 25), rel=0.02)


def test_cones_tilted_by_their_aperture_share_a_lens():
    # as two circles of radius r at distance r: (2 pi/3 - sqrt(3)/2) r^2
    tilt = np.degrees(np.arcsin(0.2 / 1.4677))
    share = (2 * np.pi / 3 - np.sqrt(3) / 2) / np.pi
    assert multimode_tilt_db(tilt, 0.2, 1.4677) == pytest.approx(-10 * np.log10(share))
    assert multimode_tilt_db(0.0, 0.2) == 0.0
    assert multimode_tilt_db(40.0, 0.2) == float("inf")


def test_a_strip_as_wide_as_the_core_blocks_all_and_half_as_wide_leaves_two_segments():
    # segment of a circle beyond half its radius: (pi/3 - sqrt(3)/4) r^2 each
    left = 2 * (np.pi / 3 - np.sqrt(3) / 4) / np.pi
    assert multimode_strip_db(25.0, 50.0) == pytest.approx(-10 * np.log10(left))
    assert multimode_strip_db(50.0, 50.0) == float("inf")


# -- angled endfaces -------------------------------------------------------------------------------


def test_an_angled_gap_shifts_the_light_as_snells_law_in_space_does():
    # an independent way: refraction of a ray as vectors, then across the gap to the other face
    n, gap, t = 1.4677, 10.0, np.radians(8.0)
    ray, normal = np.array([0.0, 0.0, 1.0]), np.array([np.sin(t), 0.0, np.cos(t)])
    across = ray - normal * (ray @ normal)
    out = n * across + normal * np.sqrt(1 - n**2 * (across @ across))
    hit = out * gap / (out @ normal)
    assert abs(hit[0]) == pytest.approx(refracted_shift_um(gap, 8.0, n), rel=1e-9)
    assert refracted_shift_um(10.0, 0.0) == 0.0


def test_an_angled_gap_costs_both_faces_spreading_and_the_shift_without_interference():
    # 0.318 dB two faces, 0.0420 dB spreading over 10 um (calculated), offset 0.675 um: 0.2052 d^2
    angled = harm_of_gap(10.0, 8.0)
    shift = refracted_shift_um(10.0, 8.0)
    assert shift == pytest.approx(0.675, abs=1e-3)
    assert angled[0].loss_db == pytest.approx(0.318 + 0.042 + 0.2052 * shift**2, abs=1e-3)
    assert {row.return_loss_db for row in angled} == {None}
    assert angled[0].loss_db < harm_of_gap(10.0)[0].loss_db


# -- the true outline ------------------------------------------------------------------------------


def seen(mask, metric, kind=Kind.PARTICLE, size_um=10.0):
    return SeenDeposit(
        view=0, kind=kind, surface=Surface.ENDFACE, confidence=0.9, pixel_count=int(mask.sum()),
        y0=5, x0=7, mask=mask, xy_px=(0.0, 0.0), s_um=300.0, theta_deg=0.0, s_min_um=290.0,
        s_max_um=310.0, area_um2=1.0, size_um=size_um, feret_max_um=1.0, width_um=1.0,
        length_um=None, enclosing_um=1.0, in_zone_area_um2=0.0, unsure=False, metric=metric,
    )  # fmt: skip


def outlined(mask, metric, kind=Kind.PARTICLE, size_um=10.0, width_um=10.0):
    sighting = seen(mask, metric, kind, size_um)
    return speck(size_um, kind, width_um=width_um, sightings=(sighting,))


def disc_mask(radius_px, stretch=1.0):
    grid = np.arange(-radius_px - 1, radius_px + 1) + 0.5
    x, y = np.meshgrid(grid * stretch, grid)
    return np.hypot(x, y) <= radius_px


@pytest.mark.parametrize("diameter_um", [4.0, 7.0, 12.0])
def test_a_round_outline_blocks_what_the_closed_form_of_a_centred_disc_does(diameter_um):
    step = diameter_um / 80
    outline = outline_of(outlined(disc_mask(40), ((step, 0.0), (0.0, step))))
    assert outline is not None
    expected = disc_blocked_fraction(diameter_um, 9.2)
    assert worst_mode_share(outline, 9.2) == pytest.approx(expected, rel=0.03)
    covered = 1 - 10 ** (-multimode_disc_db(diameter_um, 50.0) / 10)
    assert worst_core_share(outline, 50.0) == pytest.approx(covered, rel=0.03)


def test_an_outline_seen_at_a_slant_is_laid_flat_by_its_metric():
    # a disc of 12 um whose picture is squeezed to half its width and turned by 30 deg
    c, s = np.cos(np.pi / 6), np.sin(np.pi / 6)
    turned = np.array([[c, -s], [s, c]]) @ np.diag([0.3, 0.15])
    metric = tuple(tuple(float(v) for v in row) for row in turned)
    outline = outline_of(outlined(disc_mask(40, stretch=2.0), metric))
    assert outline is not None
    expected = disc_blocked_fraction(2 * 40 * 0.15, 9.2)
    assert worst_mode_share(outline, 9.2) == pytest.approx(expected, rel=0.05)


def test_a_long_thin_outline_blocks_as_an_endless_strip():
    mask = np.zeros((400, 60), bool)
    mask[:, 28:32] = True
    outline = outline_of(outlined(mask, ((0.5, 0.0), (0.0, 0.5)), Kind.LINT))
    assert outline is not None
    assert worst_mode_share(outline, 9.2) == pytest.approx(
        strip_blocked_fraction(2.0, 9.2), rel=0.02
    )
    covered = 1 - 10 ** (-multimode_strip_db(2.0, 50.0) / 10)
    assert worst_core_share(outline, 50.0) == pytest.approx(covered, rel=0.03)


def test_the_worst_place_of_a_ring_is_on_its_band_unless_it_fits_round_the_mode():
    # a dried ring of 60 um: the light may pass through its middle, or be cut by its band
    ring = disc_mask(60) & ~np.pad(disc_mask(50), 10)
    deposit = outlined(ring, ((0.5, 0.0), (0.0, 0.5)), Kind.RESIDUE, size_um=33.0)
    rows = harm_of(deposit, angled=False)
    bare = harm_of(replace(deposit, sightings=()), angled=False)
    assert rows is not None
    assert bare is not None
    assert rows[0].loss_db == pytest.approx(
        masked_mode_db(strip_blocked_fraction(5.0, 9.2)), rel=0.05
    )
    assert rows[0].loss_db < bare[0].loss_db == LOSS_CAP_DB
    assert "outline" in (rows[0].assumes or "")


def test_the_outline_is_of_the_sighting_that_the_sizes_come_from():
    small = seen(disc_mask(4), ((1.0, 0.0), (0.0, 1.0)), size_um=8.0)
    large = seen(disc_mask(40), ((1.0, 0.0), (0.0, 1.0)), size_um=80.0)
    outline = outline_of(speck(8.0, sightings=(large, small)))
    assert outline is not None
    assert outline.covered.sum() * outline.um_per_cell**2 == pytest.approx(16 * np.pi, rel=0.1)
    assert outline_of(speck(8.0)) is None
    assert outline_of(speck(8.0, sightings=(replace(small, metric=None),))) is None


@quick
@given(st.integers(0, 2**31), st.floats(0.3, 6.0))
def test_more_outline_never_blocks_less(seed, um_per_px):
    rng = np.random.default_rng(seed)
    some = rng.random((9, 12)) < 0.3
    some[0, 0] = some[-1, -1] = True  # one box for both
    more = some | (rng.random(some.shape) < 0.3)
    metric = ((um_per_px, 0.0), (0.0, um_per_px))
    less, greater = (outline_of(outlined(m, metric)) for m in (some, more))
    assert less is not None
    assert greater is not None
    assert worst_mode_share(less, 9.2) <= worst_mode_share(greater, 9.2) + 1e-6
    assert worst_core_share(less, 50.0) <= worst_core_share(greater, 50.0) + 1e-6


def test_an_outline_that_fits_on_the_core_covers_its_own_areas_share():
    # plain geometry: a square of 15 um on a core of 50 um
    square = Outline(np.ones((30, 30), np.float32), 0.5)
    assert worst_core_share(square, 50.0) == pytest.approx(225 / (np.pi * 25**2), rel=1e-6)


@pytest.mark.parametrize(("long_um", "cell_um"), [(30.0, 0.5), (300.0, 1.0), (3000.0, 2.0)])
def test_the_grid_is_fine_against_a_mode_and_coarser_for_long_threads(long_um, cell_um):
    # the rule stated beside the grid: 300 cells along the longer side, 0.5 to 2 um each
    metric = ((long_um / 10, 0.0), (0.0, 1.0))
    outline = outline_of(outlined(np.ones((4, 10), bool), metric, Kind.LINT))
    assert outline is not None
    assert outline.um_per_cell == pytest.approx(cell_um)


def test_a_turned_outline_is_laid_out_whole():
    # a square of 20 x 20 um on its corner keeps its area
    side = 10 / np.sqrt(2)
    outline = outline_of(outlined(np.ones((2, 2), bool), ((side, -side), (side, side))))
    assert outline is not None
    assert outline.covered.sum() * outline.um_per_cell**2 == pytest.approx(400, rel=0.02)


@pytest.mark.parametrize("metric", [((0.0, 0.0), (0.0, 0.0)), ((np.nan, 0.0), (0.0, 1.0))])
def test_a_metric_that_flattens_to_nothing_gives_no_outline(metric):
    assert outline_of(outlined(disc_mask(4), metric)) is None


def test_the_slightest_stated_angle_makes_an_angled_joint():
    assert harm_of_gap(10.0, 0.5)[0].return_loss_db is None


def test_nothing_reads_more_than_60_db():
    # beyond it a joint is dark for any purpose: the limit stated beside the cap
    rows = harm_of(speck(300.0), angled=False)
    assert rows is not None
    assert {row.loss_db for row in rows} == {60.0}


def test_an_outline_on_a_multimode_core_costs_its_covered_share():
    # plain geometry: a disc of 10 um covers 1/25 of a core of 50 um
    rows = harm_of(outlined(disc_mask(40), ((0.125, 0.0), (0.0, 0.125))), angled=False)
    assert rows is not None
    assert rows[2].loss_db == pytest.approx(-10 * np.log10(1 - 1 / 25), rel=0.03)


def test_an_outline_wider_than_the_core_covers_the_core():
    # plain geometry: a disc of 46 um on a core of 50 um, and one of 80 um
    for radius_px, share in ((46, 0.46**2 / 0.25), (80, 1.0)):
        outline = outline_of(outlined(disc_mask(radius_px), ((0.5, 0.0), (0.0, 0.5))))
        assert outline is not None
        assert worst_core_share(outline, 50.0) == pytest.approx(share, rel=0.01)


def test_a_narrow_angled_gap_still_costs_both_faces_and_multimode_the_shift_too():
    # 0.318 dB two faces (calculated); spreading and shift only add
    single, _, multi, _ = harm_of_gap(0.5, 8.0)
    assert single.loss_db == pytest.approx(0.318, abs=2e-3)
    assert multi.loss_db > harm_of_gap(0.5)[2].loss_db > 0.318
