"""Before and after: fates of deposits that are known because the test laid them."""

import json
from dataclasses import asdict, replace

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from fiberward.inference.keep.compare import Side, compare
from fiberward.inference.keep.compare_way import way_um
from fiberward.inference.keep.comparison_file import (
    COMPARISON_SCHEMA_FILE,
    comparison_document,
    read_side,
    removal,
)
from fiberward.inference.keep.inspection import (
    DepositRecord,
    Inspection,
    InZoneRecord,
    ModelRecord,
    ReasonRecord,
    ViewRecord,
)
from fiberward.inference.keep.map_files import MapData, read_map, write_map
from fiberward.inference.see.inputs import is_own_output
from fiberward.inference.see.travel_map import whole_reach_um
from fiberward.model.errors import UnreadablePicture, UsageError
from fiberward.model.families import default_shape, find_family
from fiberward.model.profile import MeridianProfile
from fiberward.model.shape import ConnectorShape
from fiberward.model.surfaces import SURFACE_NAMES, Surface

SHAPE = default_shape(find_family(2.5))
# (s_um, theta_deg, size_um): places that no turn brings onto each other
PLACES = ((200, 20, 40), (320, 100, 25), (410, 170, 60), (650, 250, 33), (700, 300, 48))


PARTICLE = DepositRecord(
    **dict(id=1, kind="particle", confidence=0.93, surface="chamfer", s_um=512.0, theta_deg=359.9),
    **dict(s_min_um=500.0, s_max_um=524.0, size_um=24.0, area_um2=452.4, feret_max_um=26.0),
    **dict(width_um=22.0, length_um=None, enclosing_um=26.5, in_zone_area_um2=0.0, off_zone=True),
    **dict(unsure=False, bridge=None, wedge=None, reach=None, harm=None, seen_in=("a.jpg",)),
)
DIRTY = Inspection(
    verdict="clean-first",
    reasons=(ReasonRecord("Deposit 1 stops.", "on-chamfer", 1, None, 24.0, 5.0, "um"),),
    validity=None,
    in_zone=InZoneRecord("none"),
    views=(),
    coverage={"endface": 0.9, "cavity": None},
    coverage_size_um=50.0,
    gaps=(),
    deposits=(),
    advice=("Wipe the chamfer.",),
    connector={},
    shape_um=None,
    model=ModelRecord("test", "0" * 64),
    settings={},
    cautions=("Look out.",),
    notes=(),
    code_version="0.0",
    created_at="2026-01-02T03:04:05Z",
)


def lying(s, theta, size, kind="particle", shape=SHAPE, **more):
    """A deposit record at a place on the connector."""
    surface = MeridianProfile(shape).surface_at(np.array([s]), np.array([theta]))
    parts = dict(
        s_um=float(s),
        theta_deg=float(theta) % 360,
        size_um=float(size),
        area_um2=np.pi / 4 * size**2,
        feret_max_um=float(size),
        width_um=float(size),
        kind=kind,
        surface=SURFACE_NAMES[Surface(int(surface[0]))],
    )
    return replace(PARTICLE, **{**parts, **more})


def inspected(deposits, label=None, stated=False, shape=SHAPE):
    """An inspection that lists these deposits, numbered from 1."""
    turn = 0.0 if stated else None
    view = ViewRecord("a.jpg", "a", "0" * 64, True, None, turn_deg=0.0, stated_turn_deg=turn)
    return replace(
        DIRTY,
        deposits=tuple(replace(d, id=n) for n, d in enumerate(deposits, 1)),
        shape_um=asdict(shape),
        views=(view,),
        connector={"label": label},
    )


def side(deposits, **stated):
    """An inspection whose pictures show everything."""
    everything = MapData(np.zeros((9, 9, 3), np.uint8), np.ones((9, 9), np.float32), 20_000.0)
    return Side(inspected(deposits, **stated), everything)


def fates(comparison):
    return {(p.before_id, p.after_id): p.fate for p in comparison.pairs}


