"""Reach: the chain against its closed forms and against lots drawn; assumptions and learning."""

import tomllib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fiberward.inference.judge.assumed import (
    SHIPPED,
    Assumption,
    read_assumptions,
    recorded_assumptions,
    shipped_assumptions,
)
from fiberward.inference.judge.chain import PLACES, Journey, arrivals, expected_matings, simulate
from fiberward.inference.judge.places import PLACE_NAMES, Place, place_at, place_from
from fiberward.inference.judge.reach import MATINGS, reach_from, reach_of, upper_reach
from fiberward.inference.judge.sensitivity import Swing
from fiberward.inference.see.fuse import Deposit
from fiberward.model.errors import SettingsError
from fiberward.model.families import default_shape, find_family
from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface

SHAPE = default_shape(find_family(2.5))
KINDS = (Kind.PARTICLE, Kind.LINT, Kind.FILM, Kind.RESIDUE, Kind.LIQUID)
STARTS = [Place(place) for place in range(Place.CONTACT)]
quick = settings(max_examples=40, deadline=None, derandomize=True)


def two_places(p: float, gone: float = 0.0, sheds: float = 0.0, fragment_p: float = 0.0) -> Journey:
    """Dirt on the endface that gets to the contact zone with chance p, and goes with `gone`."""
    moves, fragments = np.eye(PLACES), np.eye(PLACES)
    for matrix, chance, lost in ((moves, p, gone), (fragments, fragment_p, 0.0)):
        matrix[Place.ENDFACE] = 0.0
        matrix[Place.ENDFACE, [Place.ENDFACE, Place.CONTACT, Place.GONE]] = [
            1 - chance - lost,
            chance,
            lost,
        ]
    rates = np.zeros(PLACES)
    rates[Place.ENDFACE] = sheds
    return Journey(moves, fragments, rates)


@pytest.mark.parametrize("matings", MATINGS)
@pytest.mark.parametrize(("p", "gone"), [(0.1, 0.0), (0.05, 0.2), (0.3, 0.3)])
def test_a_chain_of_one_step_is_the_geometric_series(p, gone, matings):
    # closed form: p/(p+g) (1 - (1-p-g)^N); for no loss 1 - (1-p)^N
    got = arrivals(two_places(p, gone), Place.CONTACT, MATINGS)[matings][0][Place.ENDFACE]
    assert got == pytest.approx(p / (p + gone) * (1 - (1 - p - gone) ** matings), rel=1e-9)


def test_expected_matings_of_a_chain_of_one_step_is_that_of_the_geometric_law():
    # mean of a geometric law with stay 1-p-g, given arrival: 1/(p+g)
    moves = two_places(0.05, 0.2).moves
    assert expected_matings(moves, Place.CONTACT, Place.ENDFACE) == pytest.approx(4.0)
    assert expected_matings(moves, Place.CONTACT, Place.CONTACT) == 0.0
    assert expected_matings(moves, Place.CONTACT, Place.CAVITY) is None
    assert expected_matings(moves, Place.CONTACT, Place.GONE) is None


@pytest.mark.parametrize("kind", [Kind.PARTICLE, Kind.LIQUID])
def test_expected_matings_are_the_mean_of_the_arrivals_mating_by_mating(kind):
    # an independent way: sum of n P(arrives at n) over what ever arrives, from the matrix's powers
    assumed, last = shipped_assumptions(), 4000
    mean = assumed.mean(assumed.rows_for(kind, 20.0))
    bare = Journey(mean.moves, mean.fragment_moves, np.zeros(PLACES))
    numbers = np.arange(1, last + 1)
    by_then = arrivals(bare, Place.CONTACT, numbers.tolist())
    for start in STARTS:
        at = np.diff([0.0, *(by_then[n][0][start] for n in numbers.tolist())])
        expected = float((numbers * at).sum() / at.sum())
        got = expected_matings(mean.moves, Place.CONTACT, start)
        assert got == pytest.approx(expected, rel=1e-3)


def test_fragments_alone_arrive_by_a_poisson_law():
    # one mating, the dirt itself never moves: count f p, some arrived 1 - exp(-f p)
    chance, count = arrivals(two_places(0.0, 0.0, 0.7, 0.4), Place.CONTACT, [1])[1]
    assert count[Place.ENDFACE] == pytest.approx(0.28)
    assert chance[Place.ENDFACE] == pytest.approx(1 - np.exp(-0.28))


