"""`fiberward compare` by the command line on drawn pictures of which the test knows all."""

import json

import cv2
import numpy as np
import pytest
from jsonschema import Draft202012Validator

from fiberward.inference import pipeline
from fiberward.inference.keep.comparison_file import COMPARISON_SCHEMA_FILE
from fiberward.inference.settings import Settings
from fiberward.inference.show.app import main
from fiberward.inference.show.compare_picture import SIZE_HW

GRAINS = ((300, 20, 90), (520, 100, 60), (560, 170, 120), (600, 250, 75), (400, 310, 100))


@pytest.fixture
def inspected(monkeypatch, reads_drawings, tmp_path, drawing, spot):
    """Draws a connector with these grains, inspects it, and gives the folder of the results."""
    monkeypatch.setattr(pipeline, "Segmenter", lambda model, threads: reads_drawings)
    monkeypatch.setattr(pipeline, "Settings", lambda: Settings(map_px=200))

    def inspect(name, grains, *options):
        paths = drawing.four(tuple(spot(*grain) for grain in grains))
        out = tmp_path / name
        common = ("--ferrule", "2.5", "--turn", "0,0,120,240", "--out", out, "--no-record")
        main(["inspect", *map(str, (*common, *options, *paths))])
        return out

    return inspect


def test_two_inspections_are_compared_and_the_picture_shows_both(inspected, tmp_path, capsys):
    before = inspected("before", (*GRAINS, (600, 60, 160)))
    after = inspected("after", (*GRAINS[1:], (200, 60, 160)))
    capsys.readouterr()
    out = tmp_path / "out"
    assert main(["compare", str(before), str(after / "inspection.json"), "--out", str(out)]) == 0
    told = capsys.readouterr().out
    assert "4 stayed, 1 moved, 1 gone, 0 new" in told
    assert "fiberward" in told
    document = json.loads((out / "compare.json").read_text())
    Draft202012Validator(json.loads(COMPARISON_SCHEMA_FILE.read_text())).validate(document)
    (moved,) = [pair for pair in document["pairs"] if pair["fate"] == "moved"]
    # the grain was drawn 400 um nearer to the fibre on the same meridian; 8 um per pixel
    assert abs(moved["fiberward_um"] - 400) < 16
    assert abs(moved["moved_um"] - 400) < 16
    drawn = cv2.imread(str(out / "comparison.png"))
    assert drawn.shape == (*SIZE_HW, 3)
    left, right = drawn[:, : SIZE_HW[1] // 2], drawn[:, SIZE_HW[1] // 2 :]
    assert np.abs(left.astype(int) - right).max(axis=2).mean() > 5


def test_json_on_the_terminal_is_the_document_that_is_written(inspected, tmp_path, capsys):
    before, after = inspected("before", GRAINS), inspected("after", GRAINS[1:])
    capsys.readouterr()
    out = tmp_path / "out"
    assert main(["compare", str(before), str(after), "--out", str(out), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads((out / "compare.json").read_text())


def test_a_refusal_is_exit_code_1_with_a_document_and_no_picture(inspected, tmp_path, capsys):
    before, after = inspected("before", GRAINS), inspected("after", ())
    out = tmp_path / "out"
    assert main(["compare", str(before), str(after), "--out", str(out)]) == 1
    assert "Not compared" in capsys.readouterr().out
    document = json.loads((out / "compare.json").read_text())
    assert (document["refused"], document["pairs"], document["match"]) == (True, [], "none")
    assert not (out / "comparison.png").exists()


def test_stated_label_and_turns_do_where_a_cleaning_left_nothing(inspected, tmp_path, capsys):
    before = inspected("before", GRAINS, "--connector", "P12-A")
    after = inspected("after", (), "--connector", "P12-A", "--stage", "cleaned")
    out = tmp_path / "out"
    assert main(["compare", str(before), str(after), "--out", str(out)]) == 0
    told = capsys.readouterr().out
    assert "0 stayed, 0 moved, 5 gone, 0 new" in told
    assert "particle on the endface: 5 of 5 gone" in told


def test_without_out_nothing_written_before_is_touched(inspected, tmp_path, monkeypatch):
    before, after = inspected("before", GRAINS), inspected("after", GRAINS)
    monkeypatch.chdir(tmp_path)
    for _ in range(2):
        assert main(["compare", str(before), str(after)]) == 0
    names = sorted(path.name for path in (tmp_path / "fiberward-comparisons").iterdir())
    assert names == ["after", "after-2"]


def test_a_folder_without_an_inspection_is_a_usage_error_that_says_what_to_do(tmp_path, capsys):
    assert main(["compare", str(tmp_path), str(tmp_path)]) == 2
    assert "fiberward inspect" in capsys.readouterr().err
