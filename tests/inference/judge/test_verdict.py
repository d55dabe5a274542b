"""The verdict: its order, its evidence, and that nothing bad ever helps."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fiberward.inference.judge.bridge import Wedge
from fiberward.inference.judge.reach import reach_of
from fiberward.inference.judge.rule_table import RULE_TABLE
from fiberward.inference.judge.rules import Rules, rule_notes
from fiberward.inference.judge.sight import Sight
from fiberward.inference.judge.stops import Findings, chance_words, stay_of, stop_of
from fiberward.inference.judge.verdict import Judgement, Stated, ViewEvidence, judge
from fiberward.inference.see.coverage import Coverage
from fiberward.inference.see.fuse import Deposit
from fiberward.model.errors import SettingsError
from fiberward.model.families import FAMILIES, default_shape, find_family
from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface

SHAPE = default_shape(find_family(2.5))
CHARTED = (Surface.FIBER, Surface.ENDFACE, Surface.CHAMFER, Surface.BARREL, Surface.CAVITY)
DIRT = [kind for kind in Kind if kind not in (Kind.CLEAN, Kind.DAMAGE)]
NAN = float("nan")


def deposit(**changes) -> Deposit:
    values = dict(
        id=7, kind=Kind.PARTICLE, confidence=0.9, surface=Surface.ENDFACE, s_um=500.0,
        theta_deg=20.0, s_min_um=490.0, s_max_um=510.0, size_um=16.0, area_um2=200.0,
        feret_max_um=18.0, width_um=15.0, length_um=None, enclosing_um=18.0, in_zone_area_um2=0.0,
        off_zone=True, unsure=False, seen_in=(0,),
    )  # fmt: skip
    return Deposit(**{**values, **changes})


def covered(zones_um: float | None = 14.0, **changes: float) -> Coverage:
    """What one front and three oblique views of a plug show; change a share by surface name."""
    share = dict(fiber=1.0, endface=1.0, chamfer=0.98, barrel=0.4, cavity=0.3)
    share |= changes
    named = {surface: share[surface.name.lower()] for surface in CHARTED}
    return Coverage(named, 25.0, None, (), None, zones_um)


def front(**changes) -> ViewEvidence:
    return replace(ViewEvidence("front.jpg", True, None, 14.0, 1.0, 80.0), **changes)


def oblique(turn_deg, **changes) -> ViewEvidence:
    view = ViewEvidence(f"side-{turn_deg:g}.jpg", True, None, 18.0, 50.0, turn_deg)
    return replace(view, **changes)


FOUR = (front(), oblique(0.0), oblique(120.0), oblique(240.0))


def verdict_of(deposits=(), coverage=None, views=FOUR, rules=None, stated=None) -> str:
    return judged(deposits, coverage, views, rules, stated).verdict


def judged(deposits=(), coverage=None, views=FOUR, rules=None, stated=None) -> Judgement:
    return judge(deposits, coverage or covered(), views, SHAPE, rules, stated)


def rules_named(judgement) -> list[str]:
    return [reason.rule for reason in judgement.reasons]


# -- mate ------------------------------------------------------------------------------------------


def test_a_spotless_connector_with_one_front_and_three_oblique_views_may_be_mated():
    judgement = judged(stated=Stated(pictured_at="25 November 10:00"))
    assert judgement.verdict == "mate"
    assert rules_named(judgement) == ["nothing-found"]
    assert judgement.reasons[0].figure == 25.0
    assert judgement.advice == ()
    validity = judgement.validity
    assert validity is not None
    assert "Nothing at or above 25 um" in validity
    assert "60% of the barrel" in validity
    assert "provided the graded zones pass under your own microscope" in validity
    assert "as pictured at 25 November 10:00; capping, handling or mating voids it" in validity


def test_a_net_that_misses_too_much_turns_a_spotless_connector_into_a_reshoot():
    blind = judge((), covered(), FOUR, SHAPE, sight=Sight(0.6, 0.52, 200))
    assert blind.verdict == "reshoot"
    assert "net-misses-too-much" in {reason.rule for reason in blind.reasons}
    fit = judge((), covered(), FOUR, SHAPE, sight=Sight(0.98, 0.96, 200))
    assert fit.verdict == "mate"
    # a mate says what its silence is worth
    assert "by a net that found 98% (95 % certain of 96%) of 200 such deposits" in str(fit.validity)


def test_a_mate_of_unknown_time_says_so():
    assert "as pictured (time unknown); capping" in (judged().validity or "")


def test_the_proviso_goes_when_a_person_or_a_fine_picture_graded_the_zones():
    stated = judged(stated=Stated(in_zone="within", in_zone_by="Kim"))
    fine = judged(coverage=covered(zones_um=1.5))
    for judgement, said in ((stated, "within the limits by Kim"), (fine, "0 of 6 limits over")):
        assert judgement.verdict == "mate"
        assert "provided" not in (judgement.validity or "provided")
        assert said in (judgement.validity or "")


def test_a_mate_says_what_was_not_shown():
    almost = covered(endface=0.994, chamfer=0.995, barrel=1.0, cavity=1.0)
    assert "not shown: 1% of the endface;" in (judged(coverage=almost).validity or "")
    everything = covered(chamfer=1.0, barrel=1.0, cavity=1.0)
    assert "; all surfaces shown;" in (judged(coverage=everything).validity or "")


def test_only_a_mate_has_a_validity():
    assert judged([deposit()]).validity is None
    assert judged(views=()).validity is None


# -- dirt ------------------------------------------------------------------------------------------


FACE = (Surface.CHAMFER, Surface.ENDFACE, Surface.FIBER)
NOWHERE = {"s_um": None, "s_min_um": None, "s_max_um": None, "theta_deg": None}


def on_barrel(**changes):
    """Dirt within the sleeve's length: the barrel begins 1.33 mm of path from the fibre."""
    return deposit(
        **{"surface": Surface.BARREL, "s_um": 3000.0, "s_min_um": 2990.0, "s_max_um": 3010.0}
        | changes
    )


