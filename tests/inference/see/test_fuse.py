"""Sightings joined: hand-made sightings of known deposits, seen by known cameras."""

from dataclasses import replace

import numpy as np
import pytest

from fiberward.inference.see.aligned import turn_corrections, turned
from fiberward.inference.see.deposits import SeenDeposit
from fiberward.inference.see.fuse import Deposit, ViewMaps, fuse
from fiberward.inference.see.match import Correction
from fiberward.inference.see.pose import Pose
from fiberward.inference.see.sighting import place_sighting, sight_of
from fiberward.model.camera import Camera, surface_coordinates
from fiberward.model.kinds import Kind
from fiberward.model.profile import MeridianProfile
from fiberward.model.shape import ConnectorShape
from fiberward.model.surfaces import Surface

SHAPE = ConnectorShape(1249.5, 15000.0, 880.0, 260.0, 5200.0, 2600.0, 3600.0)
PROFILE = MeridianProfile(SHAPE)
SIZE_HW = (480, 640)


def pose(tilt_deg: float, turn_deg: float, um_per_px: float = 6.0, stated: bool = True) -> Pose:
    camera = Camera(tilt_deg, turn_deg, 0.0, um_per_px, (320.0, 200.0), 60000.0, SIZE_HW)
    return Pose(
        camera=camera,
        shape=SHAPE,
        scale_source="ferrule",
        um_per_px_interval=(0.99 * um_per_px, 1.01 * um_per_px),
        tilt_sd_deg=0.1,
        quality=1.0,
        turn_sd_deg=3.0 if stated else None,
        floor_sd_um=50.0,
    )


FOUR = [pose(2.0, 0.0), pose(45.0, 0.0), pose(45.0, 120.0), pose(45.0, 240.0)]


def sighting(
    view: int, s_um: float, theta_deg: float, size_um: float = 60.0, **other: object
) -> SeenDeposit:
    """A round deposit at (s, theta) as a view lists it; `other` replaces fields."""
    side = max(3, int(size_um / 6))
    camera = FOUR[view].camera
    lift = 0.35 * size_um if other.get("kind") == Kind.PARTICLE else 0.0
    top = PROFILE.to_xyz(s_um, theta_deg) + lift * PROFILE.normal(s_um, theta_deg)
    x, y = (float(v) for v in camera.project(top)[0])
    seen = SeenDeposit(
        view=view,
        kind=Kind.RESIDUE,
        surface=Surface(int(PROFILE.surface_at(s_um, theta_deg))),
        confidence=0.8,
        pixel_count=side * side,
        y0=0,
        x0=0,
        mask=np.ones((side, side), bool),
        xy_px=(x, y),
        s_um=s_um,
        theta_deg=theta_deg % 360,
        s_min_um=max(s_um - size_um / 2, 0.0),
        s_max_um=s_um + size_um / 2,
        area_um2=np.pi / 4 * size_um**2,
        size_um=size_um,
        feret_max_um=size_um,
        width_um=size_um,
        length_um=None,
        enclosing_um=size_um,
        in_zone_area_um2=0.0,
        unsure=False,
    )
    return replace(seen, **other)  # type: ignore[arg-type]


def bare_maps(view: Pose) -> ViewMaps:
    """A view that shows nothing anywhere, and sees everywhere."""
    nothing = np.zeros(SIZE_HW, np.float32)
    return ViewMaps(surface_coordinates(view.camera, SHAPE), nothing, nothing)


def one(deposits: tuple[Deposit, ...]) -> Deposit:
    assert len(deposits) == 1
    return deposits[0]


def test_a_deposit_seen_in_three_views_is_one_deposit():
    seen = [[sighting(0, 600, 20)], [sighting(1, 610, 21)], [sighting(2, 595, 19)], []]
    deposit = one(fuse(seen, FOUR))
    assert deposit.seen_in == (0, 1, 2)
    assert deposit.s_um == pytest.approx(600, abs=10)
    assert deposit.theta_deg == pytest.approx(20, abs=1.5)
    assert deposit.id == 1
    assert len(deposit.sightings) == 3


