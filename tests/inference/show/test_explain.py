"""Explanations: every figure from the record, and what would change the verdict holds."""

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from fiberward.inference.judge.assumed import shipped_assumptions
from fiberward.inference.judge.places import Place
from fiberward.inference.judge.reach import reach_from, upper_reach
from fiberward.inference.judge.rule_table import RULE_TABLE, rule_lines
from fiberward.inference.judge.rules import Rules
from fiberward.inference.judge.sensitivity import swings
from fiberward.inference.judge.verdict import ViewEvidence, judge
from fiberward.inference.record import Found, record_of
from fiberward.inference.request import Request
from fiberward.inference.see.coverage import Coverage
from fiberward.inference.see.fuse import Deposit
from fiberward.inference.settings import Settings
from fiberward.inference.show.explain_command import explain
from fiberward.inference.show.explanation import explain_deposit, explain_number
from fiberward.inference.show.report import report_page
from fiberward.inference.show.terminal import Terminal
from fiberward.inference.show.verdict_swing import swing_words, verdict_swings
from fiberward.model.errors import UsageError
from fiberward.model.families import default_shape, find_family
from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface

SHAPE = default_shape(find_family(2.5))


def deposit(number, kind, surface, s_um, size_um, **changes):
    values = dict(
        id=number, kind=kind, confidence=0.9, surface=surface, s_um=s_um, theta_deg=20.0,
        s_min_um=s_um, s_max_um=s_um, size_um=size_um, area_um2=200.0, feret_max_um=size_um,
        width_um=size_um, length_um=None, enclosing_um=size_um, in_zone_area_um2=0.0,
        off_zone=True, unsure=False, seen_in=(),
    )  # fmt: skip
    return Deposit(**{**values, **changes})


GRAIN = deposit(1, Kind.PARTICLE, Surface.ENDFACE, 300.0, 10.0)
DUST = deposit(2, Kind.PARTICLE, Surface.CAVITY, 9000.0, 20.0)
OIL = deposit(3, Kind.FILM, Surface.BARREL, 7500.0, 300.0)
BARREL_GRAIN = deposit(4, Kind.PARTICLE, Surface.BARREL, 2900.0, 30.0)


def inspected(reads_drawings, *deposits):
    """The record of these deposits, judged as the pipeline does; no picture stands behind it."""
    settings, coverage = Settings(), Coverage({}, 50.0, None, ())
    judgement = judge(deposits, coverage, (), SHAPE, settings.rules)
    found = Found((), deposits, SHAPE, coverage, judgement)
    request = Request((Path("front.jpg"),))
    return record_of(found, request, settings, reads_drawings.card, "2026-01-02T03:04:05Z")


def part(explanation, heading):
    return " ".join(dict(explanation.parts)[heading])


def test_a_bridging_grain_tells_gap_reach_harm_rule_and_what_would_help(reads_drawings):
    # gap r^2/R = 4.5 um and bridge radius sqrt(d R) = 447 um at R = 20 mm, by hand
    told = explain_number(inspected(reads_drawings, GRAIN, DUST), 1)
    assert told.title == "Deposit 1: particle, 10 um, on the endface"
    assert told.stops
    assert "0.30 mm from the fibre's centre" in part(told, "Where")
    assert "outside the graded zones" in part(told, "Where")
    assert "(radius taken as 20 mm) leave 4.50 um at 300 um" in part(told, "Gap")
    assert "up to 0.64 dB, return loss down to 8.7 dB" in part(told, "Gap")
    assert "at once dry" in part(told, "What removes it")
    assert "dry reel, pen or wipe" in part(told, "What removes it")
    assert "bridges out to 447 um" in part(told, "Gap")
    assert "holds the fibres up to 5.5 um apart" in part(told, "Gap")
    # Hertz, 9.8 N on domes of 20 mm: 172 um, peak 632 MPa (calculated, tests/outside)
    assert "touch on 172 um of diameter under the spring's 9.8 N, at up to 632 MPa" in told.text
    assert "The endface beyond the graded zones, then the contact zone." in told.text
    assert "1310 nm single mode" in part(told, "Harm once on the core")
    assert "Rule bridge stops the mate." in part(told, "Rule")
    assert "figure is 10 um; by this rule it could stay below 4.5 um." in part(
        told, "What would change it"
    )
    assert "Without it the verdict would be Reshoot" in part(told, "What would change it")


