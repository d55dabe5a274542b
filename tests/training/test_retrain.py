"""Going on from known weights: it learns, it pauses and goes on as if it had not, it stops."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch

from fiberward.model.errors import ModelError
from fiberward.model.net import SightNet
from fiberward.synthetic.render import RenderPlan
from fiberward.training import retrain
from fiberward.training.augment import Patch
from fiberward.training.config import LossWeights
from fiberward.training.labels.label import NOT_ANNOTATED
from fiberward.training.replay import kept_replay, replay_patches
from fiberward.training.retrain import RetrainSettings, Trained, retrain_net, stop_parts
from fiberward.training.shop_pool import BatchPlan, Pool, Replay, as_batch

from .fake import TINY, fake_source

PLAN = BatchPlan(2, 1, (64, 64))
SETTINGS = RetrainSettings(
    steps=12, check_every=4, learning_rate=1e-2, plan=PLAN, net=TINY, patience=99
)


def pool() -> Pool:
    windows = list(replay_patches(fake_source, 4, crop=True))
    frames = list(replay_patches(fake_source, 4, crop=False))
    return Pool(windows, Replay(windows, frames), PLAN, 1, LossWeights())


@pytest.fixture
def parent(tmp_path: Path) -> Path:
    torch.manual_seed(3)
    path = tmp_path / "parent.pt"
    torch.save(SightNet(TINY).state_dict(), path)
    return path


def go(run: Path, parent: Path, settings: RetrainSettings = SETTINGS, said: list | None = None,
       minutes: float | None = None) -> Trained:  # fmt: skip
    stop = list(replay_patches(fake_source, 2, crop=True))
    tell = (said if said is not None else []).append
    return retrain_net(pool(), stop, settings, run, parent, minutes, tell)


def test_it_learns_and_keeps_the_best_average(tmp_path: Path, parent: Path) -> None:
    said: list[str] = []
    done = go(tmp_path / "run", parent, replace(SETTINGS, steps=60, check_every=20), said)
    assert done.done
    assert done.step == 60
    assert done.best_score > done.first_score
    assert any("minutes of training at most" in line for line in said)
    kept = json.loads((tmp_path / "run" / "best.json").read_text())
    assert kept["step"] == done.best_step


def test_a_pause_changes_nothing(tmp_path: Path, parent: Path) -> None:
    whole = go(tmp_path / "whole", parent)
    paused = go(tmp_path / "cut", parent, minutes=1e-4)
    assert not paused.done
    assert 0 < paused.step < 12
    while not paused.done:
        paused = go(tmp_path / "cut", parent, minutes=None)
    assert paused.step == whole.step
    for (name, a), b in zip(
        whole.net.state_dict().items(), paused.net.state_dict().values(), strict=True
    ):
        torch.testing.assert_close(a.float(), b.float(), rtol=0.02, atol=0.02, msg=name)


def test_it_stops_when_the_connectors_that_stop_gain_nothing(tmp_path: Path, parent: Path) -> None:
    settings = replace(SETTINGS, learning_rate=1e-9, steps=400, check_every=2, patience=3)
    assert go(tmp_path / "run", parent, settings).step <= 12


def test_better_surfaces_do_not_pay_for_lost_deposits(
    tmp_path: Path, parent: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The gate refuses such a net (`gate.FIRM`), so it is not the one to keep."""
    looks = iter([[0.80, 0.80], [0.95, 0.70], [0.83, 0.795], [0.99, 0.70]])
    monkeypatch.setattr(retrain, "stop_parts", lambda _net, _patches: next(looks))
    done = go(tmp_path / "run", parent)
    assert (done.step, done.best_step) == (12, 8)
    assert done.best_score == pytest.approx((0.83 + 0.795) / 2)


def test_a_run_of_other_settings_is_not_gone_on_with(tmp_path: Path, parent: Path) -> None:
    go(tmp_path / "run", parent)
    with pytest.raises(ModelError, match="begun with other settings"):
        go(tmp_path / "run", parent, replace(SETTINGS, learning_rate=2e-2))


def test_what_is_not_annotated_counts_neither_in_training_nor_in_the_score() -> None:
    patch = next(iter(replay_patches(fake_source, 2, crop=True)))
    surface, kind = patch.surface.copy(), patch.kind.copy()
    surface[:32], kind[:, :32] = NOT_ANNOTATED, NOT_ANNOTATED
    batch = as_batch([replace(patch, surface=surface, kind=kind)], LossWeights())
    assert not batch.surface_weight[:, :32].any()
    assert not batch.kind_weight[:, :, :32].any()
    torch.manual_seed(1)
    net = SightNet(TINY).eval()
    lies = replace(patch, surface=surface, kind=kind)
    blank = np.full_like(surface, NOT_ANNOTATED)
    assert stop_parts(net, [lies]) == pytest.approx(
        stop_parts(net, [lies, replace(patch, surface=blank, kind=blank)])
    )


def test_small_deposits_are_drawn_more_often_than_their_area_asks() -> None:
    """Two deposits, 4 px and 400 px: each crop's middle lies near one or the other."""
    size = (400, 800)
    instance = np.zeros(size, np.int32)
    instance[100:102, 100:102], instance[100:120, 700:720] = 1, 2
    kind = (instance > 0).astype(np.uint8)
    ones = np.ones(size, np.uint8)
    patch = Patch(np.zeros((*size, 3), np.uint8), ones, kind, instance, ones, 0 * ones)
    made = Pool([patch], Replay([patch], [patch]), PLAN, 1, LossWeights())
    chances = [place.chance for place in made.places[id(made.shop)]]
    assert chances[0] / chances[1] == pytest.approx(5.0)  # inverse to the diameters' 4 and 20


def test_the_replay_has_pictures_of_no_connector() -> None:
    plan = RenderPlan(4, 1, (480, 640), negative_share=0.2)
    assert fake_source(plan, 1).unlike.sum() >= 1  # what stands in for the renderer gives some
    assert any(patch.unlike for patch in replay_patches(fake_source, 4, crop=True))


def test_replayed_renders_are_made_once(tmp_path: Path) -> None:
    made = kept_replay(fake_source, 3, True, tmp_path)

    def no_source(plan: RenderPlan, seed: int) -> None:
        raise AssertionError("rendered again")

    again = kept_replay(no_source, 3, True, tmp_path)
    for one, other in zip(made, again, strict=True):
        for name, value in vars(one).items():
            np.testing.assert_array_equal(value, getattr(other, name))