def test_what_lies_all_round_the_axis_is_one_deposit_in_all_views_that_show_it():
    rings = [replace(sighting(v, 500.0, 0.0, 400.0 + v), theta_deg=None) for v in range(3)]
    other = replace(sighting(0, 900.0, 0.0, 400.0), theta_deg=None)
    found = fuse([[rings[0], other], [rings[1]], [rings[2]]], FOUR[:3])
    assert [deposit.seen_in for deposit in found] == [(0, 1, 2), (0,)]
    assert [deposit.theta_deg for deposit in found] == [None, None]


def test_two_deposits_apart_stay_two_however_many_views_show_them():
    seen = [[sighting(k, 500, 20), sighting(k, 500, 60)] for k in range(3)] + [[]]
    deposits = fuse(seen, FOUR)
    assert [d.seen_in for d in deposits] == [(0, 1, 2), (0, 1, 2)]


def test_a_grain_and_a_large_film_at_one_place_stay_two():
    seen = [
        [sighting(0, 500, 20, 20.0, kind=Kind.PARTICLE)],
        [sighting(1, 500, 20, 400.0, kind=Kind.FILM)],
        [],
        [],
    ]
    assert len(fuse(seen, FOUR)) == 2


def test_theta_is_averaged_across_zero():
    seen = [[sighting(0, 600, 359.5)], [sighting(1, 600, 0.5)], [], []]
    theta = one(fuse(seen, FOUR)).theta_deg
    assert theta is not None
    assert min(theta, 360 - theta) < 1.0


def test_the_size_comes_from_the_view_that_sees_the_place_best():
    """On the barrel at turn 0: the view of turn 0 looks at it, the front view along it."""
    s = float(PROFILE.s_end_um[Surface.CHAMFER]) + 900
    seen = [[sighting(0, s, 0, 90.0)], [sighting(1, s, 0, 60.0)], [], []]
    assert one(fuse(seen, FOUR)).size_um == 60.0


def test_the_kind_is_the_one_with_most_confident_votes():
    votes = (Kind.LIQUID, Kind.FILM, Kind.LIQUID)
    seen = [[sighting(k, 500, 20, kind=kind)] for k, kind in enumerate(votes)] + [[]]
    assert one(fuse(seen, FOUR)).kind == Kind.LIQUID


def test_confidence_rises_with_every_view_that_agrees():
    confidences: list[float] = []
    for count in (1, 2, 3):
        seen = [[sighting(k, 600, 20)] if k < count else [] for k in range(4)]
        confidences.append(one(fuse(seen, FOUR)).confidence)
    assert confidences[0] < confidences[1] < confidences[2]


def test_a_weak_deposit_that_a_better_view_does_not_show_becomes_unsure():
    grain = sighting(1, 500, 0, 40.0, kind=Kind.PARTICLE, confidence=0.75)
    maps = [bare_maps(p) for p in FOUR]
    assert not one(fuse([[], [grain], [], []], FOUR)).unsure
    assert one(fuse([[], [grain], [], []], FOUR, maps)).unsure


def test_an_unsure_piece_that_a_better_view_does_not_show_is_dropped():
    grain = sighting(1, 500, 0, 40.0, kind=Kind.PARTICLE, confidence=0.3, unsure=True)
    maps = [bare_maps(p) for p in FOUR]
    assert one(fuse([[], [grain], [], []], FOUR)).unsure
    assert fuse([[], [grain], [], []], FOUR, maps) == ()


def test_a_strong_deposit_is_never_made_unsure_by_other_views():
    grain = sighting(1, 500, 0, 120.0, kind=Kind.PARTICLE, confidence=0.96)
    maps = [bare_maps(p) for p in FOUR]
    assert not one(fuse([[], [grain], [], []], FOUR, maps)).unsure


def test_a_view_that_cannot_see_the_place_says_nothing_against_it():
    """The far side of the barrel: only the view of turn 0 can see it."""
    s = float(PROFILE.s_end_um[Surface.CHAMFER]) + 900
    grain = sighting(1, s, 0, 40.0, kind=Kind.PARTICLE, confidence=0.75)
    maps = [bare_maps(p) for p in FOUR]
    deposit = one(fuse([[], [grain], [], []], FOUR, maps))
    assert not deposit.unsure
    assert deposit.confidence == pytest.approx(0.75, abs=1e-6)


