"""The exported form of the net against the net itself, weights and batch-norm statistics drawn."""

import pytest
import torch
from torch import nn

from fiberward.model.net import NetShape, SightNet, WithProbabilities
from fiberward.training.runtime_form import RuntimeForm

TINY = NetShape(
    widths=(8, 8, 16, 16, 16), encoder=(1, 1, 1, 1), dilations=(1,), local_width=8, local=(1, 2)
)


@pytest.fixture(scope="module")
def net() -> SightNet:
    """A small net none of whose parts is neutral."""
    torch.manual_seed(5)
    net = SightNet(TINY).eval()
    with torch.no_grad():
        for part in net.modules():
            if isinstance(part, nn.BatchNorm2d):
                part.running_mean.uniform_(-0.5, 0.5)
                part.running_var.uniform_(0.5, 2.0)
                part.weight.uniform_(0.5, 1.5)
                part.bias.uniform_(-0.5, 0.5)
        for weight in (net.local_head.weight, *net.coarse.parameters()):
            weight.normal_(std=0.3)
    return net


@pytest.mark.parametrize("size_hw", [(64, 96), (33, 70), (1, 1), (31, 5)])
def test_the_exported_form_gives_the_net_s_own_answers(net, size_hw):
    picture = torch.randint(0, 256, (2, *size_hw, 3), dtype=torch.uint8)
    with torch.inference_mode():
        wanted = WithProbabilities(net)(picture)
        got = RuntimeForm(net).eval()(picture)
    for name in wanted._fields:
        ours, theirs = getattr(got, name), getattr(wanted, name)
        assert ours.shape == theirs.shape
        torch.testing.assert_close(ours, theirs, atol=2e-5, rtol=0)
    assert got.kind.std() > 0.01


def test_the_local_branch_s_view_of_the_picture_counts(net):
    picture = torch.randint(0, 256, (1, 64, 64, 3), dtype=torch.uint8)
    form = RuntimeForm(net).eval()
    with torch.inference_mode():
        before = form(picture).kind
        form.local_fine.mul_(0)
        assert (form(picture).kind - before).abs().max() > 1e-3


def test_the_coarse_logits_count_in_surfaces_and_kinds(net):
    picture = torch.randint(0, 256, (1, 64, 64, 3), dtype=torch.uint8)
    with torch.inference_mode():
        before = RuntimeForm(net).eval()(picture)
        net.coarse.kind_8.bias[1] += 2
        net.coarse.surface_16.bias[2] += 2
        after = RuntimeForm(net).eval()(picture)
    assert (after.kind[:, 1] > before.kind[:, 1]).all()
    assert (after.surface[:, 2] > before.surface[:, 2]).all()