def at(places, turn=0.0):
    return [lying(s, theta + turn, size) for s, theta, size in places]


@pytest.mark.parametrize("turn", [0.0, -3.0, 77.0, 180.0])
def test_what_lies_where_it_lay_has_stayed_however_the_second_is_turned(turn):
    found = compare(side(at(PLACES)), side(at(PLACES, -turn)))
    assert (found.match, found.refused) == ("found", False)
    assert abs((found.turn_deg - turn + 180) % 360 - 180) < 0.2
    assert fates(found) == {(n, n): "stayed" for n in range(1, 6)}
    assert found.match_quality > 0.99


def test_what_is_left_out_is_gone_and_what_is_added_is_new():
    # sizes so unlike that neither can be the other
    found = compare(side(at((*PLACES, (500, 40, 12)))), side(at((*PLACES, (840, 200, 90)))))
    assert fates(found)[6, None] == "gone"
    assert fates(found)[None, 6] == "new"


def test_a_large_grain_that_lies_elsewhere_has_moved_and_how_far_is_told():
    before, after = (1000.0, 40.0, 180), (300.0, 40.0, 180)
    found = compare(side(at((*PLACES, before))), side(at((*PLACES, after))))
    (moved,) = [pair for pair in found.pairs if pair.fate == "moved"]
    assert (moved.before_id, moved.after_id) == (6, 6)
    assert moved.fiberward_um == pytest.approx(700)
    # on one meridian the way is the difference in travel distance
    assert moved.moved_um == pytest.approx(700, rel=1e-3)
    assert 0.5 <= moved.sure <= 1
    back = compare(side(at((*PLACES, after))), side(at((*PLACES, before))))
    (moved,) = [pair for pair in back.pairs if pair.fate == "moved"]
    assert moved.fiberward_um == pytest.approx(-700)


def test_how_far_a_grain_moved_is_not_told_where_an_angle_is_missing():
    before, after = at((*PLACES, (1000.0, 40.0, 180))), at((*PLACES, (300.0, 40.0, 180)))
    after[-1] = replace(after[-1], theta_deg=None)
    (moved,) = [p for p in compare(side(before), side(after)).pairs if p.fate == "moved"]
    assert moved.moved_um is None
    assert moved.fiberward_um == pytest.approx(700)


def test_pieces_of_a_scratch_that_fell_apart_are_parts_of_it_and_count_with_it():
    long = dict(kind="damage", feret_max_um=300.0, width_um=12.0)
    whole = lying(450, 230, 60, **long)
    main = lying(455, 230, 55, **{**long, "feret_max_um": 260.0})
    bits = [lying(360, 225, 15, kind="damage"), lying(560, 236, 18, kind="damage")]
    found = compare(side([*at(PLACES), whole]), side([*at(PLACES), main, *bits]))
    parts = {p.after_id: p.part_of for p in found.pairs if p.part_of is not None}
    assert parts == {7: (6, 6), 8: (6, 6)}
    assert set(fates(found).values()) == {"stayed"}
    row = next(r for r in removal(found.pairs) if r.kind == "damage")
    assert (row.known, row.stayed, row.new) == (1, 1, 0)
    # a grain there is none, and a scratch out of reach is none either
    other = [lying(360, 225, 15), lying(450, 60, 15, kind="damage")]
    found = compare(side([*at(PLACES), whole]), side([*at(PLACES), main, *other]))
    assert [p.fate for p in found.pairs if p.before_id is None] == ["new", "new"]


def test_the_order_of_the_lists_changes_nothing():
    before, after = at((*PLACES, (1000, 40, 180))), at((*PLACES[1:], (300, 40, 180)), 5.0)
    found = compare(side(before), side(after))
    turned = compare(side(before[::-1]), side(after[::-1]))
    n, m = len(before) + 1, len(after) + 1
    renamed = {(b and n - b, a and m - a): fate for (b, a), fate in fates(turned).items()}
    assert renamed == fates(found)
    assert turned.turn_deg == pytest.approx(found.turn_deg, abs=1e-6)