def behind(**changes):
    """Dirt on the barrel behind the sleeve, which covers 5.7 mm from the front."""
    return on_barrel(**{"s_um": 7500.0, "s_min_um": 7490.0, "s_max_um": 7510.0} | changes)


@pytest.mark.parametrize("kind", DIRT)
@pytest.mark.parametrize("surface", FACE)
def test_any_showable_dirt_on_the_front_is_cleaned_first(kind, surface):
    # 12 px at 4 um/px: 16 um across; place known or not
    for place in ({}, NOWHERE):
        judgement = judged([deposit(kind=kind, surface=surface, **place)])
        assert judgement.verdict == "clean-first"
        reason = judgement.reasons[0]
        assert reason.deposit_id == 7
        assert reason.figure is not None
        assert reason.limit is not None
        assert "eposit 7" in reason.text
        assert surface.name.lower() in reason.text
        assert judgement.advice


@pytest.mark.parametrize("kind", DIRT)
@pytest.mark.parametrize("place", [{}, {"s_um": 1700.0, "s_min_um": 1690.0}, NOWHERE])
def test_any_showable_dirt_under_the_sleeve_is_cleaned_first(kind, place):
    judgement = judged([on_barrel(kind=kind, **place)])
    assert judgement.verdict == "clean-first"
    assert rules_named(judgement)[0] in ("reach", "wedge")


@pytest.mark.parametrize(
    ("kind", "size_um", "cavity", "barrel"),
    # by the shipped assumptions: what sticks and what nothing touches may stay
    [
        (Kind.PARTICLE, 16.0, "mate", "mate"),
        (Kind.PARTICLE, 49.9, "mate", "mate"),
        (Kind.PARTICLE, 50.0, "clean-first", "clean-first"),
        (Kind.PARTICLE, NAN, "clean-first", "clean-first"),
        (Kind.LINT, 16.0, "clean-first", "clean-first"),
        (Kind.FILM, 400.0, "mate", "clean-first"),
        (Kind.RESIDUE, 400.0, "mate", "mate"),
        (Kind.LIQUID, 16.0, "clean-first", "clean-first"),
    ],
)
def test_dirt_that_cannot_matter_stops_nothing_and_dirt_that_can_does(
    kind, size_um, cavity, barrel
):
    for place, expected in (
        (deposit(surface=Surface.CAVITY, s_um=9000.0, s_min_um=8990.0), cavity),
        (behind(), barrel),
    ):
        judgement = judged([replace(place, kind=kind, size_um=size_um)])
        assert judgement.verdict == expected
        if expected == "clean-first":
            assert rules_named(judgement) == ["reach"]
            assert judgement.reasons[0].figure >= Rules().reach_limit
        else:
            assert rules_named(judgement) == ["nothing-found", "reach-low"]
            assert judgement.reasons[1].figure < Rules().reach_limit
            assert "may stay, since it hardly gets to the contact zone" in judgement.reasons[1].text


def test_fingerprints_on_the_housing_stop_nothing():
    assert verdict_of([deposit(kind=Kind.FILM, surface=Surface.HOUSING, **NOWHERE)]) == "mate"


@pytest.mark.parametrize(
    ("surface", "setting", "rule"),
    [
        (Surface.FIBER, "stop_fiber_um", "on-fiber"),
        (Surface.ENDFACE, "stop_endface_um", "on-endface"),
        (Surface.CHAMFER, "stop_chamfer_um", "on-chamfer"),
        (Surface.BARREL, "reach_from_um", "reach"),
    ],
)
def test_the_stop_size_of_each_surface_is_its_own_setting(surface, setting, rule):
    film = deposit(kind=Kind.FILM, surface=surface, s_um=None, s_min_um=None, s_max_um=None)
    at = Rules(**{setting: 16.0})
    judgement = judged([film], rules=at)
    assert rules_named(judgement) == [rule]
    if rule != "reach":
        assert (judgement.reasons[0].figure, judgement.reasons[0].limit) == (16.0, 16.0)
    smaller = judged([film], rules=Rules(**{setting: 16.001}))
    assert smaller.verdict == "mate"
    assert rules_named(smaller) == ["nothing-found", "small"]


def test_the_limit_on_reach_is_a_setting():
    film = behind(kind=Kind.FILM)
    figure = judged([film]).reasons[0].figure
    assert figure is not None
    assert 0.1 < figure < 1
    assert verdict_of([film], rules=Rules(reach_limit=figure)) == "clean-first"
    assert verdict_of([film], rules=Rules(reach_limit=figure * 1.001)) == "mate"


def test_a_reason_reads_like_a_sentence():
    inside = deposit(
        kind=Kind.LINT, surface=Surface.CAVITY, s_um=9040.0, s_min_um=9030.0, theta_deg=231.6
    )
    text = judged([inside]).reasons[0].text
    assert text.startswith(
        "Deposit 7 (lint, 18 um long) in the cavity, 9.04 mm from the fibre's centre at 232 deg: "
        "it or a part of it may get to the contact zone: 11 % ("
    )
    assert text.endswith(
        ") within 10 matings, assumed (fiberward-assumptions/1, no measured moves); "
        "stops from 10 % at the upper end."
    )
    thread = deposit(kind=Kind.LINT, feret_max_um=310.0)
    assert "(lint, 310 um long)" in judged([thread]).reasons[0].text
    assert judged([thread]).reasons[0].figure == 310.0
    unknown = deposit(surface=Surface.CHAMFER, size_um=NAN, s_um=None, theta_deg=None)
    text = judged([unknown]).reasons[0].text
    assert text.startswith("Deposit 7 (particle, size unknown) on the chamfer: ")


def test_a_coat_across_the_sleeves_end_counts_where_its_foremost_part_lies():
    across = behind(kind=Kind.RESIDUE, s_min_um=5000.0)
    assert rules_named(judged([across])) == ["reach"]
    assert verdict_of([replace(across, s_min_um=7400.0)]) == "mate"


