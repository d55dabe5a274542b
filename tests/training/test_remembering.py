"""What a retraining must leave as it was, checked against PyTorch's own divergences."""

from pathlib import Path

import pytest
import torch
from torch import Tensor
from torch.distributions import Bernoulli, Categorical, kl_divergence

from fiberward.model.net import Logits, SightNet
from fiberward.model.surfaces import Surface
from fiberward.training import replay
from fiberward.training.config import LossWeights
from fiberward.training.loop import Processes
from fiberward.training.remembering import departure
from fiberward.training.retrain import ShopTrainer
from fiberward.training.shop_pool import ShopBatch

from .fake import TINY
from .test_retrain import SETTINGS, pool

PLAIN = LossWeights(fiber=1.0, chamfer=1.0, clean_share=1.0)


def answers(seed: int, n: int = 2, h: int = 6, w: int = 8) -> Logits:
    random = torch.Generator().manual_seed(seed)
    return Logits(*(torch.randn(*size, generator=random, requires_grad=True) for size in
                    ((n, 7, h, w), (n, 7, h, w), (n, 1, h, w), (n,))))  # fmt: skip


def pixels(out: Logits) -> Tensor:
    return torch.ones(out.kind.shape[0], *out.kind.shape[2:])


def test_an_unchanged_answer_costs_nothing_and_pulls_nowhere() -> None:
    out = answers(1)
    before = Logits(*(value.detach().clone() for value in out))
    kept = departure(out, before, pixels(out), LossWeights())
    kept.total.backward()
    assert kept.total.item() == pytest.approx(0.0, abs=1e-6)
    for value in out:
        torch.testing.assert_close(value.grad, torch.zeros_like(value), atol=1e-6, rtol=0)


def test_each_part_is_the_divergence_as_pytorch_reckons_it() -> None:
    out, before = answers(1), answers(2)
    parts = departure(out, before, pixels(out), PLAIN).parts
    for name in ("surface", "kind"):
        now, then = (Categorical(logits=getattr(a, name).movedim(1, -1)) for a in (out, before))
        torch.testing.assert_close(parts[f"kept_{name}"], kl_divergence(then, now).mean().detach())
    for name in ("unseen", "unlike"):
        now, then = (Bernoulli(logits=getattr(a, name)) for a in (out, before))
        torch.testing.assert_close(parts[f"kept_{name}"], kl_divergence(then, now).mean().detach())


def test_a_forgotten_grain_costs_more_than_as_many_pixels_of_clean_ground() -> None:
    before = answers(2)
    calm = Logits(torch.zeros(1, 7, 8, 8), torch.zeros(1, 7, 8, 8), before.unseen, before.unlike)
    calm.kind[:, 0] = 8.0
    calm.kind[0, :, 2, 2] = torch.tensor([0.0, 8, 0, 0, 0, 0, 0])

    def cost_of(y: int, x: int, weight: Tensor) -> float:
        kind = calm.kind.clone()
        kind[0, :, y, x] = 0.0
        changed = Logits(calm.surface, kind, before.unseen, before.unlike)
        return departure(changed, calm, weight, LossWeights()).parts["kept_kind"].item()

    plain, grain = torch.ones(1, 8, 8), torch.ones(1, 8, 8)
    grain[0, 2, 2] = 8.0
    assert cost_of(2, 2, plain) == pytest.approx(cost_of(5, 5, plain), rel=1e-5)
    assert cost_of(2, 2, grain) > 2 * cost_of(5, 5, grain)


def test_a_forgotten_fibre_costs_more_than_as_much_surround() -> None:
    before = answers(2)
    surface = torch.zeros(1, 7, 8, 8)
    surface[:, int(Surface.SURROUND)] = 8.0
    surface[0, :, 2, 2] = 0.0
    surface[0, int(Surface.FIBER), 2, 2] = 8.0
    calm = Logits(surface, torch.zeros(1, 7, 8, 8), before.unseen, before.unlike)

    def cost_of(y: int, x: int) -> float:
        other = surface.clone()
        other[0, :, y, x] = 0.0
        changed = Logits(other, calm.kind, before.unseen, before.unlike)
        return departure(changed, calm, pixels(calm), LossWeights()).parts["kept_surface"].item()

    assert cost_of(2, 2) == pytest.approx(LossWeights.fiber * cost_of(5, 5), rel=0.01)


def test_renders_teach_nothing_while_nothing_is_forgotten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(replay, "FRAME_HW", (144, 192))
    torch.manual_seed(3)
    torch.save(SightNet(TINY).state_dict(), tmp_path / "parent.pt")
    made = pool()
    alone = Processes(0, 1, torch.device("cpu"))
    trainer = ShopTrainer(SETTINGS.config(), made, alone, tmp_path / "parent.pt")
    trainer.begin()
    batches = [made.batch(number) for number in range(30)]
    only_renders = next(b for b in batches if b.replayed == b.picture.shape[0])
    with_shop = next(b for b in batches if 0 < b.replayed < b.picture.shape[0])

    def steepest(batch: ShopBatch) -> float:
        trainer.state.optimisers[0].zero_grad()
        trainer.descend(batch, 1.0)
        slopes = [p.grad for p in trainer.state.net.parameters() if p.grad is not None]
        return max(float(slope.abs().max()) for slope in slopes)

    assert steepest(only_renders) < 1e-5
    assert steepest(with_shop) > 1e-2