@pytest.mark.parametrize("kind", [Kind.PARTICLE, Kind.FILM, Kind.RESIDUE])
@pytest.mark.parametrize("target", [Place.CONTACT, Place.CORE])
@pytest.mark.parametrize("start", [Place.BARREL_FRONT, Place.CHAMFER, Place.ENDFACE])
def test_the_matrix_and_lots_drawn_agree(kind, target, start):
    # two independent ways to the same chance; 4 standard errors of 20 000 runs
    assumed, runs = shipped_assumptions(), 20_000
    journey = assumed.mean(assumed.rows_for(kind, 20.0))
    chance, count = (each[start] for each in arrivals(journey, target, [10])[10])
    share, mean = simulate(journey, target, start, 10, runs, seed=4)
    assert share == pytest.approx(chance, abs=4 * np.sqrt(chance * (1 - chance) / runs))
    assert mean == pytest.approx(count, abs=4 * np.sqrt(4 * max(count, 0.05) / runs))


@pytest.mark.parametrize("matings", MATINGS)
@pytest.mark.parametrize("kind", [Kind.LINT, Kind.LIQUID])
def test_the_matrix_and_lots_drawn_agree_for_1_10_and_100_matings(kind, matings):
    # as above, from where the sleeve begins
    assumed, runs, start = shipped_assumptions(), 20_000, Place.BARREL_SLEEVE
    journey = assumed.mean(assumed.rows_for(kind, 20.0))
    chance, count = (each[start] for each in arrivals(journey, Place.CONTACT, [matings])[matings])
    share, mean = simulate(journey, Place.CONTACT, start, matings, runs, seed=11)
    assert share == pytest.approx(chance, abs=4 * np.sqrt(chance * (1 - chance) / runs))
    assert mean == pytest.approx(count, abs=4 * np.sqrt(4 * max(count, 0.05) / runs))


def test_matrix_powers_give_the_same_without_fragments():
    # P^N, the textbook form of the chain after N steps
    assumed = shipped_assumptions()
    rows = assumed.rows_for(Kind.LINT, 20.0)
    mean = assumed.mean(rows)
    closed = mean.moves.copy()
    closed[Place.CONTACT :] = np.eye(PLACES)[Place.CONTACT :]
    bare = Journey(mean.moves, mean.fragment_moves, np.zeros(PLACES))
    for matings, (chance, count) in arrivals(bare, Place.CONTACT, MATINGS).items():
        power = np.linalg.matrix_power(closed, matings)
        assert chance == pytest.approx(power[:, Place.CONTACT : Place.GONE].sum(axis=1), abs=1e-12)
        assert not count.any()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("size_um", [10.0, 80.0])
def test_answers_are_chances_inside_their_intervals_that_grow_with_matings(kind, size_um):
    assumed = shipped_assumptions()
    for start in STARTS:
        rows = reach_from(start, assumed.rows_for(kind, size_um), assumed)
        assert [(r.place, r.matings) for r in rows] == [
            (place, n) for place in ("contact", "core") for n in MATINGS
        ]
        assert all(0 <= r.interval[0] <= r.p <= r.interval[1] <= 1 for r in rows)
        assert all(a.p <= b.p for a, b in zip(rows[:2], rows[1:3], strict=True))
        assert all(core.p <= contact.p for contact, core in zip(rows[:3], rows[3:], strict=True))
        assert {r.basis for r in rows} == {"assumed (fiberward-assumptions/1, no measured moves)"}


def test_nearer_places_are_never_safer_for_loose_dirt():
    assumed = shipped_assumptions()
    for kind in (Kind.PARTICLE, Kind.LINT):
        rows = assumed.rows_for(kind, 80.0)
        front = [reach_from(place, rows, assumed)[1].p for place in STARTS[Place.BARREL_SLEEVE :]]
        assert front == sorted(front)


def test_intervals_are_wide_where_nothing_was_measured():
    assumed = shipped_assumptions()
    rows = assumed.rows_for(Kind.PARTICLE, 20.0)
    low, high = reach_from(Place.CHAMFER, rows, assumed)[1].interval
    assert high > 4 * low


