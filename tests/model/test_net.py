"""The net's contract: shapes, gradients, odd sizes, reproducible loading."""

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from fiberward.model.kinds import KIND_NAMES  # noqa: E402
from fiberward.model.net import (  # noqa: E402
    NetShape,
    SightNet,
    WithProbabilities,
    grouped_softmax,
    mirrored_on,
)
from fiberward.model.surfaces import SURFACE_NAMES  # noqa: E402

TINY = NetShape(widths=(8, 8, 8, 8, 8), encoder=(1, 1, 1, 1), dilations=(1,), heads=2)


def picture(n: int, h: int, w: int, seed: int = 0) -> "torch.Tensor":
    """Noise, uint8 [N,H,W,3]."""
    generator = torch.Generator().manual_seed(seed)
    return torch.randint(0, 256, (n, h, w, 3), dtype=torch.uint8, generator=generator)


@pytest.mark.parametrize(
    ("h", "w"),
    [
        (64, 96),  # a multiple of 32
        (33, 95),  # padded on both axes
        (31, 32),  # smaller than the deepest stride on one axis
        (1, 1),  # the smallest picture there is
    ],
)
def test_maps_have_the_pictures_own_size_whatever_it_is(h: int, w: int) -> None:
    net = SightNet(TINY).eval()
    with torch.no_grad():
        out = net(picture(2, h, w))
    assert out.surface.shape == (2, len(SURFACE_NAMES), h, w)
    assert out.kind.shape == (2, len(KIND_NAMES), h, w)
    assert out.unseen.shape == (2, 1, h, w)
    assert out.unlike.shape == (2,)
    assert all(torch.isfinite(maps).all() for maps in out)


@pytest.mark.parametrize(("h", "w"), [(64, 96), (33, 95), (40, 61)])
def test_a_picture_goes_on_mirrored_beyond_its_edge_as_numpy_mirrors_it(h: int, w: int) -> None:
    shown = picture(2, h, w)
    across, down = -w % 32, -h % 32
    expected = np.pad(shown.numpy(), ((0, 0), (0, down), (0, across), (0, 0)), mode="reflect")
    assert np.array_equal(mirrored_on(mirrored_on(shown, 1), 2).numpy(), expected)


def test_every_parameter_gets_a_gradient() -> None:
    net = SightNet(TINY).train()
    for weight in (net.local_head.weight, *net.coarse.parameters()):
        torch.nn.init.normal_(weight)  # start at zero, which would hide their branches
    out = net(picture(2, 64, 160))  # several keys for the attention
    # a different factor per pixel: a plain sum over a softmax-free head could cancel
    factor = torch.linspace(-1, 1, out.surface.numel()).reshape(out.surface.shape)
    total = (out.surface * factor).sum() + (out.kind * factor).sum()
    (total + out.unseen.square().sum() + out.unlike.sum()).backward()
    # a softmax over keys does not feel what is added to all of them
    still = [n for n, p in net.named_parameters() if p.grad is None or not p.grad.any()]
    assert set(still) <= {"whole.key.1.bias"}


def test_all_four_phases_of_the_pixel_shuffle_are_separate_outputs() -> None:
    net = SightNet(TINY).eval()
    with torch.no_grad():
        for phase in range(4):
            net.unseen_head.bias.zero_()
            net.unseen_head.weight.zero_()
            net.unseen_head.bias[phase] = 1.0
            unseen = net(picture(1, 32, 32)).unseen[0, 0]
            assert unseen[phase // 2 :: 2, phase % 2 :: 2].eq(1).all()
            assert unseen.sum() == 256


def test_probabilities_are_the_softmax_of_the_logits() -> None:
    net = SightNet(TINY).eval()
    with torch.no_grad():
        logits, p = net(picture(1, 37, 50)), WithProbabilities(net)(picture(1, 37, 50))
    torch.testing.assert_close(p.surface, torch.softmax(logits.surface, 1))
    torch.testing.assert_close(p.kind, torch.softmax(logits.kind, 1))
    torch.testing.assert_close(p.unseen, torch.sigmoid(logits.unseen))
    torch.testing.assert_close(p.unlike, torch.sigmoid(logits.unlike))


def test_softmax_of_huge_logits_stays_finite() -> None:
    maps = torch.tensor([1e4, -1e4]).repeat_interleave(4).reshape(1, 8, 1, 1)
    p = grouped_softmax(maps)
    assert torch.isfinite(p).all()
    assert p[0, :4].eq(1).all()


def test_an_output_does_not_depend_on_its_neighbours_in_the_batch() -> None:
    net = SightNet(TINY).eval()
    pictures = picture(3, 48, 40)
    with torch.no_grad():
        together, alone = net(pictures), net(pictures[1:2])
    torch.testing.assert_close(together.surface[1:2], alone.surface, atol=1e-5, rtol=1e-5)
    torch.testing.assert_close(together.unlike[1:2], alone.unlike, atol=1e-5, rtol=1e-5)


def test_a_far_corner_can_change_the_answer_elsewhere() -> None:
    """The global branch reaches far beyond the convolutions of this net."""
    net = SightNet(TINY)
    with torch.no_grad():
        first = picture(1, 32, 960)
        for layer in net.modules():
            if isinstance(layer, torch.nn.BatchNorm2d):
                layer.momentum = 1.0
        net(first)  # sets the batch norms' statistics
        net.eval()
        second = first.clone()
        second[:, :, -64:] = 255
        a, b = net.half_size(first), net.half_size(second)
    assert (a.surface[..., :16] - b.surface[..., :16]).abs().max() > 0


def test_the_shipped_shape_has_five_to_seven_million_parameters() -> None:
    count = sum(p.numel() for p in SightNet().parameters())
    assert 5e6 < count < 7e6