def test_dust_that_may_stay_says_why_and_by_which_assumption_it_would_not(reads_drawings):
    told = explain_number(inspected(reads_drawings, DUST), 2)
    assert not told.stops
    assert "lets it stay" in part(told, "Rule")
    assert "no measured moves" in part(told, "Reach")
    change = part(told, "What would change it")
    assert "it would stop from 10 %" in change
    assert "Without it the verdict would be Reshoot all the same." in change


def test_only_the_stated_fibre_mode_is_told_and_both_where_none_is(reads_drawings):
    plain = inspected(reads_drawings, GRAIN)
    told = part(explain_number(plain, 1), "Harm once on the core")
    assert "850 and 1300 nm multimode" in told
    assert "Taken as an opaque mask: a disc of its area on the middle." in told
    multi = replace(plain, connector={**plain.connector, "fiber_mode": "multi"})
    assert "single mode" not in explain_number(multi, 1).text
    single = replace(plain, connector={**plain.connector, "fiber_mode": "single"})
    assert "multimode" not in explain_number(single, 1).text


def test_a_grain_that_bridges_only_with_the_apexes_off_says_by_how_much(reads_drawings):
    # 3 um at 260 um, R = 20 mm: 3 - (260^2 - 2 260 50)/20000 = 0.92 um, by hand
    small = deposit(1, Kind.PARTICLE, Surface.ENDFACE, 260.0, 3.0)
    told = explain_number(inspected(reads_drawings, small), 1)
    assert "apexes 50 um beside the fibre it would, by up to 0.9 um" in part(told, "Gap")
    assert "Rule bridge-offset stops the mate." in part(told, "Rule")
    # (260 - 50)^2/20000 = 2.2 um, by hand
    assert "figure is 3 um; by this rule it could stay below 2.2 um." in part(
        told, "What would change it"
    )


def test_an_unsure_deposit_is_said_to_stop_only_if_it_is_there(reads_drawings):
    faint = replace(GRAIN, unsure=True)
    inspection = inspected(reads_drawings, faint, replace(DUST, id=2))
    told = [explain_number(inspection, number) for number in (1, 2)]
    assert [each.ruling for each in told] == ["would stop the mate if it is there", "may stay"]
    assert explain_number(inspected(reads_drawings, GRAIN), 1).ruling == "stops the mate"
    page = report_page(inspection, None, {})
    for each in told:
        assert f"{each.title}: {each.ruling}</summary>" in page


def test_a_distance_known_badly_says_so_in_explanation_and_report(reads_drawings):
    badly, well = (inspected(reads_drawings, replace(DUST, s_sd_um=sd)) for sd in (1560.0, 40.0))
    assert "the distance good to 1.6 mm" in part(explain_number(badly, 2), "Where")
    assert "good to" not in part(explain_number(well, 2), "Where")
    assert "9000 ± 1560</td>" in report_page(badly, None, {})
    assert "9000</td>" in report_page(well, None, {})


def test_lint_is_named_by_its_length_and_chances_are_never_a_fake_zero(reads_drawings):
    thread = deposit(1, Kind.LINT, Surface.CAVITY, 9000.0, 30.0, feret_max_um=400.0)
    told = explain_number(inspected(reads_drawings, thread, DUST), 1)
    assert told.title == "Deposit 1: lint, 400 um long, in the cavity"
    near = explain_number(inspected(reads_drawings, thread, DUST), 2)
    assert not re.search(r"(?<![0-9.])0 %", part(near, "Reach"))
    assert "under 0.01 %" in part(near, "Reach")