# -- whether the two belong together -------------------------------------------------------------


def test_deposits_of_another_connector_are_not_taken_for_these():
    other = at([(230, 310, 30), (380, 45, 50), (450, 200, 21), (610, 120, 70), (720, 15, 28)])
    found = compare(side(at(PLACES)), side(other))
    assert (found.match, found.refused, found.pairs) == ("none", True, ())
    assert "--connector" in found.why_refused


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"ferrule_radius_um": 624.5, "endface_edge_um": 400.0}, "ferrules differ"),
        ({"endface_edge_um": SHAPE.endface_edge_um * 0.8}, "endface edge"),
        ({"apc_angle_deg": 8.0}, "angled"),
    ],
)
def test_connectors_of_other_dimensions_are_refused_whatever_the_label_says(change, word):
    one = side(at(PLACES), label="P1", stated=True)
    shape = replace(SHAPE, **change)
    two = side([], label="P1", stated=True, shape=shape)
    found = compare(one, two)
    assert found.refused
    assert word in found.why_refused


def test_a_perfect_cleaning_is_told_where_label_and_turns_are_stated():
    one = side(at(PLACES), label="P1", stated=True)
    found = compare(one, side([], label="P1", stated=True))
    assert (found.match, found.match_quality, found.refused) == ("stated", None, False)
    assert set(fates(found).values()) == {"gone"}
    for label, stated in ((None, True), ("P2", True), ("P1", False)):
        assert compare(one, side([], label=label, stated=stated)).refused


def test_a_scratch_that_is_not_there_any_more_says_that_the_label_is_wrong():
    scratch = lying(300, 80, 90, kind="damage")
    one = side([*at(PLACES), scratch], label="P1", stated=True)
    found = compare(one, side([], label="P1", stated=True))
    assert found.refused
    assert "damage" in found.why_refused
    kept = compare(one, side([scratch], label="P1", stated=True))
    assert fates(kept)[6, 1] == "stayed"


def test_an_inspection_without_a_placed_view_is_refused():
    blind = Side(replace(inspected(at(PLACES)), shape_um=None))
    assert "after" in compare(side(at(PLACES)), blind).why_refused


# -- what the other pictures do not show ---------------------------------------------------------


def seen_map(limit_um, hidden=None):
    """A map that shows `limit_um` everywhere but within 200 um of `hidden` (s, theta)."""
    reach = whole_reach_um(MeridianProfile(SHAPE))
    px = 600
    centre = (np.arange(px) + 0.5 - px / 2) * 2 * reach / px
    limit = np.full((px, px), float(limit_um), np.float32)
    if hidden is not None:
        x, y = (hidden[0] * f(np.radians(hidden[1])) for f in (np.cos, np.sin))
        limit[np.hypot(centre[None] - x, -centre[:, None] - y) < 200] = np.inf
    return MapData(np.zeros((px, px, 3), np.uint8), limit, reach)


def test_a_deposit_whose_place_the_other_pictures_hide_has_no_fate():
    lost = (1000.0, 40.0, 80)
    one = side(at((*PLACES, lost)))
    two = Side(inspected(at(PLACES)), seen_map(8, hidden=lost))
    (pair,) = [p for p in compare(one, two).pairs if p.before_id == 6]
    assert pair.fate is None
    assert "do not show" in pair.why
    open_sight = Side(two.inspection, seen_map(8))
    assert fates(compare(one, open_sight))[6, None] == "gone"


def test_without_map_data_nothing_is_gone_or_new():
    lost, come = (1000.0, 40.0, 40), (1000.0, 220.0, 90)
    blind = [Side(inspected(at((*PLACES, each)))) for each in (lost, come)]
    found = compare(*blind)
    assert fates(found) == {
        **{(n, n): "stayed" for n in range(1, 6)},
        (6, None): None,
        (None, 6): None,
    }
    assert all("map data is missing" in p.why for p in found.pairs if p.fate is None)
    assert sum("left no map data" in note for note in found.notes) == 2
    # and no label is believed against a scratch that is not listed any more
    marked = side([lying(300, 80, 90, kind="damage")], label="P1", stated=True)
    assert compare(marked, Side(inspected([], label="P1", stated=True))).refused


