"""A mate that a file claims is judged again by what the same file lists."""

import json
from dataclasses import replace

import pytest

from fiberward.inference.judge.rules import Rules
from fiberward.inference.judge.zones import read_table
from fiberward.inference.keep.inspection import Inspection
from fiberward.inference.keep.records import Records
from fiberward.inference.keep.records_files import import_file
from fiberward.inference.keep.rejudged import why_no_mate
from fiberward.inference.pipeline import Inspector
from fiberward.inference.request import Request
from fiberward.inference.see.connector_file import ConnectorFacts
from fiberward.inference.settings import Settings
from fiberward.inference.show.app import main
from fiberward.model.errors import UsageError
from fiberward.model.kinds import Kind

FACTS = ConnectorFacts(label="P1", ferrule_mm=2.5)
TURNS = (0.0, 0.0, 120.0, 240.0)


@pytest.fixture(scope="module")
def inspect(drawing_in, spot, reads_drawings, tmp_path_factory):
    """Inspects four drawn pictures of a plug with these spots."""

    def run(*spots, rules: Rules | None = None) -> Inspection:
        drawn = drawing_in(tmp_path_factory.mktemp("plug")).four(tuple(spot(*s) for s in spots))
        inspector = Inspector(reads_drawings, Settings(map_px=120, rules=rules or Rules()))
        return inspector.inspect(Request(tuple(drawn), TURNS, FACTS)).inspection

    return run


@pytest.fixture(scope="module")
def spotless(inspect) -> Inspection:
    return inspect()


@pytest.fixture(scope="module")
def dirty(inspect) -> Inspection:
    return inspect((600, 30, 60))


def written_over(dirty: Inspection, spotless: Inspection) -> Inspection:
    """A dirty connector's document with everything said of a clean one put over it."""
    return replace(
        dirty, verdict="mate", reasons=spotless.reasons, validity=spotless.validity, advice=(),
        deposits=tuple(replace(d, ruling=None, verdict_without="mate") for d in dirty.deposits),
    )  # fmt: skip


def test_a_mate_that_was_given_may_be_believed_also_after_it_was_a_file(spotless, inspect):
    assert spotless.verdict == "mate"
    assert why_no_mate(spotless) is None
    assert why_no_mate(Inspection.from_json(json.loads(json.dumps(spotless.to_json())))) is None
    # a shop's own rules and tables come back from the file as they were
    lax = Rules(stop_endface_um=100.0, zone_tables=(read_table("mm-pc"),))
    stays = inspect((600, 30, 60, Kind.FILM), rules=lax)
    assert [reason.rule for reason in stays.reasons] == ["nothing-found", "small"]
    again = Inspection.from_json(json.loads(json.dumps(stays.to_json())))
    assert why_no_mate(again) is None
    strict = {**again.settings, "rules": {**again.settings["rules"], "stop_endface_um": 5.0}}
    assert "(on-endface: " in str(why_no_mate(replace(again, settings=strict)))


def test_other_verdicts_are_not_asked(dirty):
    assert why_no_mate(dirty) is None
    assert why_no_mate(replace(dirty, verdict="retire", settings={})) is None


def test_a_verdict_written_over_a_dirty_connectors_is_found_out(dirty, spotless):
    why = why_no_mate(written_over(dirty, spotless))
    assert why is not None
    assert why.startswith("says mate, but what it lists gives clean-first (bridge: Deposit 1")


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        ({"coverage": {"endface": 0.5}}, "coverage"),
        ({"coverage_size_um": None}, "coverage"),
        ({"coverage_size_um": 60.0}, "coverage"),
        ({"views": ()}, "no-usable-view"),
        ({"shape_um": None, "views": ()}, "no-usable-view"),
    ],
)
def test_a_mate_without_its_evidence_is_found_out(spotless, change, rule):
    if "coverage" in change:
        change = {"coverage": {**spotless.coverage, **change["coverage"]}}
    assert f"({rule}: " in str(why_no_mate(replace(spotless, **change)))


def test_a_picture_that_could_not_be_read_and_a_net_that_misses_too_much_count(spotless):
    front, *others = spotless.views
    dark = replace(front, readable=False, why_not="all black")
    assert "gives reshoot" in str(why_no_mate(replace(spotless, views=(dark, *others))))
    blind = {**spotless.settings, "sight": {"recall": 0.6, "recall_low": 0.5, "deposits": 90}}
    assert "net-misses-too-much" in str(why_no_mate(replace(spotless, settings=blind)))


@pytest.mark.parametrize("settings", [{}, {"rules": 7}, {"rules": {"reach_limit": "x"}}])
def test_a_mate_that_cannot_be_judged_again_is_not_believed(spotless, settings):
    assert "lacks what a mate is judged by" in str(
        why_no_mate(replace(spotless, settings=settings))
    )


def test_an_import_and_a_joint_refuse_what_was_written_over(dirty, spotless, tmp_path, capsys):
    good, bad = tmp_path / "good.json", tmp_path / "bad.json"
    spotless.write(good)
    written_over(dirty, spotless).write(bad)
    with Records.open(str(tmp_path / "records.db")) as records:
        with pytest.raises(
            UsageError, match=r"bad\.json, line \d+, column \d+, key verdict: says mate, but"
        ):
            import_file(records, bad)
        assert import_file(records, good)[:2] == (1, 0)
    assert main(["joint", str(good), str(bad), "--sleeve", "new"]) == 2
    assert "bad.json: says mate, but" in capsys.readouterr().err


def test_reach_by_assumptions_of_another_version_is_taken_as_recorded(spotless, dirty):
    (grain,) = dirty.deposits
    far = replace(
        grain, surface="cavity", s_um=9000.0, s_min_um=8990.0, s_max_um=9010.0, size_um=60.0,
        ruling={"rule": "reach-low", "stops": False},
    )  # fmt: skip
    listed = replace(spotless, deposits=(far,))
    assert "(reach: " in str(why_no_mate(listed))  # by the shipped ones a large grain comes loose
    own = {**spotless.settings, "assumptions": {"id": "our-own/3"}}
    assert why_no_mate(replace(listed, settings=own)) is None


def test_the_record_holds_what_is_known_of_the_net(spotless):
    assert spotless.settings["sight"] == {"recall": 1.0, "recall_low": 0.99, "deposits": 300}