def test_a_wedge_tells_shift_and_assumptions(reads_drawings):
    told = explain_number(inspected(reads_drawings, BARREL_GRAIN), 4)
    assert "may shift the fibre by up to" in part(told, "In the sleeve")
    assert "The barrel within the sleeve's length, then the barrel's front" in told.text


def test_the_explanation_of_an_old_record_is_told_without_new_figures(reads_drawings):
    document = inspected(reads_drawings, OIL).to_json()
    del document["settings"]["assumptions"]
    for name in ("ruling", "verdict_without"):
        del document["deposits"][0][name]
    document["deposits"][0]["reach"] = None
    old = type(inspected(reads_drawings, OIL)).from_json(document)
    told = explain_number(old, 3)
    assert part(told, "Rule") == "No rule speaks of it."
    assert told.swings == ()


def test_assumptions_that_this_version_does_not_have_are_not_said_to_flip_nothing(
    reads_drawings, tmp_path, capsys
):
    plain = inspected(reads_drawings, OIL)
    other = {**plain.settings, "assumptions": {"id": "bench/7", "front_um": 1000.0, "learnt": {}}}
    record = replace(plain, settings=other)
    told = explain_number(record, 3)
    assert told.swings is None
    assert "it cannot say which of them flips this" in part(told, "What would change it")
    assert verdict_swings(record, [told]) is None
    # where another rule stops, no assumption matters, known or not
    both = replace(inspected(reads_drawings, OIL, GRAIN), settings=other)
    assert verdict_swings(both, [explain_deposit(both, d) for d in both.deposits]) == ()
    assert "cannot say which of them flips the verdict" in report_page(record, None, {})
    record.write(tmp_path / "inspection.json")
    with Terminal(json=True).in_charge():
        assert explain(tmp_path, deposit=None, rules=False) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["verdict_hangs_on"] is None
    assert document["deposits"][0]["sensitivity"] is None


def test_an_inspection_of_kinds_nobody_knows_is_refused_in_one_line(reads_drawings, tmp_path):
    document = inspected(reads_drawings, OIL).to_json()
    document["deposits"][0]["kind"] = "moon"
    path = tmp_path / "inspection.json"
    path.write_text(json.dumps(document))
    with pytest.raises(UsageError, match="deposit 3: unknown 'moon' on 'barrel'"):
        explain(path, deposit=None, rules=False)


def test_a_folder_without_an_inspection_says_so(tmp_path):
    with pytest.raises(UsageError, match="holds no inspection.json"):
        explain(tmp_path, deposit=None, rules=False)


def test_a_number_that_is_not_there_is_refused(reads_drawings):
    with pytest.raises(UsageError, match=r"--deposit 9: .*it has 1 to 2"):
        explain_number(inspected(reads_drawings, GRAIN, DUST), 9)
    with pytest.raises(UsageError, match="it has no deposits"):
        explain_number(inspected(reads_drawings), 1)


def test_the_command_reads_a_file_or_its_folder_and_prints_text_or_json(
    reads_drawings, tmp_path, capsys
):
    inspected(reads_drawings, GRAIN, DUST, OIL).write(tmp_path / "inspection.json")
    assert explain(tmp_path, deposit=None, rules=True) == 0
    text = capsys.readouterr().out
    assert all(f"Deposit {n}: " in text for n in (1, 2, 3))
    assert "1. retire: cleaning-failed" in text
    with Terminal(json=True).in_charge():
        assert explain(tmp_path / "inspection.json", deposit=3, rules=False) == 0
    document = json.loads(capsys.readouterr().out)
    (told,) = document["deposits"]
    assert told["parts"]["Rule"][0] == "Rule reach stops the mate."
    assert {row["assumption"] for row in told["sensitivity"]} >= {"behind-film-creeps"}


