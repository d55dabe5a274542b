"""Files whose every byte is well-formed and which still break a reader: found by fuzzing.

tests/bench/fuzz_readers.py found the first of each; here they stay.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from fiberward.inference.judge.assumed import SHIPPED, read_assumptions
from fiberward.inference.judge.zones import read_own_table
from fiberward.inference.keep.inspection import read_inspection
from fiberward.inference.keep.moves import read_moves
from fiberward.inference.see.connector_file import read_connector_file
from fiberward.inference.see.model_file import _card
from fiberward.inference.settings_file import read_settings
from fiberward.model.errors import FiberwardError, ModelError
from fiberward.model.toml_text import toml_table

DEEP = "[" * 20_000
HUGE = "9" * 400  # a whole number that no float holds


def refused(read: Callable[[Path], object], path: Path, text: str) -> str:
    """The one line with which a reader refuses a file of that text."""
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FiberwardError) as caught:
        read(path)
    said = str(caught.value)
    assert str(path) in said
    assert "\n" not in said
    return said


@pytest.mark.parametrize(
    "read", [read_settings, read_connector_file, read_own_table, read_assumptions]
)
def test_brackets_nested_by_the_thousand_are_refused_in_one_line(read, tmp_path: Path):
    assert "nested too deeply" in refused(read, tmp_path / "file.toml", f"label = {DEEP}")


def test_learnt_moves_nested_by_the_thousand_are_refused_in_one_line(tmp_path: Path):
    said = refused(lambda path: read_moves(path, "shipped"), tmp_path / "moves.json", DEEP)
    assert "cannot be read as learnt moves" in said


def test_an_inspection_nested_by_the_thousand_is_refused_in_one_line(tmp_path: Path):
    for text in (DEEP, f'{{"schema": {DEEP}'):
        said = refused(read_inspection, tmp_path / "inspection.json", text)
        assert "name an inspection.json" in said


@pytest.mark.parametrize("key", ["key_deg", "matings_so_far", "ferrule_mm"])
def test_a_number_beyond_all_sense_in_a_connector_s_file_is_refused(key, tmp_path: Path):
    assert key in refused(read_connector_file, tmp_path / "connector.toml", f"{key} = {HUGE}")
    assert key in refused(read_connector_file, tmp_path / "connector.toml", f"{key} = -{HUGE}")


def test_a_number_beyond_all_sense_in_assumptions_is_refused(tmp_path: Path):
    text = SHIPPED.read_text(encoding="utf-8")
    for key in ("front_um", "weight"):
        line = next(each for each in text.splitlines() if each.startswith(f"{key} ="))
        huge = text.replace(line, f"{key} = {HUGE}", 1)
        said = refused(read_assumptions, tmp_path / "own.toml", huge)
        assert "not a file of assumptions" in said


@pytest.mark.parametrize("value", ["1e999", "Infinity", "NaN", "[]", "null", DEEP])
def test_impossible_thresholds_in_a_model_file_are_refused(value):
    metadata = {
        "fiberward.schema": "fiberward.model/1",
        "surfaces": '["surround", "housing", "cavity", "barrel", "chamfer", "endface", "fiber"]',
        "kinds": '["clean", "particle", "lint", "film", "residue", "liquid", "damage"]',
        "um_per_px_range": "[1.0, 8.0]",
        "thresholds": f'{{"seed": 0.7, "grow": 0.4, "min_px": {value}}}',
        **dict.fromkeys(("calibration", "scores"), "null"),
        **dict.fromkeys(("training_hash", "code_version", "created_at"), "x"),
    }
    with pytest.raises(ModelError, match="wrong metadata"):
        _card(metadata, "", Path("sight.onnx"))


def test_the_depth_at_which_toml_is_given_up_is_told_as_a_wrong_value():
    with pytest.raises(ValueError, match="nested too deeply"):
        toml_table(f"a = {DEEP}")
    assert toml_table("a = [[[1]]]") == {"a": [[[1]]]}
