"""Who moves what, and that Muon on kernels is Muon on matrices (oracle: `torch.optim.Muon`)."""

from dataclasses import replace
from typing import Any, cast

import pytest
import torch

from fiberward.model.net import SightNet
from fiberward.training.loop import Processes, Trainer, learning_rate
from fiberward.training.optimiser import Muon, make_optimisers, orthogonal

from .fake import fake_source, tiny_config


def reference(matrix: torch.nn.Parameter) -> Any:
    """Torch's own, which takes matrices only."""
    kind: Any = getattr(torch.optim, "Muon", None)
    if kind is None:
        pytest.skip("this torch has no Muon to compare with (before 2.9)")
    return kind([matrix], lr=0.02, weight_decay=0.0)


@pytest.mark.parametrize("shape", [(8, 3, 3, 3), (32, 4, 1, 1)], ids=["wide", "tall"])
def test_kernels_move_as_the_reference_moves_matrices(shape: tuple[int, int, int, int]) -> None:
    torch.manual_seed(7)  # pyright: ignore[reportUnknownMemberType]
    kernel = torch.nn.Parameter(torch.randn(shape))
    matrix = torch.nn.Parameter(kernel.detach().flatten(1).clone())
    start = matrix.detach().clone()
    ours, theirs = Muon([kernel], 0.02), reference(matrix)
    for _ in range(5):
        kernel.grad = torch.randn(shape)
        matrix.grad = kernel.grad.flatten(1).clone()
        ours.step()
        theirs.step()
    moved = (matrix.detach() - start).norm()
    apart = (kernel.detach().flatten(1) - matrix.detach()).norm()
    assert apart < 0.02 * moved  # the reference computes in bfloat16


def test_a_move_has_singular_values_about_one_however_faint_a_direction_is() -> None:
    u = torch.linalg.qr(torch.randn(6, 6, generator=torch.Generator().manual_seed(1)))[0]
    v = torch.linalg.qr(torch.randn(9, 6, generator=torch.Generator().manual_seed(2)))[0]
    values = torch.tensor([5.0, 3.0, 1.0, 0.5, 0.2, 0.1])
    found = torch.linalg.svdvals(orthogonal((u * values @ v.T)[None])[0])
    assert float(found.min()) > 0.65
    assert float(found.max()) < 1.25


def test_no_gradient_no_move_and_no_division_by_zero() -> None:
    kernel = torch.nn.Parameter(torch.ones(2, 1, 3, 3))
    kernel.grad = torch.zeros_like(kernel)
    Muon([kernel], 0.02).step()
    assert torch.equal(kernel, torch.ones_like(kernel))


def test_every_number_of_the_net_has_exactly_one_optimiser() -> None:
    config = replace(tiny_config(), kernel_rate=0.02)
    net = SightNet(config.net)
    adam, muon = make_optimisers(net, config)
    moved = [id(p) for o in (adam, muon) for g in o.param_groups for p in g["params"]]
    assert sorted(moved) == sorted(id(p) for p in net.parameters())
    names = {id(p): name for name, p in net.named_parameters()}
    by_muon = {names[id(p)] for p in cast(Any, muon).param_groups[0]["params"]}
    assert not any("head" in name or "coarse" in name for name in by_muon)
    assert "stem.0.0.weight" in by_muon


def test_both_rates_keep_their_proportion_while_they_fall() -> None:
    config = replace(tiny_config(), kernel_rate=0.02)
    for optimiser in make_optimisers(SightNet(config.net), config):
        for group in optimiser.param_groups:
            assert group["share"] * config.learning_rate == pytest.approx(group["lr"])
    trainer = Trainer(config, fake_source, Processes(0, 1, torch.device("cpu")))
    for _ in range(config.warmup_steps + 2):
        trainer.step(trainer.make_batches(0)[0])
        adam, muon = (float(o.param_groups[0]["lr"]) for o in trainer.state.optimisers)
        assert adam == pytest.approx(learning_rate(config, trainer.state.step - 1))
        assert muon / adam == pytest.approx(0.02 / config.learning_rate)
    assert adam < config.learning_rate


def test_parts_that_are_held_still_have_no_optimiser() -> None:
    config = replace(tiny_config(), kernel_rate=0.02)
    net = SightNet(config.net)
    for p in net.stem.parameters():
        p.requires_grad_(False)
    moved = [p for o in make_optimisers(net, config) for g in o.param_groups for p in g["params"]]
    assert all(p is not q for p in moved for q in net.stem.parameters())