def test_the_report_explains_every_deposit(reads_drawings):
    page = report_page(inspected(reads_drawings, GRAIN, DUST, OIL), None, {})
    for number in (1, 2, 3):
        assert f'id="deposit-{number}"' in page
        assert f'href="#deposit-{number}"' in page
    assert "May stay, since it hardly gets to the contact zone" in page


# -- sensitivity -----------------------------------------------------------------------------------


def test_an_assumption_that_flips_the_ruling_is_found_by_moving_it():
    # oil behind the sleeve: at the low end of its creeping it may stay, at the high end it stops
    assumed = shipped_assumptions()
    rows = assumed.rows_for(Kind.FILM, 300.0)
    found = swings(Place.BARREL_BEHIND, rows, assumed)
    creep = next(swing for swing in found if swing.assumption == "behind-film-creeps")
    assert creep.chance_low < 0.1 < creep.chance_high
    assert creep.low < Rules().reach_limit < creep.high
    assert creep.flips(Rules().reach_limit)
    assert found[0] is creep
    upper = upper_reach(reach_from(Place.BARREL_BEHIND, rows, assumed), 10)
    assert creep.low < upper


def test_assumptions_behind_the_deposit_are_not_asked():
    assumed = shipped_assumptions()
    found = swings(Place.CHAMFER, assumed.rows_for(Kind.LINT, 20.0), assumed)
    assert {s.assumption for s in found} == {"chamfer-is-pushed-ahead", "endface-gathers-inwards"}


@pytest.mark.parametrize(
    ("kind", "size_um", "start", "widest"),
    [
        (Kind.PARTICLE, 20.0, Place.CAVITY, "endface-gathers-inwards"),
        (Kind.LINT, 20.0, Place.BARREL_FRONT, "front-is-pushed-ahead"),
        (Kind.RESIDUE, 80.0, Place.BARREL_SLEEVE, "sleeve-wipes-back"),
    ],
)
def test_a_swing_is_what_reach_gives_with_that_assumption_known(kind, size_um, start, widest):
    # small grains and their fragments follow the same rows; residue only sheds, and its fragments
    # follow rows of their own
    assumed = shipped_assumptions()
    found = swings(start, assumed.rows_for(kind, size_um), assumed)
    assert found[0].assumption == widest
    assert found[0].low < 0.8 * found[0].high
    for swing in found[:3]:
        for chance, upper in ((swing.chance_low, swing.low), (swing.chance_high, swing.high)):
            changed = with_known(swing.assumption, chance)
            reach = reach_from(start, changed.rows_for(kind, size_um), changed)
            assert upper_reach(reach, 10) == pytest.approx(upper, rel=1e-6)


SEEN = Coverage(
    dict.fromkeys(
        (Surface.FIBER, Surface.ENDFACE, Surface.CHAMFER, Surface.BARREL, Surface.CAVITY), 1.0
    ),
    10.0,
    None,
    (),
)
VIEWS = [
    ViewEvidence(f"{n}.jpg", True, None, 5.0, 50.0 if n else 0.0, turn)
    for n, turn in enumerate((0.0, 0.0, 120.0, 240.0))
]


def hanging(reads_drawings, *deposits, rules=None):
    """The record of these deposits alone on a connector that is shown all over, and its swings."""
    settings = Settings(rules=rules or Rules())
    judgement = judge(deposits, SEEN, VIEWS, SHAPE, settings.rules)
    found = Found((), deposits, SHAPE, SEEN, judgement)
    request = Request((Path("front.jpg"),))
    record = record_of(found, request, settings, reads_drawings.card, "2026-01-02T03:04:05Z")
    return record, verdict_swings(record, [explain_deposit(record, d) for d in record.deposits])