def test_a_place_that_the_other_view_cannot_show_sharply_says_nothing_against_it():
    grain = sighting(1, 500, 0, 40.0, kind=Kind.PARTICLE, confidence=0.75)
    blind = np.ones(SIZE_HW, np.float32)
    maps = [replace(bare_maps(p), unseen=blind) for p in FOUR]
    assert not one(fuse([[], [grain], [], []], FOUR, maps)).unsure


def test_two_views_that_agree_on_an_unsure_piece_make_it_a_deposit():
    pieces = [
        [sighting(k, 500, 20, confidence=0.6, unsure=True)] if k < 2 else [] for k in range(4)
    ]
    assert not one(fuse(pieces, FOUR)).unsure


def test_deposits_on_the_housing_have_no_travel_distance_and_come_last():
    outside = replace(
        sighting(0, 600, 20, surface=Surface.HOUSING),
        s_um=None,
        theta_deg=None,
        s_min_um=None,
        s_max_um=None,
    )
    deposits = fuse([[outside, sighting(0, 600, 20)], [], [], []], FOUR)
    assert [d.s_um is None for d in deposits] == [False, True]
    assert deposits[1].surface == Surface.HOUSING
    assert deposits[1].off_zone


def test_a_deposit_on_the_housings_face_seen_in_two_views_is_one():
    """A point of the face's plane, 3.2 mm off the axis, projected into two cameras."""
    angle = np.radians(70.0)
    point = [3200 * np.cos(angle), 3200 * np.sin(angle), PROFILE.rim_z_um]
    pieces: list[list[SeenDeposit]] = []
    for k in range(4):
        x, y = (float(v) for v in FOUR[k].camera.project(point)[0])
        seen = sighting(k, 600, 20, surface=Surface.HOUSING, xy_px=(x, y))
        seen = replace(seen, s_um=None, theta_deg=None, s_min_um=None, s_max_um=None)
        pieces.append([seen] if k in (0, 2) else [])
    deposit = one(fuse(pieces, FOUR))
    assert deposit.seen_in == (0, 2)
    assert deposit.s_um is None
    assert deposit.theta_deg is None


def patch(side: int, at: int, kind: Kind) -> SeenDeposit:
    """A square of `side` px with its corner at (at, at) in the front view, on the endface."""
    seen = sighting(0, 500, 20, 6.0 * side, kind=kind)
    return replace(seen, y0=at, x0=at, mask=np.ones((side, side), bool), pixel_count=side * side)


def test_slivers_of_a_film_belong_to_it_and_a_grain_on_it_does_not():
    film, sliver = patch(40, 100, Kind.FILM), patch(6, 138, Kind.LIQUID)
    deposit = one(fuse([[film, sliver], [], [], []], FOUR))
    assert deposit.kind == Kind.FILM
    assert deposit.sightings == (film, sliver)
    assert deposit.seen_in == (0,)
    grain = patch(6, 138, Kind.PARTICLE)
    assert len(fuse([[film, grain], [], [], []], FOUR)) == 2


def test_small_deposits_away_from_a_large_one_are_no_slivers_of_it():
    film, apart = patch(40, 100, Kind.FILM), patch(6, 150, Kind.LIQUID)
    assert len(fuse([[film, replace(apart, s_um=700.0)], [], [], []], FOUR)) == 2


def test_two_deposits_of_like_size_side_by_side_stay_two():
    one_patch, other = patch(20, 100, Kind.FILM), patch(15, 118, Kind.LIQUID)
    assert len(fuse([[one_patch, replace(other, s_um=560.0)], [], [], []], FOUR)) == 2


def test_hundreds_of_sightings_are_turned_and_joined_within_seconds():
    import time

    rng = np.random.default_rng(8)
    truth = [(float(rng.uniform(150, 850)), float(rng.uniform(0, 360))) for _ in range(120)]
    seen = [
        [replace(sighting(k, s, t, 20.0), x0=40 * n) for n, (s, t) in enumerate(truth)]
        for k in range(4)
    ]
    start = time.process_time()
    assert len(turn_corrections(seen, FOUR)) == 4
    deposits = fuse(seen, FOUR)
    assert time.process_time() - start < 5
    assert 100 <= len(deposits) <= 140