def test_on_the_target_it_has_arrived():
    assumed = shipped_assumptions()
    rows = reach_from(Place.CONTACT, assumed.rows_for(Kind.FILM, 20.0), assumed)
    assert [(r.p, r.interval, r.expected_matings) for r in rows[:3]] == [(1.0, (1.0, 1.0), 0.0)] * 3
    assert 0 < rows[4].p < 1


@pytest.mark.parametrize("kind", [Kind.PARTICLE, Kind.FILM])
def test_an_interval_is_the_middle_95_percent_of_the_chains_drawn(kind):
    # an independent way: each drawn chain on its own, sorted
    assumed = shipped_assumptions()
    rows = assumed.rows_for(kind, 20.0)
    row = next(r for r in reach_from(Place.CHAMFER, rows, assumed) if r.matings == 10)
    drawn = assumed.drawn(rows)
    chance, count = arrivals(drawn, Place.CONTACT, [10])[10]
    for interval, values in ((row.interval, chance), (row.fragments_interval, count)):
        inside = np.mean(
            (values[:, Place.CHAMFER] > interval[0]) & (values[:, Place.CHAMFER] < interval[1])
        )
        assert inside == pytest.approx(0.95, abs=0.003)
        assert np.mean(values[:, Place.CHAMFER] <= interval[0]) == pytest.approx(0.025, abs=0.002)


def test_reach_is_told_for_1_10_and_100_matings():
    assert MATINGS == (1, 10, 100)


def test_chances_are_drawn_from_their_dirichlet():
    # a Dirichlet's share: mean a/A, variance a (A - a) / (A^2 (A + 1)); 5 standard errors
    assumed = shipped_assumptions()
    for row in assumed.rows:
        alpha, total = row.posterior, row.posterior.sum()
        shares = assumed.drawn((row,)).moves[:, row.start]
        spread = np.sqrt(alpha * (total - alpha) / (total**2 * (total + 1)))
        assert np.abs(shares.mean(axis=0) - alpha / total) == pytest.approx(
            0.0, abs=5 * spread.max() / np.sqrt(len(shares))
        )
        assert not shares[:, alpha == 0].any()


def test_dirt_that_never_leaves_the_outermost_place_never_arrives():
    moves = np.eye(PLACES)
    moves[Place.CAVITY] = np.eye(PLACES)[Place.CONTACT]  # from there all would arrive
    stays = Journey(moves, np.eye(PLACES), np.zeros(PLACES))
    assert simulate(stays, Place.CONTACT, Place.HOUSING, 5, 100, seed=1) == (0.0, 0.0)
    assert arrivals(stays, Place.CONTACT, [5])[5][0][Place.HOUSING] == 0.0


# -- learning --------------------------------------------------------------------------------------


def test_a_dirichlet_posterior_adds_counts_to_the_prior():
    # conjugate prior of the multinomial: mean (a + n) / (A + N)
    taught = shipped_assumptions().taught(
        {"endface-gathers-inwards": {Place.CONTACT: 3, Place.ENDFACE: 12}}
    )
    row = next(r for r in taught.rows if r.name == "endface-gathers-inwards")
    mean = row.posterior / row.posterior.sum()
    assert mean[Place.CONTACT] == pytest.approx((0.12 * 15 + 3) / 30)
    assert mean[Place.GONE] == pytest.approx(0.2 * 15 / 30)
    assert taught.basis == "assumed (fiberward-assumptions/1) and 15 measured moves"
    with pytest.raises(SettingsError, match="no assumption named nothing"):
        taught.taught({"nothing": {Place.CONTACT: 1}})


@quick
@given(st.integers(1, 400))
def test_dirt_seen_to_go_away_lowers_reach_and_narrows_it(seen):
    plain = shipped_assumptions()
    row = "chamfer-is-pushed-ahead"
    taught = plain.taught({row: {Place.GONE: seen}})
    before, after = (
        reach_from(Place.CHAMFER, a.rows_for(Kind.LINT, 20.0), a)[1] for a in (plain, taught)
    )
    assert after.p < before.p
    if seen >= 50:
        assert upper_reach((after,), 10) < upper_reach((before,), 10)


def test_a_move_to_a_place_that_was_not_thought_of_counts():
    taught = shipped_assumptions().taught({"cavity-coat-stays": {Place.ENDFACE: 4}})
    plain = shipped_assumptions()
    before, after = (
        reach_from(Place.CAVITY, a.rows_for(Kind.FILM, 20.0), a)[1].p for a in (plain, taught)
    )
    assert after > 10 * before


