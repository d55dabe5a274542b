"""Going on from known weights: it learns, it pauses and goes on as if it had not, it stops."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch

from fiberward.model.errors import ModelError
from fiberward.model.kinds import KIND_NAMES, Kind
from fiberward.model.net import Logits, SightNet
from fiberward.synthetic.render import RenderPlan
from fiberward.training import checkpoint, loop, replay, retrain
from fiberward.training.augment import Patch
from fiberward.training.config import LossWeights
from fiberward.training.labels.label import NOT_ANNOTATED
from fiberward.training.loop import Processes
from fiberward.training.replay import kept_replay, replay_patches
from fiberward.training.retrain import (
    Limits,
    RetrainSettings,
    ShopTrainer,
    Trained,
    layer_scores,
    retrain_net,
    stop_parts,
)
from fiberward.training.shop_pool import BatchPlan, Pool, Replay, as_batch

from .fake import TINY, fake_source

PLAN = BatchPlan(2, 1, (64, 64))
SETTINGS = RetrainSettings(
    steps=12, batches=2, check_every=4, learning_rate=1e-2, plan=PLAN, net=TINY, patience=99
)


def pool() -> Pool:
    windows = list(replay_patches(fake_source, 4, crop=True))
    frames = list(replay_patches(fake_source, 4, crop=False))
    return Pool(windows, Replay(windows, frames), PLAN, 1, LossWeights())


@pytest.fixture(autouse=True)
def small_renders(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is asked here hangs on no picture's size; whole ones would take minutes."""
    monkeypatch.setattr(replay, "WINDOW_HW", (96, 128))
    monkeypatch.setattr(replay, "FRAME_HW", (144, 192))


@pytest.fixture
def parent(tmp_path: Path) -> Path:
    torch.manual_seed(3)
    path = tmp_path / "parent.pt"
    torch.save(SightNet(TINY).state_dict(), path)
    return path


def go(run: Path, parent: Path, settings: RetrainSettings = SETTINGS, said: list | None = None,
       limits: Limits | None = None) -> Trained:  # fmt: skip
    stop = list(replay_patches(fake_source, 2, crop=True))
    tell = (said if said is not None else []).append
    return retrain_net(pool(), stop, settings, run, parent, limits or Limits(), tell)


def test_it_learns_and_keeps_the_best_average(tmp_path: Path, parent: Path) -> None:
    said: list[str] = []
    done = go(tmp_path / "run", parent, replace(SETTINGS, steps=60, check_every=20), said)
    assert done.done
    assert done.step == 60
    assert done.best_score > done.first_score
    assert any("minutes of training at most" in line for line in said)
    kept = json.loads((tmp_path / "run" / "best.json").read_text())
    assert kept["step"] == done.best_step