def test_the_verdict_without_a_deposit_is_told():
    one, two = deposit(id=1), behind(id=2)
    rows = judged([one, two]).deposits
    assert [row.verdict_without for row in rows] == ["mate", "clean-first"]
    assert rows[0].stay is None
    assert rows[1].stay is not None
    pair = judged([one, deposit(id=3, s_um=600.0)]).deposits
    assert {row.verdict_without for row in pair} == {"clean-first"}


def test_lint_counts_by_its_length_and_others_by_their_area():
    thread = deposit(kind=Kind.LINT, size_um=4.0, feret_max_um=300.0)
    assert verdict_of([thread]) == "clean-first"
    assert verdict_of([replace(thread, kind=Kind.FILM)]) == "mate"


def test_a_grain_smaller_than_the_stop_size_still_bridges():
    small = deposit(size_um=3.0, s_um=200.0, s_min_um=199.0)
    judgement = judged([small])
    assert rules_named(judgement) == ["bridge"]
    assert judgement.reasons[0].limit == pytest.approx(199.0**2 / 20000, rel=1e-4)
    assert judgement.deposits[0].bridge is not None
    away = replace(small, s_um=300.0, s_min_um=299.0)
    assert verdict_of([away]) == "mate"


def test_a_grain_that_bridges_only_with_the_apexes_off_the_fibre_is_cleaned_first():
    # 3 um at R = 20 mm: out to sqrt(d R) = 245 um, and 50 um farther with the apexes 50 um off
    near = deposit(size_um=3.0, s_um=260.0, s_min_um=259.0)
    judgement = judged([near])
    assert rules_named(judgement) == ["bridge-offset"]
    assert judgement.verdict == "clean-first"
    assert "out to 295 um" in judgement.reasons[0].text
    # grain against gap, as for a bridge: (259 - 50)^2/R
    assert judgement.reasons[0].figure == 3.0
    assert judgement.reasons[0].limit == pytest.approx(209.0**2 / 20000, rel=1e-4)
    assert verdict_of([near], rules=Rules(apex_offset_um=10.0)) == "mate"


def test_an_angled_finish_bridges_in_its_own_plane_whether_fitted_or_stated():
    small = deposit(size_um=3.0, s_um=200.0, s_min_um=199.0)
    stated = judged([small], stated=Stated(finish="apc"))
    fitted = judge([small], covered(), FOUR, replace(SHAPE, apc_angle_deg=8.0))
    assert stated.deposits[0].bridge == fitted.deposits[0].bridge
    assert rules_named(stated) == ["bridge"]
    assert fitted.in_zone.table == "sm-apc"
    bridge, harm = stated.deposits[0].bridge, stated.deposits[0].harm
    assert bridge is not None
    assert harm is not None
    assert {row.return_loss_db for row in (*harm, *bridge.harm)} == {None}
    # the default angled plug's dome of 8 mm: out to 155 um, 205 with the apexes off
    tight = default_shape(find_family(2.5, "apc"))
    assert rules_named(judge([small], covered(), FOUR, tight)) == ["bridge-offset"]
    away = replace(small, s_um=230.0, s_min_um=229.0)
    assert judge([away], covered(), FOUR, tight).verdict == "mate"
    upright = judge([small], covered(), FOUR, tight, stated=Stated(finish="pc"))
    assert upright.deposits[0].bridge is not None
    assert "angled" not in upright.deposits[0].bridge.assumes


def test_a_small_grain_on_the_barrel_wedges():
    small = deposit(size_um=2.0, surface=Surface.BARREL, s_um=3000.0, s_min_um=2999.0)
    judgement = judged([small])
    assert rules_named(judgement) == ["wedge"]
    offset = judgement.reasons[0].figure
    assert offset is not None
    assert verdict_of([small], rules=Rules(wedge_offset_um=offset * 1.01)) == "mate"


def test_smaller_deposits_are_listed_and_let_pass():
    judgement = judged([deposit(kind=Kind.FILM, size_um=4.9)])
    assert judgement.verdict == "mate"
    assert "1 that may stay" in judgement.reasons[0].text
    assert "smaller than the 5 um" in judgement.reasons[1].text
    assert judgement.deposits[0].stop is None


def test_advice_is_on_what_stops_only():
    speck = deposit(id=1, kind=Kind.FILM, surface=Surface.CAVITY, s_um=9000.0, size_um=4.0)
    advice = " ".join(judged([speck, deposit()]).advice)
    assert "endface" in advice
    assert "cavity" not in advice


def test_what_lies_on_the_surround_is_not_the_connectors():
    assert verdict_of([deposit(surface=Surface.SURROUND, size_um=500.0)]) == "mate"


def test_known_dirt_beats_poor_coverage():
    assert judge([deposit()], None, (), None).verdict == "clean-first"


def test_reasons_go_fiberward_whatever_the_order_given():
    far = deposit(id=1, surface=Surface.CAVITY, s_um=9000.0)
    middle = deposit(id=2, s_um=600.0, s_min_um=590.0)
    near = deposit(id=3, s_um=300.0, s_min_um=290.0)
    for order in ([far, middle, near], [near, far, middle]):
        judgement = judged(order)
        assert [r.deposit_id for r in judgement.reasons] == [3, 2, 1]
        assert [row.deposit_id for row in judgement.deposits] == [d.id for d in order]


# -- unsure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "changes", [{"unsure": True}, {"confidence": 0.499}, {"confidence": NAN}, {"confidence": 0.0}]
)
def test_an_unsure_deposit_asks_for_another_picture(changes):
    judgement = judged([deposit(**changes)])
    assert judgement.verdict == "reshoot"
    assert rules_named(judgement) == ["unsure-deposit"]
    assert judgement.reasons[0].deposit_id == 7
    assert any("clean it and look again" in line for line in judgement.advice)
    assert not judgement.deposits[0].sure


def test_a_deposit_at_the_confidence_threshold_is_sure():
    assert verdict_of([deposit(confidence=0.5)]) == "clean-first"


def test_an_unsure_deposit_below_the_stop_size_changes_nothing():
    assert verdict_of([deposit(kind=Kind.FILM, size_um=4.0, unsure=True)]) == "mate"