def test_only_what_the_file_says_sheds():
    document = tomllib.loads(SHIPPED.read_text(encoding="utf-8"))
    told = {row["name"]: row.get("sheds", 0.0) for row in document["row"]}
    assert {row.name: row.sheds for row in shipped_assumptions().rows} == told


def test_a_record_gives_back_what_it_was_judged_by_or_nothing():
    plain = shipped_assumptions()
    taught = plain.taught({"cavity-coat-stays": {Place.ENDFACE: 4}})
    assert recorded_assumptions(plain.record) == plain
    assert recorded_assumptions(taught.record) == taught
    assert recorded_assumptions({"id": plain.id}) == plain
    assert recorded_assumptions({**plain.record, "id": "bench/7"}) is None
    assert recorded_assumptions(None) is None


# -- the data --------------------------------------------------------------------------------------


def test_every_assumption_gives_a_reason():
    rows = shipped_assumptions().rows
    assert len({row.name for row in rows}) == len(rows)
    assert all(len(row.why) > 20 for row in rows)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("weight = 200", "weight = 0"),
        ("cavity = 0.003", "cavity = 1.2"),
        ("cavity = 0.003", "cavity = -0.1"),
        ('from = "housing"', 'from = "cavity"'),
        ('["film", "residue"]', '["film"]'),
        ("cavity = 0.003", "moon = 0.003"),
        ('id = "fiberward-assumptions/1"', ""),
        ("id =", "id"),
        ('id = "fiberward-assumptions/1"', "id = 7"),
        ("cavity = 0.003", "cavity = nan"),
        ("{ cavity = 0.003, gone = 0.05 }", "{}"),
        ("{ cavity = 0.003, gone = 0.05 }", "{ gone = 0.0 }"),
        ("{ cavity = 0.003, gone = 0.05 }", "0.05"),
        ('"cavity-thread-drifts"', '"housing-stays"'),
        ("sheds_spread = 1.0", "sheds_spread = 0.0"),
        ("front_um = 1000.0", "front_um = nan"),
        ("sheds = 0.002", "sheds = inf"),
        ("weight = 200", "weight = [200]"),
    ],
)
def test_assumptions_that_make_no_chain_are_refused(tmp_path, old, new):
    path = tmp_path / "mine.toml"
    text = SHIPPED.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(SettingsError, match="mine.toml"):
        read_assumptions(path)


def test_a_barrel_without_a_front_part_is_possible(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(SHIPPED.read_text().replace("front_um = 1000.0", "front_um = 0.0"))
    assert read_assumptions(path).front_um == 0.0


def test_assumptions_that_leave_out_small_grains_are_refused(tmp_path):
    # dirt that no row speaks of would never move, and so never stop a mate
    text = SHIPPED.read_text().replace("size_um = [0.0, 50.0]", "size_um = [5.0, 50.0]")
    head, *rows = text.split("[[row]]")
    sized = [row if "size_um" in row else f"\nsize_um = [5.0, inf]{row}" for row in rows]
    path = tmp_path / "mine.toml"
    path.write_text("[[row]]".join([head, *sized]))
    with pytest.raises(SettingsError, match="particle of 0 um needs one row for each place"):
        read_assumptions(path)


# -- places ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("surface", "s_um", "place"),
    # default 2.5 mm plug: endface to 700, chamfer to 1335 um of path, sleeve 5.7 mm from the front
    [
        (Surface.FIBER, 12.5, "core"),
        (Surface.FIBER, 12.6, "contact"),
        (Surface.ENDFACE, 125.0, "contact"),
        (Surface.ENDFACE, 125.1, "endface"),
        (Surface.ENDFACE, None, "contact"),
        (Surface.CHAMFER, 900.0, "chamfer"),
        (Surface.BARREL, 2300.0, "barrel-front"),
        (Surface.BARREL, 2400.0, "barrel-sleeve"),
        (Surface.BARREL, 6600.0, "barrel-sleeve"),
        (Surface.BARREL, 6800.0, "barrel-behind"),
        (Surface.BARREL, None, "barrel-front"),
        (Surface.CAVITY, 9000.0, "cavity"),
        (Surface.HOUSING, None, "housing"),
    ],
)
def test_places_by_surface_and_path(surface, s_um, place):
    assert PLACE_NAMES[place_at(surface, s_um, SHAPE, 1000.0, "sm")] == place


