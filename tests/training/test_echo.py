"""Renders used again: the order they come in, and that nothing comes back the same."""

from dataclasses import replace

import pytest
import torch

from fiberward.synthetic.render import RenderPlan, Renders
from fiberward.training.config import LossWeights
from fiberward.training.echo import again, last_use, render_of
from fiberward.training.loop import Processes, Trainer
from fiberward.training.losses import prepare

from .fake import fake_source, tiny_config

ALONE = Processes(0, 1, torch.device("cpu"))
PLAN = RenderPlan(4, 2, (32, 48), crop=True, clean_share=0.2, negative_share=0.0)


@pytest.mark.parametrize(("echoes", "lag"), [(1, 5), (2, 3), (3, 4)])
def test_every_render_serves_as_often_as_asked_and_never_after_its_last_slot(
    echoes: int, lag: int
) -> None:
    slots = 40
    uses = [render_of(group, echoes, lag) for group in range(slots * echoes)]
    for render in range(lag * echoes, slots - lag * echoes):
        seen = [(k // echoes, echo) for k, (number, echo) in enumerate(uses) if number == render]
        assert [echo for _, echo in seen] == list(range(echoes))
        assert [slot for slot, _ in seen] == [render + echo * lag for echo in range(echoes)]
    for k, (number, _) in enumerate(uses):
        assert k // echoes <= last_use(number, echoes, lag)


def test_each_render_is_made_once_and_dropped_when_it_has_served() -> None:
    made: list[int] = []

    def counted(plan: RenderPlan, seed: int) -> Renders:
        made.append(seed)
        return fake_source(plan, seed)

    trainer = Trainer(tiny_config(echoes=3, echo_lag=2), counted, ALONE)
    for group in range(30):
        trainer.make_batches(group)
        assert len(trainer.pool) <= 5  # (echoes - 1) lag and the newest
    assert len(made) == len(set(made)) == 10


def test_a_call_that_goes_on_sees_what_an_unbroken_one_sees() -> None:
    config = tiny_config(echoes=2, echo_lag=3)
    unbroken = Trainer(config, fake_source, ALONE)
    seen = [unbroken.make_batches(group) for group in range(12)]
    resumed = Trainer(config, fake_source, ALONE)
    for group in range(9, 12):
        for one, other in zip(seen[group], resumed.make_batches(group), strict=True):
            assert all(torch.equal(v, getattr(other, k)) for k, v in vars(one).items())


def test_pictures_that_come_again_carry_their_own_labels() -> None:
    """A picture whose grey value is its label: exposed and turned anew, the labels still fit."""
    batch = prepare(fake_source(PLAN, 3), LossWeights())
    label = torch.zeros_like(batch.kind)
    label[:, :10, :20] = 1
    shown = (60 + 120 * label).to(torch.uint8)[..., None].expand(-1, -1, -1, 3)
    made = again(replace(batch, picture=shown, kind=label), 5)
    for picture, kind in zip(made.picture.float().mean(-1), made.kind, strict=True):
        assert picture[kind == 1].min() > picture[kind == 0].max()
    turned = [not torch.equal(kind, label[0]) for kind in made.kind]
    assert any(turned)
    assert not all(turned)
    assert not torch.equal(made.picture, shown)


def test_the_same_seed_exposes_the_same() -> None:
    batch = prepare(fake_source(PLAN, 3), LossWeights())
    first, second, other = (again(batch, seed).picture for seed in (7, 7, 8))
    assert torch.equal(first, second)
    assert not torch.equal(first, other)
