"""Inspect, clean, inspect, by the command line on drawn pictures, until clean or retired."""

import json

import pytest

from fiberward.inference import pipeline
from fiberward.inference.keep.find_records import files_of, rows
from fiberward.inference.keep.records import Records
from fiberward.inference.keep.verify_records import verify
from fiberward.inference.settings import Settings
from fiberward.inference.show.app import main
from fiberward.inference.show.recorder import Recorder


@pytest.fixture
def shop(monkeypatch, reads_drawings, tmp_path, drawing, spot):
    """Inspects connector P12-A; each call draws it with or without a grain on its endface."""
    monkeypatch.setattr(pipeline, "Segmenter", lambda model, threads: reads_drawings)
    monkeypatch.setattr(pipeline, "Settings", lambda: Settings(map_px=120))
    monkeypatch.setenv("FIBERWARD_DB", str(tmp_path / "records.db"))
    count = iter(range(100))

    def inspect(*options, dirty=True, label="P12-A", spots=None):
        k = next(count)
        # a grain elsewhere each time, so that no two pictures are the same
        there = spots or ([spot(600, 10 + k, 60)] if dirty else [])
        paths = drawing.four(tuple(there))
        out = tmp_path / f"out{k}"
        named = ("--connector", label) if label else ()
        common = ("--ferrule", "2.5", "--turn", "0,0,120,240", "--out", out)
        code = main(["inspect", *map(str, (*common, *named, *options, *paths))])
        path = out / "inspection.json"
        return code, json.loads(path.read_text()) if path.exists() else None

    return inspect


CLEANED = ("--stage", "cleaned", "--method", "wet-dry")


def test_after_the_set_number_of_failed_cleanings_the_connector_is_retired(shop, tmp_path):
    verdicts = [shop("--stage", "as-received")[1]["verdict"]]
    documents = [shop(*CLEANED)[1] for _ in range(3)]
    verdicts += [document["verdict"] for document in documents]
    assert verdicts == ["clean-first", "clean-first", "clean-first", "retire"]
    assert [d["connector"]["attempt"] for d in documents] == [1, 2, 3]
    assert documents[2]["reasons"][0]["rule"] == "cleaning-failed"
    assert "Inspected before" in documents[0]["notes"][0]
    with Records.open() as records:
        found = rows(records)
        assert [row.attempt for row in found] == [None, 1, 2, 3]
        assert documents[2]["connector"]["follows"] == found[2].uid
        roles = {role for role, _, _ in files_of(records, found[0].uid)}
        assert {"picture", "travel-map"} <= roles
        assert verify(records).wrong == ()


def test_a_cleaning_that_worked_ends_the_count(shop):
    shop("--stage", "as-received")
    shop(*CLEANED)
    assert shop(*CLEANED, dirty=False)[0] == 0
    shop("--stage", "mated")
    document = shop(*CLEANED)[1]
    assert (document["verdict"], document["connector"]["attempt"]) == ("clean-first", 1)


def test_a_stated_attempt_wins_over_the_records(shop):
    assert shop(*CLEANED, "--attempt", "3")[1]["verdict"] == "retire"


def test_an_overruled_failure_does_not_count(shop, capsys):
    shop(*CLEANED)
    with Records.open() as records:
        uid = rows(records)[0].uid
    by = ("--by", "Ann", "--reason", "a shadow")
    assert main(["records", "overrule", uid[:8], "--verdict", "mate", *by]) == 0
    assert shop(*CLEANED)[1]["connector"]["cleanings_failed"] == 1
    assert main(["records", "list"]) == 0
    assert "Mate (by Ann; machine: Clean first)" in capsys.readouterr().out


def test_the_same_pictures_show_no_second_cleaning(shop, drawing, tmp_path, capsys):
    shop(*CLEANED, dirty=False)
    assert shop(*CLEANED, dirty=False)[0] == 2
    assert "show no new cleaning" in capsys.readouterr().err
    with Records.open() as records:
        assert len(rows(records)) == 1