def judged_with(assumption, chance, *deposits, rules=None):
    """The verdict on the same with that assumption known: judged anew, not by its swing."""
    known_one = with_known(assumption, chance)
    return judge(deposits, SEEN, VIEWS, SHAPE, rules, assumptions=known_one).verdict


def with_known(assumption, chance):
    """The shipped assumptions with one taken as known."""
    assumed = shipped_assumptions()
    rows = tuple(known(r, chance) if r.name == assumption else r for r in assumed.rows)
    return replace(assumed, rows=rows)


def known(row, chance):
    """The assumption with its chance to move fiberward taken as known."""
    mean = row.posterior / row.posterior.sum()
    forward = [p for p in Place if p > row.start and p != Place.GONE]
    share = sum(mean[p] for p in forward)
    moves = tuple(
        (p, mean[p] * (chance / share if p in forward else (1 - chance) / (1 - share)))
        for p in Place
        if p != row.start
    )
    return replace(row, moves=moves, weight=1e6)


def test_a_clean_first_that_hangs_on_an_assumption_says_which_and_rejudging_agrees(reads_drawings):
    record, found = hanging(reads_drawings, OIL)
    assert record.verdict == "clean-first"
    creep = next(each for each in found if each.assumption == "behind-film-creeps")
    assert (creep.becomes, creep.deposits) == ("mate", (3,))
    assert judged_with("behind-film-creeps", creep.chance, OIL) == "mate"
    assert "It would be Mate if the chance in assumption" in swing_words(record, found)[0]


def test_a_mate_that_hangs_on_an_assumption_says_which_and_rejudging_agrees(reads_drawings):
    # a large grain behind the sleeve: upper end 0.16, with its chance to move at the upper end 0.22
    grain, rules = deposit(1, Kind.PARTICLE, Surface.BARREL, 7500.0, 80.0), Rules(reach_limit=0.21)
    record, found = hanging(reads_drawings, grain, rules=rules)
    assert record.verdict == "mate"
    names = [each.assumption for each in found]
    assert names == ["behind-large-grain-loosens", "chamfer-is-pushed-ahead"]
    for each in found:
        assert each.becomes == "clean-first"
        assert judged_with(each.assumption, each.chance, grain, rules=rules) == "clean-first"
    assert judged_with(found[0].assumption, 0.01, grain, rules=rules) == "mate"


def test_where_another_rule_stops_no_assumption_flips_the_verdict(reads_drawings):
    record, found = hanging(reads_drawings, OIL, GRAIN)
    assert found == ()
    assert swing_words(record, found)[0].startswith("No single assumption")
    assert "No single assumption" in report_page(record, None, {})


# -- the table of rules ----------------------------------------------------------------------------


def test_the_table_of_rules_goes_from_retire_to_mate_and_names_real_settings():
    order = ["retire", "clean-first", "reshoot", "mate"]
    verdicts = [order.index(row.verdict) for row in RULE_TABLE]
    assert verdicts == sorted(verdicts)
    assert len({row.rule for row in RULE_TABLE}) == len(RULE_TABLE)
    assert all(row.setting is None or hasattr(Rules(), row.setting) for row in RULE_TABLE)
    assert all(len(row.source) > 5 for row in RULE_TABLE)


def test_the_printed_table_has_the_figures_of_the_record(reads_drawings):
    lines = rule_lines(inspected(reads_drawings, DUST).settings)
    assert any("[reach_limit = 0.1 share]" in line for line in lines)
    assert any("[cleanings_before_retire = 3]" in line for line in lines)


def test_a_figure_that_a_shop_set_says_so_and_names_the_default():
    lines = rule_lines({"rules": {"reach_limit": 0.05, "stop_fiber_um": 5.0}})
    (own,) = [line for line in lines if line.split(" ")[2] == "reach:"]
    assert "[reach_limit = 0.05 share] (set by the shop; the default of 0.1 for: upper 95 %" in own
    (same,) = [line for line in lines if "on-fiber:" in line]
    assert "set by the shop" not in same