def test_an_unsure_deposit_breaks_no_limit_of_the_graded_zones():
    mark = deposit(unsure=True, off_zone=False, s_min_um=0.0, s_max_um=20.0, s_um=10.0)
    judgement = judged([mark])
    assert judgement.verdict == "reshoot"
    assert judgement.in_zone.rows_over == ()


def test_an_unsure_mark_too_small_to_stop_but_not_for_the_graded_zones_asks_for_a_picture():
    mark = deposit(
        kind=Kind.FILM, surface=Surface.FIBER, s_um=5.0, s_min_um=4.0, s_max_um=6.0, size_um=2.5,
        feret_max_um=2.5, width_um=2.5, enclosing_um=2.5, off_zone=False,
    )  # fmt: skip
    assert verdict_of([mark]) == "clean-first"
    judgement = judged([replace(mark, unsure=True)])
    assert judgement.verdict == "reshoot"
    assert rules_named(judgement) == ["unsure-deposit"]


def test_unsure_marks_that_only_together_break_a_limit_are_all_named():
    marks = [
        deposit(
            id=k, kind=Kind.FILM, surface=Surface.FIBER, s_um=41.0, s_min_um=40.0, s_max_um=45.0,
            size_um=3.0, feret_max_um=3.0, width_um=3.0, enclosing_um=3.0, off_zone=False,
            unsure=k > 2,
        )
        for k in range(6)
    ]  # fmt: skip
    judgement = judged(marks)
    assert judgement.verdict == "reshoot"
    assert [reason.deposit_id for reason in judgement.reasons] == [3, 4, 5]
    assert verdict_of(marks[:5]) == "mate"


# -- evidence --------------------------------------------------------------------------------------


@pytest.mark.parametrize("surface", CHARTED)
def test_too_little_shown_of_any_surface_is_no_mate(surface):
    needed = Rules().needed_share[surface]
    name = surface.name.lower()
    for share in (needed - 1e-6, 0.0, NAN):
        judgement = judged(coverage=covered(**{name: share}))
        assert judgement.verdict == "reshoot"
        assert rules_named(judgement) == ["coverage"]
        assert name in judgement.reasons[0].text
    assert verdict_of(coverage=covered(**{name: needed})) == "mate"


def test_a_surface_that_coverage_does_not_name_is_not_covered():
    shares = {surface: 1.0 for surface in CHARTED if surface != Surface.CAVITY}
    judgement = judged(coverage=Coverage(shares, 25.0, None, ()))
    assert judgement.verdict == "reshoot"
    assert "nothing is known" in judgement.reasons[0].text


def test_coverage_at_too_coarse_a_size_is_no_evidence():
    everything = {surface: 1.0 for surface in CHARTED}
    assert verdict_of(coverage=Coverage(everything, 50.0, None, ())) == "mate"
    for size, said in ((51.0, "for 51 um;"), (NAN, "for a known size;")):
        judgement = judged(coverage=Coverage(everything, size, None, ()))
        assert judgement.verdict == "reshoot"
        assert said in judgement.reasons[0].text


def test_no_picture_placed_is_no_mate():
    judgement = judge((), None, FOUR, None)
    assert judgement.verdict == "reshoot"
    assert judgement.in_zone.source == "none"


@pytest.mark.parametrize(
    "change",
    [
        {"readable": False, "why_not": "out of focus"},
        {"detection_limit_um": None},
        {"detection_limit_um": 50.1},
        {"detection_limit_um": 0.0},
        {"detection_limit_um": NAN},
    ],
)
def test_views_that_show_nothing_never_end_in_a_mate(change):
    judgement = judged(views=[replace(view, **change) for view in FOUR])
    assert judgement.verdict == "reshoot"
    assert rules_named(judgement)[0] == "no-usable-view"
    assert {reason.picture for reason in judgement.reasons if reason.picture} == {
        view.picture for view in FOUR
    }
    if "why_not" in change:
        assert any("out of focus" in reason.text for reason in judgement.reasons)


def test_one_picture_that_cannot_be_judged_beside_four_good_ones_is_no_mate():
    blurred = ViewEvidence("blurred.jpg", False, "out of focus", None)
    judgement = judged(views=(*FOUR, blurred))
    assert judgement.verdict == "reshoot"
    assert [reason.picture for reason in judgement.reasons] == ["blurred.jpg"]


def test_one_coarse_picture_beside_four_good_ones_takes_nothing_away():
    coarse = replace(FOUR[0], picture="coarse.jpg", detection_limit_um=60.0)
    assert verdict_of(views=(*FOUR, coarse)) == "mate"


def test_no_pictures_at_all_are_no_mate():
    assert verdict_of(views=()) == "reshoot"


@pytest.mark.parametrize(
    ("turns", "verdict", "asked"),
    [
        ((0.0, 120.0, 240.0), "mate", None),
        ((3.0, 117.0, 243.0), "mate", None),
        ((0.0, 150.0, 210.0), "mate", None),
        ((0.0, 120.0), "reshoot", "turn 240 deg"),
        ((300.0, 60.0), "reshoot", "turn 180 deg"),
        ((0.0, 90.0, 180.0), "reshoot", "turn 270 deg"),
        ((90.0,), "reshoot", "turn 270 deg"),
        ((200.0, 300.0), "reshoot", "turn 70 deg"),
        ((720.0, -240.0, 600.0), "mate", None),
        ((), "reshoot", "No oblique view"),
    ],
)
def test_the_side_must_be_shown_all_round(turns, verdict, asked):
    judgement = judged(views=(front(), *(oblique(turn) for turn in turns)))
    assert judgement.verdict == verdict
    if asked:
        assert rules_named(judgement) == ["turn-gap"]
        assert asked in judgement.reasons[0].text
        assert judgement.reasons[0].text in judgement.advice