def test_the_core_of_multimode_is_larger_and_without_a_shape_the_nearest_is_taken():
    # zone A of multimode: 65 um of diameter (IEC 61300-3-35, secondary)
    assert place_at(Surface.FIBER, 32.5, SHAPE, 1000.0, "mm") == Place.CORE
    assert place_at(Surface.FIBER, 32.6, SHAPE, 1000.0, "mm") == Place.CONTACT
    assert place_at(Surface.BARREL, 6800.0, None, 1000.0, "sm") == Place.BARREL_FRONT


def test_an_edge_between_two_surfaces_belongs_to_the_one_nearer_to_the_fibre():
    # ends of endface, chamfer and barrel along the path: arc, slant and length of the shape
    edge = SHAPE.dome_radius_um * np.arcsin(SHAPE.endface_edge_um / SHAPE.dome_radius_um)
    chamfer = edge + np.hypot(
        SHAPE.ferrule_radius_um - SHAPE.endface_edge_um, SHAPE.chamfer_depth_um
    )
    barrel = float(chamfer) + SHAPE.barrel_length_um
    for at, place in ((edge, Place.ENDFACE), (chamfer, Place.CHAMFER)):
        assert place_from(Surface.CAVITY, float(at) - 1e-6, SHAPE, 1000.0, "sm") == place
        assert place_from(Surface.CAVITY, float(at) + 1e-6, SHAPE, 1000.0, "sm") != place
    assert place_from(Surface.CAVITY, barrel - 1e-6, SHAPE, 1000.0, "sm") == Place.BARREL_BEHIND
    assert place_from(Surface.CAVITY, barrel + 1e-6, SHAPE, 1000.0, "sm") == Place.CAVITY


def test_sheds_are_drawn_about_what_is_assumed():
    # a gamma law of shape k scaled to mean 1 has variance 1/k; 5 standard errors of 1000 draws
    for spread in (1.0, 4.0):
        assumed = replace(shipped_assumptions(), sheds_spread=spread)
        for row in (row for row in assumed.rows if row.sheds > 0):
            drawn = assumed.drawn((row,)).sheds[:, row.start] / row.sheds
            assert drawn.mean() == pytest.approx(1, abs=5 / np.sqrt(spread * len(drawn)))


def test_a_row_that_says_no_more_sheds_nothing_and_speaks_of_every_size():
    bare = Assumption("a", (Kind.FILM,), Place.CAVITY, ((Place.GONE, 0.1),), 5.0, "why")
    assert bare.sheds == 0.0
    assert all(bare.fits(Kind.FILM, size) for size in (0.0, 1e8, float("nan")))


@pytest.mark.parametrize(
    ("old", "new"), [("weight = 200", "weight = 0.5"), ("cavity = 0.003", "cavity = 0.0")]
)
def test_light_assumptions_and_moves_never_made_are_possible(tmp_path, old, new):
    path = tmp_path / "mine.toml"
    path.write_text(SHIPPED.read_text().replace(old, new, 1))
    assert len(read_assumptions(path).rows) == len(shipped_assumptions().rows)


def test_what_is_not_on_the_connector_and_what_is_clean_reach_nothing():
    def of(kind, surface):
        return reach_of(
            Deposit(
                id=1, kind=kind, confidence=0.9, surface=surface, s_um=None, theta_deg=None,
                s_min_um=None, s_max_um=None, size_um=20.0, area_um2=300.0, feret_max_um=20.0,
                width_um=20.0, length_um=None, enclosing_um=20.0, in_zone_area_um2=0.0,
                off_zone=True, unsure=False, seen_in=(0,),
            ),
            SHAPE,
        )  # fmt: skip

    assert of(Kind.PARTICLE, Surface.SURROUND) is None
    assert of(Kind.CLEAN, Surface.ENDFACE) is None
    assert of(Kind.PARTICLE, Surface.ENDFACE) is not None


@pytest.mark.parametrize(
    ("limit", "flips"), [(0.01, False), (0.011, True), (0.02, True), (0.021, False)]
)
def test_a_ruling_hangs_on_an_assumption_that_takes_it_from_below_the_limit_to_it(limit, flips):
    # dirt stops from the limit on
    assert Swing("a", "why", 0.1, 0.2, low=0.01, high=0.02).flips(limit) is flips
