"""Nets by name: the project's own, and two of torchvision's to hold it against, untrained.

All take uint8 [N, H, W, 3] RGB of any size and give `Logits` at that size, so that one loop trains
them on the same pictures and one export writes them as the same kind of file.
"""

from collections.abc import Mapping
from typing import Any, cast

import torch
import torch.nn.functional as F
from torch import Tensor, nn

from ..model.kinds import KIND_NAMES
from ..model.net import (
    CLEAN_BIAS,
    MEAN_DN,
    SCALE_DN,
    UNSEEN_BIAS,
    Logits,
    NetShape,
    Probabilities,
    SightNet,
    WithProbabilities,
)
from ..model.surfaces import SURFACE_NAMES
from .config import ARCHITECTURES

__all__ = ["BorrowedNet", "build_net", "gflop", "with_probabilities"]

PLANES = (len(SURFACE_NAMES), len(KIND_NAMES), 1)  # surface, kind, unseen


def build_net(name: str, shape: NetShape) -> nn.Module:
    """An untrained net: one of `ARCHITECTURES`. `shape` is that of the project's own net."""
    if name == ARCHITECTURES[0]:
        return SightNet(shape)
    from torchvision.models import segmentation

    kit: Any = segmentation
    plain = {"weights": None, "weights_backbone": None, "num_classes": sum(PLANES)}
    if name == ARCHITECTURES[1]:
        return BorrowedNet(kit.lraspp_mobilenet_v3_large(**plain), "high", 960)
    return BorrowedNet(kit.deeplabv3_resnet50(**plain), "out", 2048)


class BorrowedNet(nn.Module):
    """A segmentation net of torchvision's with our outputs; `unlike` from its deepest features.

    deep: the name of those features, `width` their channels.
    """

    def __init__(self, base: Any, deep: str, width: int) -> None:
        super().__init__()
        self.backbone: nn.Module = base.backbone
        self.classifier: nn.Module = base.classifier
        self.deep = deep
        self.unlike_head = nn.Sequential(nn.Linear(2 * width, 64), nn.ReLU(), nn.Linear(64, 1))
        last = [m for m in self.classifier.modules() if isinstance(m, nn.Conv2d)][-1]
        with torch.no_grad():  # as the project's own net begins
            bias = cast(Tensor, last.bias)
            bias[PLANES[0]] += CLEAN_BIAS
            bias[-1] = UNSEEN_BIAS

    def forward(self, picture: Tensor) -> Logits:
        x = (picture.permute(0, 3, 1, 2).float() - MEAN_DN) / SCALE_DN
        features = cast(Mapping[str, Tensor], self.backbone(x))
        deep = features[self.deep]
        maps = self.classifier(features if len(features) > 1 else deep)
        maps = F.interpolate(maps, size=x.shape[-2:], mode="bilinear", align_corners=False)
        split: Any = torch.split
        surface, kind, unseen = split(maps, PLANES, dim=1)
        pooled = torch.cat([deep.mean(dim=(2, 3)), deep.amax(dim=(2, 3))], dim=1)
        return Logits(surface, kind, unseen, self.unlike_head(pooled)[:, 0])


class PlainProbabilities(nn.Module):
    """Softmax and sigmoid after a net that has no form of its own for them."""

    def __init__(self, net: nn.Module) -> None:
        super().__init__()
        self.net = net

    def forward(self, picture: Tensor) -> Probabilities:
        out = cast(Logits, self.net(picture))
        return Probabilities(
            torch.softmax(out.surface, 1),
            torch.softmax(out.kind, 1),
            torch.sigmoid(out.unseen),
            torch.sigmoid(out.unlike),
        )


def with_probabilities(net: nn.Module) -> nn.Module:
    """The net in the form that is exported."""
    return WithProbabilities(net) if isinstance(net, SightNet) else PlainProbabilities(net)


def gflop(name: str, shape: NetShape, size_hw: tuple[int, int]) -> float:
    """Floating-point operations for one picture, 1e9; a multiplication and an addition are two.

    As torch counts them (convolutions and matrix products), without computing anything.
    """
    from torch.utils.flop_counter import FlopCounterMode

    net = build_net(name, shape).eval().to("meta")
    picture = torch.empty(1, *size_hw, 3, dtype=torch.uint8, device="meta")
    counter = FlopCounterMode(display=False)
    with counter, torch.no_grad():
        net(picture)
    return counter.get_total_flops() / 1e9