@pytest.mark.parametrize(
    "change",
    [
        {"tilt_deg": 20.0},
        {"tilt_deg": 80.0},
        {"detection_limit_um": 50.0},
        {"detection_limit_um": 0.5},
    ],
)
def test_an_oblique_view_at_the_edge_of_what_counts_counts(change):
    views = (front(), oblique(0.0), oblique(120.0), replace(oblique(240.0), **change))
    assert verdict_of(views=views) == "mate"


@pytest.mark.parametrize(
    "change",
    [
        {"tilt_deg": 19.9},
        {"tilt_deg": 80.1},
        {"tilt_deg": None},
        {"turn_deg": None},
        {"readable": False},
        {"detection_limit_um": 60.0},
    ],
)
def test_an_oblique_view_counts_only_if_it_shows_the_side(change):
    views = (front(), oblique(0.0), oblique(120.0), replace(oblique(240.0), **change))
    judgement = judged(views=views)
    assert judgement.verdict == "reshoot"
    assert "turn-gap" in rules_named(judgement)


# -- graded zones ----------------------------------------------------------------------------------


def in_zone_scratch(width_um=2.0):
    return deposit(
        kind=Kind.DAMAGE, surface=Surface.FIBER, s_um=5.0, s_min_um=0.0, s_max_um=10.0,
        width_um=width_um, feret_max_um=60.0, size_um=12.0, off_zone=False,
    )  # fmt: skip


def test_a_broken_limit_names_limit_deposit_and_table():
    judgement = judged([in_zone_scratch()])
    reason = next(r for r in judgement.reasons if r.rule == "in-zone-limit")
    assert reason.deposit_id == 7
    assert (reason.figure, reason.limit) == (1, 0)
    assert "zone A: no scratches" in reason.text
    assert "check against a bought copy" in reason.text


@pytest.mark.parametrize(("zones_um", "open_limits"), [(1.0, 0), (8.0, 5), (14.0, 6)])
def test_what_one_view_shows_all_over_the_zones_decides_what_is_resolved(zones_um, open_limits):
    grade = judged(coverage=covered(zones_um=zones_um)).in_zone
    assert grade.source == "picture"
    assert len(grade.rows_not_resolved or ()) == open_limits


def test_zones_that_no_view_shows_whole_are_not_graded_however_fine_the_pictures():
    views = (*FOUR, front(detection_limit_um=1.0))
    for coverage in (covered(zones_um=None), covered(zones_um=1.0, fiber=0.5)):
        judgement = judged(coverage=coverage, views=views)
        assert judgement.in_zone.source == "none"
        assert "provided the graded zones pass" in (judged(coverage=covered(None)).validity or "")


def test_a_required_grade_that_is_missing_is_no_mate():
    rules = Rules(require_in_zone=True)
    judgement = judged(rules=rules)
    assert judgement.verdict == "reshoot"
    assert rules_named(judgement) == ["in-zone-required"]
    assert any("your own microscope" in line for line in judgement.advice)
    assert verdict_of(rules=rules, stated=Stated(in_zone="within", in_zone_by="Kim")) == "mate"
    assert verdict_of(rules=rules, coverage=covered(zones_um=2.0)) == "mate"


def test_a_stated_grade_outside_is_cleaned_first():
    judgement = judged(stated=Stated(in_zone="outside", in_zone_by="Kim"))
    assert judgement.verdict == "clean-first"
    assert "Kim" in judgement.reasons[0].text


def test_a_stated_grade_within_does_not_excuse_a_limit_seen_broken():
    stated = Stated(in_zone="within", in_zone_by="Kim")
    judgement = judged([in_zone_scratch()], stated=stated)
    assert judgement.verdict == "clean-first"
    assert judgement.in_zone.source == "picture"
    assert judgement.in_zone.stated == "within"
    assert not judgement.in_zone.passed


def test_multimode_uses_its_own_table_and_angled_multimode_has_none():
    assert judged(rules=Rules(fiber_mode="mm")).in_zone.table == "mm-pc"
    none = judged(rules=Rules(fiber_mode="mm"), stated=Stated(finish="apc"))
    assert none.in_zone.source == "none"


# -- damage and retiring ---------------------------------------------------------------------------


@pytest.mark.parametrize("failed", [0, 1, 2])
def test_damage_asks_for_cleaning_until_cleaning_has_failed_often_enough(failed):
    stated = Stated(cleanings_failed=failed)
    judgement = judged([in_zone_scratch()], stated=stated)
    assert judgement.verdict == "clean-first"
    assert rules_named(judgement)[0] == "damage-seen"
    off_zone = deposit(kind=Kind.DAMAGE, surface=Surface.BARREL, s_um=3000.0)
    assert verdict_of([off_zone], stated=stated) == "clean-first"


def test_damage_beyond_the_limits_that_cleaning_left_is_retired():
    judgement = judged([in_zone_scratch()], stated=Stated(cleanings_failed=3))
    assert judgement.verdict == "retire"
    assert rules_named(judgement) == ["cleaning-failed", "in-zone-limit"]
    assert (judgement.reasons[0].figure, judgement.reasons[0].limit) == (3, 3)
    assert any("out of service" in line for line in judgement.advice)


def test_damage_off_the_graded_zones_that_cleaning_left_may_stay_and_is_named():
    mark = deposit(kind=Kind.DAMAGE, surface=Surface.BARREL, s_um=3000.0)
    judgement = judged([mark], stated=Stated(cleanings_failed=3))
    assert judgement.verdict == "mate"
    assert rules_named(judgement) == ["nothing-found", "damage-left"]
    assert judgement.reasons[1].deposit_id == 7


def test_damage_in_the_zones_without_a_table_is_not_let_pass():
    stated = Stated(cleanings_failed=3, finish="apc")
    assert verdict_of([in_zone_scratch()], rules=Rules(fiber_mode="mm"), stated=stated) == "retire"


def test_dirt_that_cleaning_left_too_often_is_retired_and_one_time_less_is_not():
    assert verdict_of([deposit()], stated=Stated(cleanings_failed=3)) == "retire"
    assert verdict_of([deposit()], stated=Stated(cleanings_failed=2)) == "clean-first"
    once = Rules(cleanings_before_retire=1)
    assert verdict_of([deposit()], rules=once, stated=Stated(cleanings_failed=1)) == "retire"


