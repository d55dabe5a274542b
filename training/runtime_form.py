"""The net as the runtime computes it fastest: the same answers from the same weights, less work.

What differs from `model.net.WithProbabilities`, whose answers it must give (`training.export` holds
the two against each other):

- The picture is laid out by pixel phases while it is still bytes, and the division by `SCALE_DN`, a
  power of two, is done to the weights: exact.
- The first local convolution takes the decoder's features and the picture's pixels one by one and
  adds, so that they need not be copied into one array of 44 channels, which no blocked layout fits.
"""

from typing import cast

import torch
import torch.nn.functional as F
from torch import Tensor, nn
from torch.nn.utils.fusion import fuse_conv_bn_weights

from ..model.net import (
    MEAN_DN,
    SCALE_DN,
    Probabilities,
    SightNet,
    full_size,
    grouped_softmax,
    in_every_phase,
    mirrored_on,
)

__all__ = ["RuntimeForm"]


def folded(block: nn.Module) -> tuple[Tensor, Tensor]:
    """Weights and bias of a convolution with its batch norm, the first two parts of `block`."""
    conv, norm = (cast(nn.Sequential, block)[k] for k in (0, 1))
    assert isinstance(conv, nn.Conv2d)
    assert isinstance(norm, nn.BatchNorm2d)
    mean, var = norm.running_mean, norm.running_var
    assert mean is not None
    assert var is not None
    weight, bias = fuse_conv_bn_weights(
        conv.weight, conv.bias, mean, var, norm.eps, norm.weight, norm.bias
    )
    return weight.detach(), bias.detach()


class RuntimeForm(nn.Module):
    """uint8 [N, H, W, 3] RGB -> `Probabilities`; made of a net in eval mode."""

    def __init__(self, net: SightNet) -> None:
        super().__init__()
        self.net = net
        stem, stem_bias = folded(cast(nn.Sequential, net.stem[0]))
        local, local_bias = folded(cast(nn.Sequential, cast(nn.Sequential, net.local[0])[0]))
        deep = local.shape[1] - stem.shape[1]  # the decoder's channels come first
        self.stem = nn.Parameter(stem / SCALE_DN)
        self.stem_bias = nn.Parameter(stem_bias)
        self.local_deep = nn.Parameter(local[:, :deep].clone())
        self.local_fine = nn.Parameter(local[:, deep:] / SCALE_DN)
        self.local_bias = nn.Parameter(local_bias)

    def fine(self, picture: Tensor) -> Tensor:
        """The picture minus MEAN_DN by phases, [N, 12, h, w]; channel 4 c + phase."""
        planes = mirrored_on(mirrored_on(picture, 1), 2).permute(0, 3, 1, 2)
        n, h, w = planes.shape[0], planes.shape[2] // 2, planes.shape[3] // 2
        phases = planes.reshape(n, 3, h, 2, w, 2).permute(0, 1, 3, 5, 2, 4)
        return phases.reshape(n, 12, h, w).float() - MEAN_DN

    def forward(self, picture: Tensor) -> Probabilities:
        net = self.net
        fine = self.fine(picture)
        x = F.relu(F.conv2d(fine, self.stem, self.stem_bias, padding=1))
        skips: list[Tensor] = []
        for encode, down in zip(net.encode, net.down, strict=True):
            x = encode(x)
            skips.append(x)
            x = down(x)
        deep = net.whole(net.context(x))
        pooled = torch.cat([deep.mean(dim=(2, 3)), deep.amax(dim=(2, 3))], dim=1)
        x, coarse_surface, coarse_kind = net.decode(deep, skips)
        near = F.conv2d(fine, self.local_fine, self.local_bias, padding=1)
        near = F.relu(near + F.conv2d(x, self.local_deep, padding=1))
        for block in list(net.local)[1:]:
            near = block(near)
        kind = net.kind_head(x) + net.local_head(near)
        surface = in_every_phase(net.surface_head(x), coarse_surface)
        return Probabilities(
            full_size(grouped_softmax(surface), picture),
            full_size(grouped_softmax(in_every_phase(kind, coarse_kind)), picture),
            full_size(torch.sigmoid(net.unseen_head(x)), picture),
            torch.sigmoid(net.unlike_head(pooled)[:, 0]),
        )