def test_a_pause_changes_nothing(
    tmp_path: Path, parent: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At a gentle rate and in full precision: else the rounding at a pause grows with each step."""
    monkeypatch.setattr(loop, "computes_in_bf16", lambda _device_type: False)
    settings = replace(SETTINGS, learning_rate=1e-3)
    whole = go(tmp_path / "whole", parent, settings)
    paused = go(tmp_path / "cut", parent, settings, limits=Limits(pause_after=1e-4))
    assert not paused.done
    assert 0 < paused.step < 12
    while not paused.done:
        paused = go(tmp_path / "cut", parent, settings)
    assert paused.step == whole.step
    averages = [checkpoint.load_ema(tmp_path / run)[0].state_dict() for run in ("whole", "cut")]
    for (name, a), b in zip(averages[0].items(), averages[1].values(), strict=True):
        torch.testing.assert_close(a.float(), b.float(), rtol=0.02, atol=0.002, msg=name)


def test_a_run_whose_time_is_over_is_done(tmp_path: Path, parent: Path) -> None:
    """What was learnt until then is looked at, though no look was due."""
    settings = replace(SETTINGS, steps=10**6, check_every=10**6)
    said: list[str] = []
    done = go(tmp_path / "run", parent, settings, said, Limits(end_after=0.02))
    assert done.done
    assert done.step < settings.steps
    assert any(line.startswith(f"step {done.step} of") for line in said)


def test_what_comes_first_of_pause_and_end_holds(tmp_path: Path, parent: Path) -> None:
    settings = replace(SETTINGS, steps=10**6, check_every=10**6)
    assert not go(tmp_path / "run", parent, settings, limits=Limits(1e-4, 60.0)).done


def test_it_stops_when_the_connectors_that_stop_gain_nothing(tmp_path: Path, parent: Path) -> None:
    settings = replace(
        SETTINGS, learning_rate=1e-9, kernel_rate=1e-9, steps=400, check_every=2, patience=3
    )
    assert go(tmp_path / "run", parent, settings).step <= 12


def test_better_surfaces_do_not_pay_for_lost_deposits(
    tmp_path: Path, parent: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The gate refuses such a net (`gate.FIRM`), so it is not the one to keep."""
    whole, middle = [0.95, 0.70], [0.83, 0.795]
    looks = iter([[0.80, 0.80], whole, middle, [0.99, 0.70], [0.81, 0.81], [0.7, 0.7], [0.7, 0.7]])
    monkeypatch.setattr(retrain, "stop_parts", lambda _net, _patches: next(looks))
    done = go(tmp_path / "run", parent)
    assert (done.step, done.best_step, done.best_share) == (12, 4, 0.5)
    assert done.best_score == pytest.approx((0.83 + 0.795) / 2)


def test_what_was_forgotten_of_renders_is_no_gain(
    tmp_path: Path, parent: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop, render = [[0.8], [0.9], [0.85]], [[0.7], [0.6], [0.7]]  # parent, all, half of what is new
    looks = iter([each for pair in zip(shop, render, strict=True) for each in pair])
    monkeypatch.setattr(retrain, "stop_parts", lambda _net, _patches: next(looks))
    made = pool()
    made.replay = replace(made.replay, asked=made.replay.frames)
    settings = replace(SETTINGS, steps=4)
    done = retrain_net(made, [], settings, tmp_path / "run", parent, Limits(), lambda _line: None)
    assert (done.best_share, done.best_score) == (0.5, 0.85)


def test_half_of_what_was_learnt_lies_midway_between_parent_and_average(
    tmp_path: Path, parent: Path
) -> None:
    alone = Processes(0, 1, torch.device("cpu"))
    trainer = ShopTrainer(SETTINGS.config(), pool(), alone, parent)
    trainer.begin()
    name = "surface_head.weight"
    trainer.state.ema[name] += 1.0
    gap = trainer.net_with(0.5).state_dict()[name] - trainer.net_with(0.0).state_dict()[name]
    torch.testing.assert_close(gap, torch.full_like(gap, 0.5))
    begun = torch.load(parent, weights_only=True)[name]
    torch.testing.assert_close(trainer.net_with(0.0).state_dict()[name], begun)


def test_weights_of_another_shape_are_not_begun_with(tmp_path: Path, parent: Path) -> None:
    with pytest.raises(ModelError, match=r"^.*parent\.pt: does not fit .*--parent shipped.*$"):
        go(tmp_path / "run", parent, replace(SETTINGS, net=replace(TINY, local_width=9)))


def test_a_run_of_other_settings_is_not_gone_on_with(tmp_path: Path, parent: Path) -> None:
    go(tmp_path / "run", parent)
    with pytest.raises(ModelError, match="begun with other settings"):
        go(tmp_path / "run", parent, replace(SETTINGS, learning_rate=2e-2))


def test_what_is_not_annotated_counts_neither_in_training_nor_in_the_score() -> None:
    patch = next(iter(replay_patches(fake_source, 2, crop=True)))
    surface, kind = patch.surface.copy(), patch.kind.copy()
    surface[:32], kind[:, :32] = NOT_ANNOTATED, NOT_ANNOTATED
    batch = as_batch([replace(patch, surface=surface, kind=kind)], LossWeights(), 0)
    assert not batch.surface_weight[:, :32].any()
    assert not batch.kind_weight[:, :, :32].any()
    torch.manual_seed(1)
    net = SightNet(TINY).eval()
    lies = replace(patch, surface=surface, kind=kind)
    blank = np.full_like(surface, NOT_ANNOTATED)
    assert stop_parts(net, [lies]) == pytest.approx(
        stop_parts(net, [lies, replace(patch, surface=blank, kind=blank)])
    )


class Says(torch.nn.Module):
    """Answers one picture after the other with a kind map."""

    def __init__(self, answers: list[np.ndarray]) -> None:
        super().__init__()
        self.weight = torch.nn.Parameter(torch.zeros(1))
        self.answers = iter(answers)

    def forward(self, _picture: torch.Tensor) -> Logits:
        kind = torch.as_tensor(next(self.answers)).long()
        planes = torch.nn.functional.one_hot(kind, len(KIND_NAMES)).permute(2, 0, 1)[None].float()
        surface = torch.zeros_like(planes)
        return Logits(surface, planes, planes[:, :1], planes[:, 0, 0, 0])


def test_a_picture_of_one_large_film_counts_no_more_than_one_of_grains() -> None:
    """Dice with 200 px above and below: the lost film (0.02), the grain found (1), their mean."""
    patch = next(iter(replay_patches(fake_source, 1, crop=True)))
    shape = (128, 128)
    film, grain, clean = (np.zeros(shape, np.uint8) for _ in range(3))
    film[:100, :100], grain[:8, :8] = Kind.FILM, Kind.PARTICLE
    pictures = [
        replace(
            patch, rgb=np.zeros((*shape, 3), np.uint8), surface=clean, kind=kind,
            weight=np.ones(shape, np.uint8),
        )
        for kind in (film, grain)
    ]  # fmt: skip
    _, dice = layer_scores(Says([clean, grain]), pictures)
    assert dice == pytest.approx((200 / (100 * 100 + 200) + 1) / 2)


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