def test_pictures_too_coarse_for_a_deposit_do_not_say_that_it_is_gone():
    one = side(at((*PLACES, (1000, 40, 14))))
    assert fates(compare(one, Side(inspected(at(PLACES)), seen_map(20))))[6, None] is None
    assert fates(compare(one, Side(inspected(at(PLACES)), seen_map(8))))[6, None] == "gone"


def test_dirt_all_round_is_gone_only_where_its_whole_ring_is_shown():
    film = replace(lying(1000, 0, 80, kind="film"), theta_deg=None)
    one, two = side([*at(PLACES), film]), inspected(at(PLACES))
    hidden = compare(one, Side(two, seen_map(8, hidden=(1000.0, 40.0))))
    assert fates(hidden)[6, None] is None
    assert fates(compare(one, Side(two, seen_map(8))))[6, None] == "gone"


@pytest.mark.parametrize("theta_deg", range(0, 360, 45))
def test_a_map_shows_nothing_beyond_its_own_reach(theta_deg):
    shown = seen_map(8)
    assert shown.limit_at(0.95 * shown.reach_um, theta_deg) == 8
    for far in (1.05, 1.6):
        assert shown.limit_at(far * 2**0.5 * shown.reach_um, theta_deg) == np.inf


def test_the_files_of_a_map_give_the_map_back(tmp_path):
    reach = whole_reach_um(MeridianProfile(SHAPE))
    limit = np.full((50, 50), np.inf, np.float32)
    limit[:, 25:] = 7.2  # shown on the right only
    rgb = np.full((50, 50, 3), (200, 30, 60), np.uint8)
    write_map(tmp_path, (rgb, limit), (rgb, np.full((50, 50), 3.0, np.float32)))
    assert all(is_own_output(path) for path in tmp_path.iterdir())  # and is never an input
    got = read_map(tmp_path, SHAPE)
    assert got.reach_um == pytest.approx(reach)
    assert got.limit_at(reach / 2, 0.0) == 8.0  # rounded up to whole um
    assert got.limit_at(reach / 2, 180.0) == np.inf
    assert got.limit_at(300.0, 180.0) == 3.0  # near the fibre the finer map answers
    assert np.abs(got.rgb.astype(int) - rgb).max() <= 12  # JPEG
    assert read_map(tmp_path / "nowhere", SHAPE) is None


def test_a_damaged_map_is_an_error_that_names_the_file(tmp_path):
    rgb, limit = np.zeros((9, 9, 3), np.uint8), np.ones((9, 9), np.float32)
    write_map(tmp_path, (rgb, limit), (rgb, limit))
    (tmp_path / "travel-map.limit.png").write_bytes(b"no picture")
    with pytest.raises(UnreadablePicture, match=r"travel-map\.limit\.png"):
        read_map(tmp_path, SHAPE)


# -- the way along the surface -------------------------------------------------------------------

CUP = ConnectorShape(1249.5, 20_000.0, 900.0, 150.0, 5000.0, 2500.0, 3000.0)


def test_ways_on_one_unrolled_piece_are_as_long_as_geometry_says():
    profile = MeridianProfile(CUP)
    ends = profile.s_end_um
    b0 = ends[Surface.CHAMFER]
    # Pythagoras on an unrolled cylinder
    wanted = np.hypot(1000, np.radians(40) * 1249.5)
    assert way_um(profile, (b0 + 500, 10), (b0 + 1500, 50)) == pytest.approx(wanted, rel=1e-6)
    # law of cosines near the pole, where the dome is as good as flat
    wanted = np.sqrt(100**2 + 200**2 - 2 * 100 * 200 * np.cos(np.radians(120)))
    assert way_um(profile, (100, 0), (200, 120)) == pytest.approx(wanted, rel=1e-3)