def test_failed_cleanings_alone_retire_nothing():
    assert verdict_of(stated=Stated(cleanings_failed=9)) == "mate"
    assert verdict_of([deposit(unsure=True)], stated=Stated(cleanings_failed=9)) == "reshoot"


# -- whatever the input ----------------------------------------------------------------------------

numbers = st.floats(0.1, 1000.0) | st.just(NAN)
shares = st.floats(0.0, 1.0) | st.just(NAN)


@st.composite
def deposits(draw: st.DrawFn) -> Deposit:
    near = draw(st.none() | st.floats(0.0, 12000.0))
    far = None if near is None else near + draw(st.floats(0.0, 500.0))
    return deposit(
        id=draw(st.integers(0, 99)),
        kind=draw(st.sampled_from([kind for kind in Kind if kind != Kind.CLEAN])),
        surface=draw(st.sampled_from([s for s in Surface if s != Surface.SURROUND])),
        confidence=draw(shares),
        unsure=draw(st.booleans()),
        s_um=near, s_min_um=near, s_max_um=far,
        off_zone=near is None or near > 125.0,
        size_um=draw(numbers), feret_max_um=draw(numbers), width_um=draw(numbers),
        enclosing_um=draw(numbers),
    )  # fmt: skip


coverages = st.builds(
    lambda values, size: Coverage(dict(zip(CHARTED, values, strict=True)), size, None, ()),
    st.tuples(*[shares] * 5) | st.just((1.0,) * 5),
    st.sampled_from([20.0, 30.0, 60.0, NAN]),
)
some_views = st.lists(
    st.builds(
        ViewEvidence,
        picture=st.just("p.jpg"),
        readable=st.booleans(),
        why_not=st.none(),
        detection_limit_um=st.none() | numbers,
        tilt_deg=st.none() | st.floats(0.0, 90.0),
        turn_deg=st.none() | st.floats(-360.0, 720.0),
    ),
    max_size=4,
) | st.just(list(FOUR))
statements = st.builds(
    Stated,
    in_zone=st.sampled_from([None, "within", "outside"]),
    in_zone_by=st.just("Kim"),
    cleanings_failed=st.integers(0, 5),
    finish=st.sampled_from([None, "pc", "apc"]),
)
shapes = st.none() | st.sampled_from([default_shape(family) for family in FAMILIES])
rank = {"mate": 1, "reshoot": 0, "clean-first": 0, "retire": 0}
quick = settings(max_examples=100, deadline=None, derandomize=True)


@quick
@given(st.lists(deposits(), max_size=4), coverages, some_views, shapes, statements)
def test_every_verdict_has_reasons_and_only_a_mate_has_no_advice(found, cover, views, shape, said):
    judgement = judge(found, cover, views, shape, None, said)
    assert judgement.reasons
    assert all(reason.text.endswith(".") for reason in judgement.reasons)
    assert bool(judgement.advice) == (judgement.verdict != "mate")
    assert (judgement.validity is not None) == (judgement.verdict == "mate")
    assert len(judgement.deposits) == len(found)
    figures = [reason.figure for reason in judgement.reasons if reason.figure is not None]
    assert all(figure == figure for figure in figures)  # no NaN in a record
    if judgement.verdict == "retire":
        assert said.cleanings_failed >= Rules().cleanings_before_retire


@quick
@given(st.lists(deposits(), max_size=3), deposits(), coverages, some_views, shapes, statements)
def test_more_dirt_never_makes_a_mate(found, more, cover, views, shape, said):
    before = judge(found, cover, views, shape, None, said).verdict
    after = judge([*found, more], cover, views, shape, None, said).verdict
    assert rank[after] <= rank[before]
    if before == "clean-first":
        assert after == "clean-first"


@quick
@given(deposits(), statements, st.floats(0.0, 1.0))
def test_less_confidence_never_makes_a_mate(found, said, factor):
    before = judge([found], covered(), FOUR, SHAPE, None, said).verdict
    doubted = replace(found, confidence=found.confidence * factor)
    for less in (doubted, replace(found, unsure=True), replace(doubted, unsure=True)):
        after = judge([less], covered(), FOUR, SHAPE, None, said).verdict
        assert rank[after] <= rank[before]


@quick
@given(st.sampled_from(CHARTED), st.floats(0.0, 1.0), st.lists(deposits(), max_size=2), statements)
def test_worse_coverage_never_makes_a_mate(surface, factor, found, said):
    full = covered()
    worse = replace(full, share={**full.share, surface: full.share[surface] * factor})
    before = judge(found, full, FOUR, SHAPE, None, said).verdict
    after = judge(found, worse, FOUR, SHAPE, None, said).verdict
    assert rank[after] <= rank[before]


@quick
@given(st.lists(deposits(), min_size=2, max_size=4), statements, st.data())
def test_less_confidence_in_one_of_several_never_makes_a_mate(found, said, data):
    index = data.draw(st.integers(0, len(found) - 1))
    less = replace(found[index], unsure=True)
    doubted = [*found[:index], less, *found[index + 1 :]]
    before = judge(found, covered(), FOUR, SHAPE, None, said).verdict
    assert rank[judge(doubted, covered(), FOUR, SHAPE, None, said).verdict] <= rank[before]


@quick
@given(
    st.lists(deposits(), max_size=2), statements, st.integers(0, 3), st.floats(1.0, 8.0),
    st.sampled_from(["coarser", "limit unknown", "not placed", "turn unknown", "unreadable"]),
)  # fmt: skip
def test_a_worse_picture_never_makes_a_mate(found, said, index, factor, worse):
    view = FOUR[index]
    assert view.detection_limit_um is not None
    changed = {
        "coarser": replace(view, detection_limit_um=view.detection_limit_um * factor),
        "limit unknown": replace(view, detection_limit_um=None),
        "not placed": replace(view, tilt_deg=None, turn_deg=None),
        "turn unknown": replace(view, turn_deg=None),
        "unreadable": replace(view, readable=False, why_not="blurred"),
    }[worse]
    views = [*FOUR[:index], changed, *FOUR[index + 1 :]]
    for rules in (Rules(), Rules(require_in_zone=True)):
        before = judge(found, covered(), FOUR, SHAPE, rules, said).verdict
        assert rank[judge(found, covered(), views, SHAPE, rules, said).verdict] <= rank[before]