def test_without_a_label_or_with_no_record_nothing_is_recorded(shop, tmp_path):
    assert shop(label=None)[0] == 1
    assert shop("--no-record")[0] == 1
    assert not (tmp_path / "records.db").exists()


def test_records_that_cannot_be_opened_stop_before_the_pictures(shop, tmp_path, capsys):
    (tmp_path / "records.db").write_bytes(b"something else" * 100)
    code, document = shop()
    assert (code, document) == (4, None)
    assert "no records database" in capsys.readouterr().err


def test_facts_that_contradict_the_records_stop_before_the_pictures(shop, tmp_path, capsys):
    shop()
    assert shop("--ferrule", "1.25")[0] == 2
    assert "recorded with ferrule_mm 2.5" in capsys.readouterr().err


def test_results_that_could_not_be_recorded_can_be_imported_later(shop, tmp_path, capsys):
    (tmp_path / "pictures").write_text("a file where the folder should be")
    code, document = shop()
    assert code == 4
    assert document is not None
    assert f"fiberward records import {tmp_path / 'out0' / 'inspection.json'}" in (
        capsys.readouterr().err
    )
    (tmp_path / "pictures").unlink()
    assert main(["records", "import", str(tmp_path / "out0" / "inspection.json")]) == 0
    assert main(["records", "verify"]) == 0


def test_a_picture_that_changed_since_is_not_kept_as_the_one_inspected(shop, monkeypatch, capsys):
    add = Recorder.add

    def change_and_add(self, inspection, request, folder):
        request.pictures[1].write_bytes(b"another picture")
        return add(self, inspection, request, folder)

    monkeypatch.setattr(Recorder, "add", change_and_add)
    assert shop()[0] == 4
    assert "is no longer the picture that was inspected" in capsys.readouterr().err
    with Records.open() as records:
        assert rows(records) == []


GRAINS = ((300, 20, 90), (520, 100, 60), (640, 170, 120), (400, 310, 100))


def test_a_cleaned_connector_is_compared_with_what_it_was_before(shop, spot, tmp_path, capsys):
    before = shop("--stage", "as-received", spots=[spot(*grain) for grain in GRAINS])[1]
    after = shop(*CLEANED, spots=[spot(*grain) for grain in GRAINS[1:]])[1]
    assert "3 stayed, 0 moved, 1 gone, 0 new" in capsys.readouterr().out
    document = json.loads((tmp_path / "out1" / "compare.json").read_text())
    assert document["match"] == "found"
    assert (tmp_path / "out1" / "comparison.png").exists()
    assert not (tmp_path / "out0" / "compare.json").exists()
    assert (document["before"]["stage"], document["after"]["stage"]) == ("as-received", "cleaned")
    assert (document["before"]["deposits"], document["after"]["deposits"]) == tuple(
        len(each["deposits"]) for each in (before, after)
    )
    with Records.open() as records:
        found = verify(records)
        assert (found.comparisons, found.wrong) == (1, ())
        # the maps come from the records, not from folders that may be gone by then
        names = {name for _, name, _ in files_of(records, rows(records)[0].uid)}
        assert "travel-map.limit.png" in names


def test_a_comparison_that_is_refused_is_told_and_kept_and_the_inspection_stands(
    shop, spot, tmp_path, capsys
):
    shop("--stage", "as-received", "--turn", "0,-,-,-", spots=[spot(*grain) for grain in GRAINS])
    code, document = shop(*CLEANED, dirty=False)
    assert (code, document["verdict"]) == (0, "mate")
    assert "Not compared" in capsys.readouterr().out
    assert json.loads((tmp_path / "out1" / "compare.json").read_text())["refused"]
    with Records.open() as records:
        assert verify(records).comparisons == 1


def test_a_second_look_at_the_same_stage_is_no_cleaning_and_not_compared(shop, tmp_path):
    shop("--stage", "as-received")
    shop("--stage", "as-received")
    assert not (tmp_path / "out1" / "compare.json").exists()