def test_the_shortest_way_may_lead_over_the_endface_or_round_the_barrel():
    profile = MeridianProfile(CUP)
    ends = profile.s_end_um
    # opposite sides of the barrel, just behind the chamfer: straight over the pole, not half round
    s = ends[Surface.CHAMFER] + 200
    assert way_um(profile, (s, 20), (s, 200)) == pytest.approx(2 * s, rel=1e-3)
    assert 2 * s < np.pi * 1249.5
    # far down the barrel it is half round all the same
    assert way_um(profile, (4000, 20), (4000, 200)) == pytest.approx(np.pi * 1249.5, rel=1e-3)
    # on the floor a taut string from r to r runs along two tangents and bends round the barrel
    r = 1249.5 + 600
    wanted = 2 * np.sqrt(r**2 - 1249.5**2) + 1249.5 * (np.pi - 2 * np.arccos(1249.5 / r))
    floor = ends[Surface.BARREL] + 600
    assert way_um(profile, (floor, 20), (floor, 200)) == pytest.approx(wanted, rel=1e-3)
    # and past the barrel, where it is not in the way, straight
    chord = 2 * r * np.sin(np.radians(20))
    assert way_um(profile, (floor, 20), (floor, 60)) == pytest.approx(chord, rel=1e-6)


def test_a_way_on_the_wall_is_told_also_beyond_the_rim_that_the_first_inspection_has():
    profile = MeridianProfile(CUP)
    rim = profile.s_end_um[Surface.CAVITY]
    wanted = np.hypot(600, np.radians(30) * 2500)
    assert way_um(profile, (rim - 400, 10), (rim + 200, 40)) == pytest.approx(wanted, rel=1e-6)


def test_a_way_over_several_surfaces_is_no_shorter_than_the_meridian_and_no_longer_than_a_detour():
    profile = MeridianProfile(CUP)
    a, b = (200.0, 10.0), (3000.0, 75.0)
    way = way_um(profile, a, b)
    assert way == pytest.approx(way_um(profile, b, a), rel=1e-9)
    detour = b[0] - a[0] + np.radians(65) * a[0]  # round near the fibre, then straight down
    assert b[0] - a[0] < way <= detour
    assert way_um(profile, a, (3000.0, 10.0)) == pytest.approx(2800, rel=1e-6)


# -- the document --------------------------------------------------------------------------------

SCHEMA = json.loads(COMPARISON_SCHEMA_FILE.read_text())


def test_documents_of_comparisons_and_refusals_follow_the_shipped_schema():
    Draft202012Validator.check_schema(SCHEMA)
    one, other = side(at((*PLACES, (1000, 40, 180)))), side(at((*PLACES[1:], (300, 40, 180))))
    for two in (other, side([])):
        found = compare(one, two)
        document = comparison_document(found, one, two, "0.0", "2026-01-02T03:04:05Z")
        Draft202012Validator(SCHEMA).validate(json.loads(json.dumps(document)))
        assert document["refused"] == (two is not other)
    broken = {**document, "match": "perhaps"}
    assert list(Draft202012Validator(SCHEMA).iter_errors(broken))


def test_removal_counts_by_kind_and_surface_and_only_what_was_sure():
    film = lying(1000, 220, 200, kind="film")
    one = side([*at(PLACES), film, lying(800, 80, 20, unsure=True)])
    rows = {(r.kind, r.surface): r for r in removal(compare(one, side(at(PLACES[:-1]))).pairs)}
    grains = rows["particle", "endface"]
    assert (grains.known, grains.stayed, grains.gone, grains.gone_share) == (5, 4, 1, 0.2)
    assert rows["film", film.surface].gone_share == 1.0
    assert sum(row.known for row in rows.values()) == 6


def test_only_an_inspection_can_be_a_side(tmp_path):
    with pytest.raises(UsageError, match="run fiberward inspect"):
        read_side(tmp_path)
    inspected(at(PLACES)).write(tmp_path / "inspection.json")
    assert read_side(tmp_path).inspection == read_side(tmp_path / "inspection.json").inspection
    assert read_side(tmp_path).map is None