@quick
@given(st.lists(deposits(), max_size=2), statements, st.floats(1.0, 4.0) | st.just(NAN))
def test_a_coarser_coverage_never_makes_a_mate(found, said, factor):
    coarse = replace(covered(), size_um=covered().size_um * factor)
    before = judge(found, covered(), FOUR, SHAPE, None, said).verdict
    assert rank[judge(found, coarse, FOUR, SHAPE, None, said).verdict] <= rank[before]
    assert rank[judge(found, None, FOUR, SHAPE, None, said).verdict] <= rank[before]


@quick
@given(st.lists(deposits(), max_size=2), statements, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_a_net_that_is_known_to_see_less_never_makes_a_mate(found, said, low, factor):
    better, worse = (Sight(1.0, share, 300) for share in (low, low * factor))
    before = judge(found, covered(), FOUR, SHAPE, None, said, better).verdict
    for sight in (worse, Sight(None, None, None)):
        after = judge(found, covered(), FOUR, SHAPE, None, said, sight).verdict
        assert rank[after] <= rank[before]


@quick
@given(deposits(), st.floats(1.0, 20.0), statements, shapes)
def test_larger_dirt_never_makes_a_mate(found, factor, said, shape):
    sizes = ("size_um", "feret_max_um", "width_um", "enclosing_um")
    larger = replace(found, **{name: getattr(found, name) * factor for name in sizes})
    before = judge([found], covered(), FOUR, shape, None, said).verdict
    assert rank[judge([larger], covered(), FOUR, shape, None, said).verdict] <= rank[before]


STRICTER_LOW = (
    "stop_fiber_um", "stop_endface_um", "stop_chamfer_um", "reach_limit", "reach_from_um",
    "wedge_offset_um", "coarsest_limit_um", "largest_turn_gap_deg",
)  # fmt: skip
STRICTER_HIGH = ("apex_offset_um", "sure_confidence", "needed_endface_share", "needed_recall")


@quick
@given(st.lists(deposits(), max_size=2), st.data(), st.floats(0.1, 1.0))
def test_stricter_settings_never_make_a_mate(found, data, factor):
    name = data.draw(st.sampled_from((*STRICTER_LOW, *STRICTER_HIGH)))
    plain = Rules()
    figure = float(getattr(plain, name))
    stricter = figure * factor if name in STRICTER_LOW else figure / factor
    if rule_notes()[name][0] == "share":
        stricter = min(stricter, 1.0)
    rules = replace(plain, **{name: stricter})
    before = judge(found, covered(), FOUR, SHAPE, plain).verdict
    assert rank[judge(found, covered(), FOUR, SHAPE, rules).verdict] <= rank[before]


@quick
@given(st.lists(st.sampled_from(range(4)), max_size=4), st.lists(deposits(), max_size=2))
def test_losing_pictures_never_makes_a_mate(lost, found):
    left = [view for index, view in enumerate(FOUR) if index not in lost]
    before = judge(found, covered(), FOUR, SHAPE).verdict
    assert rank[judge(found, covered(), left, SHAPE).verdict] <= rank[before]


@quick
@given(st.lists(deposits(), max_size=3), coverages, shapes, statements, some_views)
def test_without_a_readable_view_nothing_is_mated(found, cover, shape, said, views):
    dark = [replace(view, readable=False) for view in views]
    for seen in (dark, ()):
        assert judge(found, cover, seen, shape, None, said).verdict != "mate"
    assert judge(found, None, views, shape, None, said).verdict != "mate"


@quick
@given(deposits().filter(lambda d: d.kind != Kind.DAMAGE), statements)
def test_no_showable_dirt_from_the_sleeve_to_the_fibre_is_ever_mated_with(found, said):
    showable = replace(found, size_um=16.0, feret_max_um=18.0)
    if showable.surface < Surface.CHAMFER:
        # where the sleeve goes; elsewhere reach decides
        showable = replace(showable, surface=Surface.BARREL, s_um=3000.0, s_min_um=3000.0)
    assert judge([showable], covered(), FOUR, SHAPE, None, said).verdict != "mate"


# -- settings --------------------------------------------------------------------------------------


def test_every_rule_has_a_unit_and_a_reason():
    notes = rule_notes()
    assert set(notes) == set(vars(Rules()))
    assert all(len(why) > 15 for _, why in notes.values())
    for name, (unit, _) in notes.items():
        assert name.endswith("_um") == (unit == "um")
        assert name.endswith("_deg") == (unit == "deg")


@pytest.mark.parametrize(
    "change",
    [
        {"needed_barrel_share": 0.0},
        {"needed_barrel_share": 1.1},
        {"stop_fiber_um": 0.0},
        {"stop_fiber_um": NAN},
        {"largest_turn_gap_deg": -1.0},
        {"cleanings_before_retire": 0},
        {"fiber_mode": "xx"},
    ],
)
def test_settings_under_which_a_verdict_means_nothing_are_refused(change):
    name = next(iter(change))
    with pytest.raises(SettingsError, match=name):
        Rules(**change)


def test_statements_that_cannot_be_are_refused():
    with pytest.raises(ValueError, match="negative"):
        Stated(cleanings_failed=-1)
    with pytest.raises(ValueError, match="name of who graded"):
        Stated(in_zone="within")


def test_the_rules_judged_by_are_kept():
    rules = Rules(reach_limit=0.4)
    assert judged(rules=rules).rules is rules
    assert judged().rules == Rules()


def test_every_rule_that_a_verdict_names_is_in_the_table_and_gives_that_verdict():
    rows = {row.rule: row.verdict for row in RULE_TABLE}
    cases = [
        judged(), judged([deposit()]), judged([behind()]), judged([deposit(unsure=True)]),
        judged([on_barrel()]), judged([in_zone_scratch()]), judged(views=()),
        judged([deposit(kind=Kind.FILM)]), judged([behind(kind=Kind.FILM)]),
        judged([deposit(size_um=3.0, s_um=260.0, s_min_um=259.0)]),
        judged([deposit(kind=Kind.FILM, surface=Surface.FIBER)]),
        judged([deposit(surface=Surface.CHAMFER)]), judged([deposit(size_um=2.0, s_min_um=400.0)]),
        judged(stated=Stated(in_zone="outside", in_zone_by="Kim")),
        judged(views=FOUR[:2]), judged(views=(*FOUR, front(readable=False))),
        judged(views=(oblique(0.0), front(detection_limit_um=60.0))),
        judged(coverage=covered(fiber=0.1)), judged(rules=Rules(require_in_zone=True)),
        judged([deposit()], stated=Stated(cleanings_failed=3)),
        judged([deposit(kind=Kind.DAMAGE)], stated=Stated(cleanings_failed=3)),
        judge((), covered(), FOUR, SHAPE, sight=Sight(0.6, 0.52, 200)),
        judge((), covered(), FOUR, SHAPE, sight=Sight(None, None, None)),
    ]  # fmt: skip
    named = set()
    for judgement in cases:
        rules = rules_named(judgement)
        named |= set(rules)
        assert set(rules) <= set(rows)
        assert judgement.verdict in {rows[rule] for rule in rules}
    assert named == set(rows)


@pytest.mark.parametrize(
    ("share", "words"),
    # two significant digits; the ends never said to be sure, as its docstring states
    [
        (0.0, "under 0.01 %"), (0.99e-4, "under 0.01 %"), (1e-4, "0.01 %"), (0.123, "12 %"),
        (0.994, "99 %"), (0.995, "over 99.5 %"), (0.9999, "over 99.5 %"), (1.0, "100 %"),
    ],
)  # fmt: skip
def test_a_chance_in_words(share, words):
    assert chance_words(share) == words


def test_what_is_missing_is_told_with_its_figure():
    coarse = [replace(view, detection_limit_um=80.0) for view in FOUR]
    shares = {r.figure for r in judged(coverage=covered(barrel=0.03)).reasons}
    assert 0.03 in shares
    reasons = judged(coverage=covered(barrel=0.03), views=coarse).reasons
    (told,) = (r for r in reasons if r.rule == "coarse-view" and r.picture == "front.jpg")
    assert (told.figure, told.limit) == (80.0, 50.0)
    assert "from 80 um only; 50 um or finer" in told.text


def test_nothing_said_of_cleaning_is_no_cleaning():
    assert Stated().cleanings_failed == 0


def test_a_missing_side_is_told_by_what_there_is():
    (none,) = (r for r in judged(views=(front(),)).reasons if r.rule == "turn-gap")
    assert none.figure == 360.0
    (one,) = (r for r in judged(views=(front(), oblique(0.0))).reasons if r.rule == "turn-gap")
    assert one.text.startswith("There is one oblique view only: take one at turn 180 deg")
    two = judged(views=(front(), oblique(0.0), oblique(120.0))).reasons
    assert any("faces 240 deg of the way round: take one at turn 240 deg" in r.text for r in two)


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.03, "3% is shown well enough for 25 um; a mate needs 10%"), (0.0964, "9.6% is shown well")],
)
def test_a_share_just_short_is_told_with_a_digit_more(share, words):
    assert any(words in reason.text for reason in judged(coverage=covered(barrel=share)).reasons)


