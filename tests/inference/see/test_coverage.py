"""Coverage and the travel map of drawn views, against closed forms where there are any."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from fiberward.inference.see.coverage import measure_coverage
from fiberward.inference.see.look import MappedView, faultless_view, look_at, places_on
from fiberward.inference.see.travel_map import TravelMap, lay_travel_map
from fiberward.model.camera import Camera
from fiberward.model.kinds import Kind
from fiberward.model.profile import MeridianProfile
from fiberward.model.shape import ConnectorShape
from fiberward.model.surfaces import Surface

SHAPE = ConnectorShape(1249.5, 15000.0, 880.0, 260.0, 5200.0, 2600.0, 3600.0)
SQUARE = replace(SHAPE, cavity_corner=0.4, key_deg=20.0)
# a plug with a stub of a barrel in a flat tray: nothing hides anything
STUB = ConnectorShape(1249.5, 15000.0, 880.0, 260.0, 1500.0, 5000.0, 1.0)
SIZE_HW = (480, 640)


def view(
    tilt_deg: float,
    turn_deg: float,
    shape: ConnectorShape = SHAPE,
    um_per_px: float = 9.0,
    distance_um: float = 80000.0,
) -> MappedView:
    """A faultless view whose colours and kinds are 0 until a test paints them."""
    camera = Camera(tilt_deg, turn_deg, 0.0, um_per_px, (320.0, 200.0), distance_um, SIZE_HW)
    return faultless_view(camera, shape, limit_px=2.0)


FRONT = view(2.0, 0.0)
OBLIQUE = [view(48.0, 0.0), view(48.0, 120.0), view(48.0, 240.0)]


def test_a_view_along_the_axis_covers_fibre_endface_and_chamfer_and_no_barrel():
    coverage = measure_coverage([view(0.0, 0.0)], SHAPE, 50.0)
    assert coverage.share[Surface.FIBER] == 1
    assert coverage.share[Surface.ENDFACE] == pytest.approx(1, abs=1e-3)
    assert coverage.share[Surface.CHAMFER] == pytest.approx(1, abs=0.02)
    assert coverage.share[Surface.BARREL] == 0
    assert "barrel (its front 1 mm) not seen" in coverage.gaps


def test_a_cavity_whose_wall_was_seen_is_not_called_unseen():
    coverage = measure_coverage([OBLIQUE[0]], SHAPE, 1e9)
    assert 0 < coverage.share[Surface.CAVITY] < 0.5
    assert "cavity (1 mm round the barrel's foot) not seen" in coverage.gaps


def test_an_oblique_view_covers_the_barrel_as_far_round_as_it_faces_the_camera():
    """From far away at tilt 70 a barrel's normal at d from the turn faces by sin 70 cos d.

    It counts down to a facing of 0.12, so the covered share is arccos(0.12 / sin 70) / 180 deg.
    """
    far = view(70.0, 100.0, STUB, um_per_px=9.0, distance_um=5e6)
    share = measure_coverage([far], STUB, 1e9).share[Surface.BARREL]
    expected = np.degrees(np.arccos(0.12 / np.sin(np.radians(70)))) / 180
    assert share == pytest.approx(expected, abs=0.01)


def test_the_gap_of_the_barrel_is_named_where_no_view_faces_it():
    far = view(70.0, 100.0, STUB, distance_um=5e6)
    gaps = [gap for gap in measure_coverage([far], STUB, 1e9).gaps if gap.startswith("barrel")]
    assert gaps == ["barrel (its front 1 mm) from 182 to 18 deg not seen"]


def test_a_front_alone_leaves_the_barrel_and_front_with_three_oblique_views_no_gap_on_it():
    alone = measure_coverage([FRONT], SHAPE, 50.0)
    together = measure_coverage([FRONT, *OBLIQUE], SHAPE, 50.0)
    assert alone.share[Surface.BARREL] < 0.02
    assert any(gap.startswith("barrel") for gap in alone.gaps)
    assert not any(gap.startswith(("barrel", "chamfer", "endface")) for gap in together.gaps)
    assert together.share[Surface.BARREL] > 0.2


def test_the_next_picture_aims_at_the_middle_of_the_gap_and_shows_what_it_says():
    views = [FRONT, *OBLIQUE[:2]]
    coverage = measure_coverage(views, SHAPE, 50.0)
    wanted = coverage.next_picture
    # views at 0 and 120 deg leave the barrel unseen about 240 deg
    assert abs((wanted.turn_deg - 240 + 180) % 360 - 180) <= 4
    assert wanted.tilt_deg >= 45
    assert set(wanted.adds) == {"barrel"}
    taken = view(wanted.tilt_deg, wanted.turn_deg)
    after = measure_coverage([*views, taken], SHAPE, 50.0)
    assert not any(gap.startswith("barrel") for gap in after.gaps)
    assert after.next_picture is None
    assert after.share[Surface.BARREL] > coverage.share[Surface.BARREL]


def test_without_a_front_view_of_a_deep_plug_the_front_is_asked_for():
    masked = [
        replace(v, unseen=np.isin(v.surface, [5, 6]).astype(np.float32)) for v in OBLIQUE
    ]  # burnt out on the endface
    wanted = measure_coverage(masked, SHAPE, 50.0).next_picture
    assert set(wanted.adds) >= {"fiber", "endface"}
    assert measure_coverage([FRONT, *OBLIQUE], SHAPE, 50.0).next_picture is None


def test_more_views_never_lower_a_share_and_their_order_does_not_matter():
    views = [FRONT, *OBLIQUE]
    before = dict.fromkeys(measure_coverage([FRONT], SHAPE, 50.0).share, 0.0)
    for count in range(1, 5):
        share = measure_coverage(views[:count], SHAPE, 50.0).share
        assert all(share[surface] >= before[surface] for surface in share)
        before = share
    assert measure_coverage(views[::-1], SHAPE, 50.0) == measure_coverage(views, SHAPE, 50.0)


def test_a_view_too_coarse_for_the_size_covers_nothing():
    """2 px at 9 um per px: a disc of 18 um seen squarely; 17 um is too small everywhere."""
    assert measure_coverage([view(0.0, 0.0)], SHAPE, 17.0).share[Surface.ENDFACE] == 0
    assert measure_coverage([view(0.0, 0.0)], SHAPE, 19.0).share[Surface.ENDFACE] > 0.99


def test_what_the_picture_cannot_show_is_not_covered():
    blind = view(0.0, 0.0)
    unseen = np.zeros(SIZE_HW, np.float32)
    unseen[:, :320] = 1
    share = measure_coverage([replace(blind, unseen=unseen)], SHAPE, 50.0).share
    assert share[Surface.ENDFACE] == pytest.approx(0.5, abs=0.02)


def test_what_the_picture_shows_something_else_at_is_not_covered():
    """A cable in front of half the ferrule: the mask says surround there."""
    blind = view(0.0, 0.0)
    surface = blind.surface.copy()
    surface[:, :320] = Surface.SURROUND
    share = measure_coverage([replace(blind, surface=surface)], SHAPE, 50.0).share
    assert share[Surface.ENDFACE] == pytest.approx(0.5, abs=0.02)


def test_the_zones_are_shown_by_a_front_view_that_has_all_of_them_in_its_frame():
    # a disc of 2 px at 9 um per px on the endface: 18 um, at a tilt of 2 deg all but the same
    fine = measure_coverage([FRONT, *OBLIQUE], SHAPE, 50.0).zones_um
    assert fine == pytest.approx(2.0 * FRONT.camera.um_per_px, rel=0.02)
    assert measure_coverage(OBLIQUE, SHAPE, 50.0).zones_um is None
    assert measure_coverage([view(31.0, 0.0)], SHAPE, 50.0).zones_um is None


def test_a_close_up_that_cuts_the_zones_off_does_not_show_them():
    # the fibre lies 200 px below the upper edge: 100 um of the 125 um at 0.5 um per px, 140 at 0.7
    near, whole = (view(0.0, 0.0, um_per_px=um) for um in (0.5, 0.7))
    assert measure_coverage([near, FRONT], SHAPE, 50.0).zones_um == pytest.approx(18.0, rel=0.02)
    assert measure_coverage([whole, FRONT], SHAPE, 50.0).zones_um == pytest.approx(1.4, rel=0.02)


def test_a_spot_of_the_zones_that_is_not_seen_leaves_them_ungraded():
    hidden = (FRONT.coordinates.s_um > 70) & (FRONT.coordinates.s_um < 100)
    burnt = replace(FRONT, unseen=hidden.astype(np.float32))
    assert measure_coverage([burnt], SHAPE, 50.0).zones_um is None


def test_without_views_nothing_is_covered_and_every_surface_is_a_gap():
    coverage = measure_coverage([], SHAPE, 50.0)
    assert set(coverage.share.values()) == {0.0}
    assert len(coverage.gaps) == 5


@pytest.mark.parametrize("shape", [SHAPE, SQUARE], ids=["round", "square"])
def test_many_places_at_once_are_where_the_chart_says(shape):
    rng = np.random.default_rng(1)
    s, theta = rng.uniform(0, 14500, 20000), rng.uniform(0, 360, 20000)
    many = places_on(MeridianProfile(shape), s, theta)
    profile = MeridianProfile(shape)
    assert np.mean(many.surface == profile.surface_at(s, theta)) > 0.999
    on = (many.surface > 0) & (many.surface == profile.surface_at(s, theta))
    assert np.abs(many.xyz_um.T - profile.to_xyz(s, theta))[on].max() < 0.05
    assert np.percentile(np.abs(many.normal.T - profile.normal(s, theta))[on], 99.9) < 0.01


def test_a_look_finds_the_pixel_that_shows_the_place():
    profile = MeridianProfile(SHAPE)
    s = np.array([0.0, 500.0, 1000.0, 2000.0])
    look = look_at(OBLIQUE[0], places_on(profile, s, np.zeros(4)))
    assert look.shown.all()
    found = OBLIQUE[0].coordinates.s_um[look.row, look.column]
    assert np.abs(found - s).max() < 20
    assert not look_at(OBLIQUE[0], places_on(profile, [2000.0], [180.0])).shown.any()


def painted(colour_of_s: npt.NDArray[np.uint8], step_um: float, *views: MappedView) -> TravelMap:
    """The map of views whose pixels are painted by their own travel distance."""
    done: list[MappedView] = []
    for each in views:
        band = np.nan_to_num(each.coordinates.s_um / step_um).astype(int) % len(colour_of_s)
        rgb = np.repeat(colour_of_s[band][..., None], 3, axis=2)
        done.append(replace(each, rgb=rgb))
    return lay_travel_map(done, SHAPE, 50.0, 300, 1500.0)


def test_what_lies_at_a_travel_distance_is_painted_at_that_radius():
    laid = painted(np.array([50, 200], np.uint8), 250.0, FRONT, *OBLIQUE)
    rows, columns = np.nonzero(laid.seen)
    radius = np.hypot(columns + 0.5 - 150, rows + 0.5 - 150) * laid.um_per_px
    clear = np.abs((radius + 125) % 250 - 125) > 30  # away from the bands' borders
    expected = np.where((radius // 250) % 2 == 0, 50, 200)
    assert np.mean(np.abs(laid.rgb[rows, columns, 0] - expected)[clear] <= 3) > 0.99
    assert laid.um_per_px == pytest.approx(10.0)


def test_theta_zero_is_to_the_right_of_the_map_and_ninety_is_up():
    each = view(0.0, 0.0)
    theta = np.nan_to_num(each.coordinates.theta_deg, nan=-1.0)
    kind = np.where((theta > 60) & (theta < 120), Kind.FILM, Kind.CLEAN).astype(np.uint8)
    kind[np.abs((theta + 180) % 360 - 180) < 10] = Kind.LINT
    laid = lay_travel_map([replace(each, kind=kind)], SHAPE, 50.0, 300, 1100.0)
    assert laid.kind[60, 150] == Kind.FILM
    assert laid.kind[150, 240] == Kind.LINT
    assert laid.kind[240, 150] == Kind.CLEAN


def test_what_no_view_sees_is_black_and_unseen_on_the_map():
    laid = lay_travel_map([replace(FRONT, rgb=np.full_like(FRONT.rgb, 90))], SHAPE, 50.0, 300)
    behind = laid.on_surface & ~laid.seen
    assert behind.mean() > 0.2
    assert (laid.rgb[behind] == 0).mean() > 0.9
    coverage = measure_coverage([FRONT], SHAPE, 50.0, laid)
    assert coverage.unseen_map is not None
    assert np.array_equal(coverage.unseen_map, behind)


def test_two_views_of_different_brightness_meet_without_a_step():
    """One view a third darker: the fused endface is one even grey."""
    bright = replace(FRONT, rgb=np.full_like(FRONT.rgb, 150))
    dark = [replace(o, rgb=np.full_like(o.rgb, 100)) for o in OBLIQUE]
    laid = lay_travel_map([bright, *dark], SHAPE, 50.0, 300, 800.0)
    grey = laid.rgb[laid.seen][:, 0].astype(float)
    assert np.percentile(grey, 95) - np.percentile(grey, 5) <= 4


def test_the_map_does_not_depend_on_the_order_of_the_views():
    shades = [replace(v, rgb=np.full_like(v.rgb, 60 + 40 * k)) for k, v in enumerate(OBLIQUE)]
    one = lay_travel_map(shades, SHAPE, 50.0, 200)
    other = lay_travel_map(shades[::-1], SHAPE, 50.0, 200)
    assert np.array_equal(one.rgb, other.rgb)
    assert np.array_equal(one.seen, other.seen)


def test_the_map_reaches_to_the_rims_farthest_corner():
    laid = lay_travel_map([], SQUARE, 50.0, 200)
    farthest = MeridianProfile(SQUARE).s_ends_at(np.arange(360.0))[Surface.CAVITY].max()
    assert laid.um_per_px * 100 == pytest.approx(farthest)
    assert not laid.seen.any()
    assert laid.on_surface[100, 100]
