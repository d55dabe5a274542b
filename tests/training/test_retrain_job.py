"""A whole retraining with a tiny net: what is kept, what it says of itself, and what is refused."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image

from fiberward.inference.keep.model_store import ModelStore, StoredModel
from fiberward.inference.see.model_file import open_model
from fiberward.model.errors import ModelError
from fiberward.model.net import SightNet
from fiberward.synthetic.render import RenderPlan
from fiberward.training import curve_job, retrain_job
from fiberward.training.curve_job import run_curve
from fiberward.training.export import export_net
from fiberward.training.labels.check import check_folder
from fiberward.training.labels.index_masks import write_masks
from fiberward.training.labels.label import PictureLabel, instances_of
from fiberward.training.retrain import RetrainSettings
from fiberward.training.retrain_job import JobSettings, run_job
from fiberward.training.shop_pool import BatchPlan

from .fake import TINY, fake_source

LEARNING = RetrainSettings(
    steps=6, batches=2, check_every=3, replayed_windows=3, replayed_frames=3, asked_frames=2,
    plan=BatchPlan(2, 1, (64, 64)), net=TINY,
)  # fmt: skip
SETTINGS = JobSettings("shop", judged_renders=2, threads=1, learning=LEARNING)


@pytest.fixture
def parent(tmp_path: Path) -> tuple[ModelStore, StoredModel]:
    """A store with one net, of random weights."""
    store = ModelStore(tmp_path / "models")
    folder = store.folder / "parent"
    folder.mkdir(parents=True)
    torch.manual_seed(1)
    net = SightNet(TINY).eval()
    torch.save(net.state_dict(), folder / "weights.pt")
    about = {
        "um_per_px_range": [1.0, 9.0], "training_hash": "0", "scores": None,
        "training": {"step": 0, "steps": 0, "device": "a test"},
    }  # fmt: skip
    export_net(net, folder / "parent.onnx", fake_source, False, about)
    return store, store.find("parent")


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """Five connectors, a picture of each."""
    folder = tmp_path / "shop"
    folder.mkdir()
    made = fake_source(RenderPlan(6, 1, (96, 128)), 77)
    for k in range(1, 6):  # the first shows no connector
        name = f"c{k}-0.png"
        Image.fromarray(made.picture[k].numpy()).save(folder / name)
        kind = made.kind[k].numpy()
        surface = made.surface[k].numpy()
        write_masks(PictureLabel(name, surface, kind, instances_of(kind)), folder)
    return folder


@pytest.mark.long
def test_a_retraining_is_kept_with_its_parent_data_figures_and_reasons(
    parent: tuple[ModelStore, StoredModel], shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retrain_job, "render_source", lambda _device: fake_source)
    store, before = parent
    paused = run_job(check_folder(shop), store, before, replace(SETTINGS, minutes=1e-4))
    assert paused.model is None
    other = replace(SETTINGS, learning=replace(LEARNING, steps=9))
    with pytest.raises(ModelError, match="begun with other pictures, parent or settings"):
        run_job(check_folder(shop), store, before, other)
    done = run_job(check_folder(shop), store, before, SETTINGS)
    assert done.model is not None
    assert done.gate is not None
    assert store.active().name == "shipped"  # activation is another step
    _, card = open_model(done.model.onnx)
    assert card.id == "shop"
    assert card.scores is not None
    assert "recall_dirt" in card.scores
    about = json.loads((store.folder / "shop" / "retrain.json").read_text())
    assert about["parent"] == {"name": "parent", "sha256": before.sha256}
    hashes = {row["sha256"] for part in about["data"].values() for row in part}
    assert hashes == {view.picture.sha256 for view in check_folder(shop).data.views}
    assert about["gate"]["passed"] is done.gate.passed is done.model.gate_passed
    sets = {row["set"] for row in about["gate"]["rows"]}
    assert sets == {"shop", "renders", "foreign"}
    assert "labelled pictures of a shop" in (store.folder / "shop" / "model-card.md").read_text()
    card_text = (store.folder / "shop" / "model-card.md").read_text()
    assert "not chosen for this net" in card_text  # two random nets find nothing to choose by
    assert not (store.folder / "runs" / "shop").exists()
    assert np.isfinite(done.trained.best_score)


@pytest.mark.long
def test_what_the_check_found_speaks_against_activation(
    parent: tuple[ModelStore, StoredModel], shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retrain_job, "render_source", lambda _device: fake_source)
    store, before = parent
    Image.fromarray(np.zeros((9, 9), np.uint8)).save(shop / "c5-0.deposits.png")
    report = check_folder(shop)
    assert report.stops
    done = run_job(report, store, before, SETTINGS)
    assert done.gate is not None
    assert not done.gate.passed
    assert any("c5-0.deposits.png" in reason for reason in done.gate.reasons)


@pytest.mark.long
def test_the_learning_curve_asks_the_judges_and_keeps_no_net(
    parent: tuple[ModelStore, StoredModel], shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of five connectors one judges, one stops, three teach."""
    monkeypatch.setattr(curve_job, "render_source", lambda _device: fake_source)
    store, before = parent
    curve = run_curve(check_folder(shop), store, before, LEARNING, threads=1)
    assert curve is not None
    assert [(p.connectors, p.pictures, len(p.scores)) for p in curve.points] == [
        (0, 0, 1), (1, 1, 1), (2, 2, 1), (3, 3, 1)
    ]  # fmt: skip
    assert any("how sure is not known" in line for line in curve.lines())
    assert [model.name for model in store.models()] == ["shipped", "parent"]
    assert list((store.folder / "runs").iterdir()) == []