def test_the_defaults_are_the_figures_that_their_reasons_speak_of():
    rules = Rules()
    # class B of ISO 16232 begins at 5 um
    stops = (rules.stop_fiber_um, rules.stop_endface_um, rules.stop_chamfer_um, rules.reach_from_um)
    assert stops == (5.0, 5.0, 5.0, 5.0)
    assert rules.wedge_offset_um == 1.0  # 0.2 dB at 1310 nm
    assert rules.reach_limit == 0.1  # one in ten at worst
    assert rules.largest_turn_gap_deg == 150.0  # 75 deg to either side of a view
    # this program's own, from views of made-up plugs
    assert (rules.needed_fiber_share, rules.needed_endface_share) == (0.95, 0.95)
    assert rules.needed_chamfer_share == 0.85
    assert (rules.needed_barrel_share, rules.needed_cavity_share) == (0.1, 0.05)
    with pytest.raises(SettingsError):
        Rules(stop_fiber_um=1e6)


def test_at_a_limit_dirt_stops():
    # docs of the rules: stops from the figure on, and may stay below it
    wedge = Wedge(5.0, 100.0, 5700.0, 1.0, 0.1, (), "made up")
    on_barrel = deposit(surface=Surface.BARREL, size_um=5.0)
    stop = stop_of(on_barrel, Findings(None, wedge, None), Rules())
    assert stop is not None
    assert stop.rule == "wedge"
    at_limit = deposit(surface=Surface.CAVITY, size_um=5.0, s_um=9000.0, s_min_um=9000.0)
    stay = stay_of(at_limit, Findings(None, None, reach_of(at_limit, SHAPE)), Rules())
    assert stay is not None
    assert stay.rule == "reach-low"


def test_what_is_clean_stops_nothing():
    findings = Findings(None, None, None)
    assert stop_of(deposit(kind=Kind.CLEAN), findings, Rules()) is None
    assert stop_of(deposit(surface=Surface.SURROUND), findings, Rules()) is None


def test_the_slightest_fitted_angle_is_graded_as_angled():
    shape = replace(SHAPE, apc_angle_deg=0.5)
    assert judge((), covered(), FOUR, shape).in_zone.table == "sm-apc"


def test_without_the_last_of_several_the_verdict_is_that_of_the_others():
    small = deposit(id=1, size_um=2.0, feret_max_um=2.0, kind=Kind.FILM)
    rows = judged([small, deposit(id=2)]).deposits
    assert [row.verdict_without for row in rows] == ["clean-first", "mate"]
