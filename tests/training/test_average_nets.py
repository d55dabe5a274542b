"""A run's net averaged with the one that it went on from."""

import hashlib
import json
from pathlib import Path

import pytest
import torch

from fiberward.inference.show.app import main
from fiberward.model.errors import ModelError, UsageError
from fiberward.model.net import NetShape
from fiberward.training.average_nets import average_nets
from fiberward.training.checkpoint import load_ema, newest, read_tensors
from fiberward.training.export import about_run
from fiberward.training.loop import train
from fiberward.training.model_card import pictures_from

from .fake import fake_source, tiny_config


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A run of two steps, and the weights of another."""
    folder = tmp_path_factory.mktemp("runs")
    for name, seed in (("new", 1), ("old", 2)):
        train(tiny_config(steps=2, seed=seed), fake_source, folder / name, None)
    old = newest(folder / "old")
    assert old is not None
    return folder / "new", folder / "old" / old["folder"] / "ema.pt"


@pytest.mark.parametrize("share", [0.0, 0.25, 1.0])
def test_every_weight_lies_between_both_nets(
    runs: tuple[Path, Path], tmp_path: Path, share: float
) -> None:
    run, weights = runs
    written = read_tensors(average_nets(run, weights, share, tmp_path / "out"))
    new, old = load_ema(run)[0].state_dict(), read_tensors(weights)
    for name, value in new.items():
        if value.is_floating_point():
            wanted = share * value.double() + (1 - share) * old[name].double()
            torch.testing.assert_close(written[name].double(), wanted, rtol=1e-3, atol=1e-6)
        else:
            assert torch.equal(written[name], value)


def test_the_average_can_be_loaded_and_says_what_it_was_made_of(
    runs: tuple[Path, Path], tmp_path: Path
) -> None:
    run, weights = runs
    average_nets(run, weights, 0.6, tmp_path / "out")
    _, config, head = load_ema(tmp_path / "out")
    digest = hashlib.sha256(weights.read_bytes()).hexdigest()
    assert head["about"]["averaged"] == {"share": 0.6, "with_sha256": digest}
    about = about_run(config, head, None)
    assert about["training"]["averaged"]["share"] == 0.6
    _, _, plain = load_ema(run)
    assert about["training_hash"] != about_run(config, plain, None)["training_hash"]
    assert "0.6 of this run's net" in pictures_from(about["training"])


def test_a_folder_that_holds_a_run_is_left_alone(runs: tuple[Path, Path]) -> None:
    run, weights = runs
    before = (run / "last.json").read_bytes()
    with pytest.raises(UsageError, match="holds a run already"):
        average_nets(run, weights, 0.5, run)
    assert (run / "last.json").read_bytes() == before


def test_a_net_of_another_shape_is_refused(runs: tuple[Path, Path], tmp_path: Path) -> None:
    run, _ = runs
    wide = NetShape(widths=(8, 8, 8, 8, 16), encoder=(1, 1, 1, 1), dilations=(1,), heads=2)
    train(tiny_config(steps=2, net=wide), fake_source, tmp_path / "wide", None)
    head = newest(tmp_path / "wide")
    assert head is not None
    other = tmp_path / "wide" / head["folder"] / "ema.pt"
    with pytest.raises(ModelError, match="another shape"):
        average_nets(run, other, 0.5, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_the_command_writes_what_can_be_exported(
    runs: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run, weights = runs
    out = tmp_path / "average"
    code = main(["average-nets", str(run), str(weights), "--out", str(out), "--json"])
    assert code == 0
    assert json.loads(capsys.readouterr().out)["share"] == 0.5
    assert load_ema(out)[0] is not None