def test_off_zone_means_nothing_within_125_um_of_the_axis():
    near = sighting(0, 130, 20, 40.0)  # from 110 to 150 um
    far = sighting(0, 200, 200, 40.0)
    deposits = fuse([[near, far], [], [], []], FOUR)
    assert [d.off_zone for d in deposits] == [False, True]


def test_the_order_of_the_views_changes_nothing():
    rng = np.random.default_rng(5)
    truth = [(float(rng.uniform(150, 850)), float(rng.uniform(0, 360))) for _ in range(8)]
    seen = [
        [
            sighting(k, s + rng.normal(0, 4), theta + rng.normal(0, 0.5), 50.0 + 10 * n)
            for n, (s, theta) in enumerate(truth)
        ]
        for k in range(4)
    ]
    order = [2, 0, 3, 1]
    shuffled = [[replace(d, view=new) for d in seen[old]] for new, old in enumerate(order)]
    one_way = fuse(seen, FOUR)
    other = fuse(shuffled, [FOUR[k] for k in order])
    assert len(one_way) == 8
    for a, b in zip(one_way, other, strict=True):
        assert a.s_um == pytest.approx(b.s_um, abs=0.05)
        assert a.size_um == b.size_um
        assert a.seen_in == tuple(sorted(order[k] for k in b.seen_in))


def test_views_of_unknown_turn_are_not_matched_with_others():
    seen = [[sighting(0, 600, 20)], [sighting(1, 600, 20)], [], []]
    loose = [pose(2.0, 0.0), pose(45.0, 0.0, stated=False), FOUR[2], FOUR[3]]
    assert len(fuse(seen, loose)) == 2


def test_without_any_pose_there_is_no_deposit():
    assert fuse([[sighting(0, 600, 20)]], [None]) == ()


def test_wrong_turns_come_back_into_line_by_the_deposits_the_views_share():
    rng = np.random.default_rng(2)
    errors = np.array([0.0, 2.0, -2.0, 1.0])
    truth = [(float(rng.uniform(200, 850)), float(rng.uniform(0, 360))) for _ in range(9)]
    seen = [
        [sighting(k, s, theta + errors[k], 40.0 + 9 * n) for n, (s, theta) in enumerate(truth)]
        for k in range(4)
    ]
    corrections = turn_corrections(seen, FOUR)
    left = np.array([c.by_deg for c in corrections if c is not None]) + errors
    assert len(left) == 4
    assert np.ptp(left) <= 0.75


def test_unknown_turns_are_found_from_shared_deposits_or_left_open():
    rng = np.random.default_rng(3)
    truth = [(float(rng.uniform(200, 850)), float(rng.uniform(0, 360))) for _ in range(9)]
    turns = [0.0, 30.0, -100.0, 170.0]
    loose = [pose(p.camera.tilt_deg, p.camera.turn_deg, stated=False) for p in FOUR]
    seen = [
        [sighting(k, s, theta - turns[k], 40.0 + 9 * n) for n, (s, theta) in enumerate(truth)]
        for k in range(4)
    ]
    found = turn_corrections(seen, loose)
    by = [each.by_deg for each in found]
    relative = [(f - by[0] - t + 180) % 360 - 180 for f, t in zip(by, turns, strict=True)]
    assert np.abs(relative).max() <= 1.0
    alike = [[sighting(k, 500, 90 * n + 20) for n in range(4)] for k in range(4)]
    assert turn_corrections(alike, loose) == (None, None, None, None)  # four-fold: cannot tell


