"""Training settings: TOML in, unknown keys refused, the same object back from a checkpoint."""

from pathlib import Path

import pytest

import fiberward.training
from fiberward.model.errors import SettingsError
from fiberward.synthetic.render import RenderPlan
from fiberward.training.config import TrainingConfig, from_table, read_config


def test_a_config_survives_its_own_table() -> None:
    config = TrainingConfig(steps=777, batches=(RenderPlan(4, 1, (64, 32)),))
    assert from_table(TrainingConfig, config.as_table(), "test") == config


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("stepz = 3", "stepz"),  # misspelt at the top
        ("[loss]\nfibre = 2.0", "fibre"),  # misspelt in a table
        ("steps = 1.5", "steps"),  # not a whole number
        ("steps = true", "steps"),  # a bool is no number
        ("steps = 0", "steps"),  # out of range
        ("[[batches]]\nscenes = 1\nsets = 1\nsize_hw = [8]", "size_hw"),  # a width is missing
        ("[[batches]]\nscenes = 1\nsets = 1", "size_hw missing"),  # no size
        ("[[batches]]\nscenes = 0\nsets = 1\nsize_hw = [8, 8]", "batches"),  # no pictures
        ("chunks = 9\n[[batches]]\nscenes = 2\nsets = 2\nsize_hw = [8, 8]", "chunks"),  # too few
        ("batches = []", "batches"),  # nothing to train on
        ("warmup_steps = 10\nsteps = 5", "warmup_steps"),  # longer than the run
        ("[net]\nwidths = [8, 8]", "widths"),  # too few stages
        ("steps = ", "valid TOML"),  # broken file
    ],
)
def test_wrong_settings_are_refused_by_name(tmp_path: Path, text: str, named: str) -> None:
    path = tmp_path / "run.toml"
    path.write_text(text)
    with pytest.raises(SettingsError, match=named) as caught:
        read_config(path)
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="nowhere.toml"):
        read_config(tmp_path / "nowhere.toml")


def test_every_shipped_config_can_be_read() -> None:
    folder = Path(next(iter(fiberward.training.__path__)), "configs")
    paths = sorted(folder.glob("*.toml"))
    assert paths
    assert all(isinstance(read_config(path), TrainingConfig) for path in paths)


def test_whole_numbers_serve_as_floats_and_lists_as_tuples(tmp_path: Path) -> None:
    path = tmp_path / "run.toml"
    path.write_text(
        "clip = 3\n[[batches]]\nscenes = 2\nsets = 2\nsize_hw = [32, 64]\n[net]\nheads = 2"
    )
    config = read_config(path)
    assert config.clip == 3.0
    assert config.batches == (RenderPlan(2, 2, (32, 64)),)
    assert config.net.heads == 2