def test_a_mark_that_all_views_show_tells_turns_that_few_deposits_leave_open():
    turns = [0.0, 30.0, -100.0, 170.0]
    few = [(400.0, 25.0, 40.0), (640.0, 140.0, 90.0)]  # two deposits: too few by themselves
    seen = [[sighting(k, s, t - turns[k], size) for s, t, size in few] for k in range(4)]

    def loose(marked_deg: float | None, period: float) -> list[Pose]:
        """Views of unknown turn, each showing the mark where its own turn puts it."""
        poses = [pose(p.camera.tilt_deg, 0.0, stated=False) for p in FOUR]
        shown = [None if marked_deg is None else (marked_deg - t) % period for t in turns]
        return [
            replace(p, mark_deg=mark, mark_period_deg=period)
            for p, mark in zip(poses, shown, strict=True)
        ]

    assert turn_corrections(seen, loose(None, 360.0)) == (None, None, None, None)
    # a square mouth leaves four turns, an angled endface one, even without any deposit
    for period, what in ((90.0, seen), (360.0, seen), (360.0, [[], [], [], []])):
        found = turn_corrections(what, loose(12.0, period))
        by = [each.by_deg for each in found]
        relative = [(f - by[0] - t + 180) % 360 - 180 for f, t in zip(by, turns, strict=True)]
        assert np.abs(relative).max() <= 1.0
        qualities = [each.quality for each in found if each.quality is not None]
        assert len(qualities) == 3  # one view stands for 0
        assert min(qualities) > 0.35
    assert turn_corrections([[], [], [], []], loose(12.0, 90.0)) == (None, None, None, None)


def test_the_quality_of_a_found_turn_falls_where_another_is_nearly_as_good():
    loose = [pose(p.camera.tilt_deg, p.camera.turn_deg, stated=False) for p in FOUR[:2]]
    lone = [(300.0 + 70 * n, 40.0 * n * n, 40.0) for n in range(5)]
    # the same again half round, for three of the five
    twice = [*lone, *((s, t + 180.0, size) for s, t, size in lone[:2])]
    clear, doubtful = (
        turn_corrections([[sighting(k, *each) for each in places] for k in range(2)], loose)
        for places in (lone, twice)
    )
    assert clear[1].quality > doubtful[1].quality > 0.35


def test_turning_a_view_turns_its_camera_pixels_and_sightings_alike():
    coordinates = surface_coordinates(FOUR[1].camera, SHAPE)
    seen, by = [sighting(1, 500, 359)], Correction(2.0)
    new_pose, new_coordinates, moved = turned(FOUR[1], coordinates, seen, by)
    again = surface_coordinates(new_pose.camera, SHAPE)
    gap = np.abs((again.theta_deg - new_coordinates.theta_deg + 180) % 360 - 180)
    assert np.nanpercentile(gap, 99) < 0.01
    assert moved[0].theta_deg == pytest.approx(1.0)


def test_a_grains_place_is_where_it_stands_not_where_it_hides_the_surface():
    """A ball of 100 um on the endface, seen at 50 deg: its pixels' mean place is behind it."""
    view, radius = pose(50.0, 0.0, 2.0), 50.0
    s, theta = 500.0, 100.0
    foot = PROFILE.to_xyz(s, theta)
    centre = foot + radius * PROFILE.normal(s, theta)
    origin, rays = view.camera.rays()
    along = (centre - origin) @ rays.reshape(-1, 3).T
    apart = np.sqrt(np.sum((centre - origin) ** 2) - along**2).reshape(SIZE_HW)
    hidden = apart < radius
    coordinates = surface_coordinates(view.camera, SHAPE)
    weights = (coordinates.pixel_area_um2 * coordinates.facing)[hidden]
    mean_s = float(np.average(coordinates.s_um[hidden], weights=weights))
    mean_theta = float(np.average(coordinates.theta_deg[hidden], weights=weights))
    rows, columns = np.nonzero(hidden)
    middle = (float(columns.mean()) + 0.5, float(rows.mean()) + 0.5)
    seen = sighting(0, mean_s, mean_theta, 2 * radius, kind=Kind.PARTICLE, xy_px=middle)
    placed = place_sighting(seen, view, PROFILE)
    assert placed is not None
    before = np.linalg.norm(PROFILE.to_xyz(mean_s, mean_theta) - foot)
    after = np.linalg.norm(PROFILE.to_xyz(placed.s_um, placed.theta_deg) - foot)
    assert before > 40
    assert after < 0.5 * before


def test_sight_says_how_squarely_and_finely_a_view_sees_a_place():
    """Hand case: straight from the front the fibre is seen squarely at um_per_px."""
    sight = sight_of(pose(0.0, 0.0).camera, PROFILE, 0.0, 0.0)
    assert sight is not None
    assert sight.facing == pytest.approx(1.0, abs=1e-3)
    assert sight.um_per_px == pytest.approx(6.0)
    assert sight.xy_px == pytest.approx((320.0, 200.0))
