"""The net, in one torch module: a picture in, surfaces, kinds, unseen and unlike out.

    uint8 [N, H, W, 3] RGB, any H and W
      -> mirror at the lower and right edge to a multiple of 32, normalise, pixel-unshuffle to /2
      -> stages at /2, /4, /8, /16, /32 of residual blocks; dilated blocks at /32
      -> global branch at /32: attention over the whole picture and a pooled vector, because
         surround, housing and cavity look alike within a small window
      -> back up to /2 by adding the skips -> 1x1 convolutions, plus coarse logits of the /16 and
         /8 maps are added, and pixel shuffle to [N, ., H, W]

Batch norm and ReLU only, so that the convolutions fold and quantise to int8. All that the net needs
to know about a picture (channel order, scaling, padding) lives in here; nobody normalises outside.
This is the one module of `model/` that imports torch; `inference/` never imports it.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import NamedTuple, cast

import torch
import torch.nn.functional as F
from torch import Tensor, nn

from .kinds import KIND_NAMES
from .surfaces import SURFACE_NAMES

__all__ = ["Logits", "NetShape", "Probabilities", "SightNet", "WithProbabilities", "mirrored_on"]

MULTIPLE_PX = 32  # the deepest stage's stride
MEAN_DN, SCALE_DN = (
    110.0,
    64.0,
)  # fixed, never per picture: a stretch would blow up the noise of clean views
CLEAN_BIAS, UNSEEN_BIAS = (
    3.0,
    -3.0,
)  # most pixels are clean and seen; starts the losses near their prior


@dataclass(frozen=True)
class NetShape:
    """Widths and depths; `asdict` of it travels in checkpoints.

    widths: channels at /2, /4, /8, /16, /32. encoder, decoder: blocks of two
    convolutions per stage, from /2 down.
    dilations: one residual block at /32 each.
    local_width, local: the kinds' own branch at /2: channels, and the dilation of each convolution.
    """

    widths: tuple[int, int, int, int, int] = (24, 40, 80, 160, 256)
    encoder: tuple[int, int, int, int] = (0, 1, 2, 2)
    decoder: tuple[int, int, int, int] = (1, 1, 1, 1)
    dilations: tuple[int, ...] = (1, 2, 4)
    heads: int = 4
    local_width: int = 24
    local: tuple[int, ...] = (1, 2, 4)

    def as_dict(self) -> dict[str, object]:
        """Plain values only."""
        return asdict(self)


class Logits(NamedTuple):
    """Before softmax and sigmoid, at the picture's own size."""

    surface: Tensor  # [N, 7, H, W]
    kind: Tensor  # [N, 7, H, W]
    unseen: Tensor  # [N, 1, H, W]
    unlike: Tensor  # [N]


class Probabilities(NamedTuple):
    """What the ONNX file gives, shaped like `Logits`, in 0..1; surface and kind sum to 1."""

    surface: Tensor
    kind: Tensor
    unseen: Tensor
    unlike: Tensor


def conv_bn(
    c_in: int, c_out: int, size: int = 3, stride: int = 1, dilation: int = 1
) -> nn.Sequential:
    """Convolution without bias, then batch norm."""
    pad = dilation * (size // 2)
    conv = nn.Conv2d(c_in, c_out, size, stride, pad, dilation, bias=False)
    return nn.Sequential(conv, nn.BatchNorm2d(c_out))


class ResidualBlock(nn.Module):
    """Two 3x3 convolutions beside the identity."""

    def __init__(self, channels: int, dilation: int = 1) -> None:
        super().__init__()
        self.first = conv_bn(channels, channels, dilation=dilation)
        self.second = conv_bn(channels, channels, dilation=dilation)

    def forward(self, x: Tensor) -> Tensor:
        return F.relu(x + self.second(F.relu(self.first(x))))


class GlobalBranch(nn.Module):
    """What the whole picture says, fed back to every place at /32.

    Each place attends to the picture at /64 (a quarter of the keys, so that a 5-megapixel
    picture stays affordable) and sees the picture's mean. Every map is batch-normalised: without,
    one step of the optimiser moves the deepest features of the whole picture at once, and the net
    hardly learns.
    """

    def __init__(self, channels: int, heads: int) -> None:
        super().__init__()
        self.heads, self.width = heads, channels // 2 // heads
        inner = self.heads * self.width
        self.query = conv_bn(channels, inner, 1)
        self.key = conv_bn(channels, inner, 1)
        self.value = conv_bn(channels, inner, 1)
        self.back = conv_bn(inner + channels, channels, 1)

    def split(self, x: Tensor) -> Tensor:
        """[N, heads * width, h, w] -> [N, heads, h * w, width]."""
        n = x.shape[0]
        return x.reshape(n, self.heads, self.width, -1).transpose(2, 3)

    def forward(self, x: Tensor) -> Tensor:
        n, _, h, w = x.shape
        coarse = F.avg_pool2d(x, 3, 2, 1, count_include_pad=False)
        q = self.split(self.query(x)) * self.width**-0.5
        k, v = self.split(self.key(coarse)), self.split(self.value(coarse))
        seen = torch.softmax(q @ k.transpose(2, 3), dim=-1) @ v  # [N, heads, h * w, width]
        seen = seen.transpose(2, 3).reshape(n, self.heads * self.width, h, w)
        everywhere = x.mean(dim=(2, 3), keepdim=True).expand_as(x)
        return F.relu(x + self.back(torch.cat([seen, everywhere], dim=1)))


class UpStage(nn.Module):
    """Deeper features to the skip's width, doubled, added to the skip, then refined.

    The refining convolutions have no way round them: a net that may skip them (residual blocks
    starting as the identity were tried) takes thousands of steps to place an edge finer than the
    deep features' own squares.
    """

    def __init__(self, c_deep: int, c_skip: int, blocks: int) -> None:
        super().__init__()
        self.narrow = conv_bn(c_deep, c_skip, 1)
        self.refine = nn.Sequential(
            *(nn.Sequential(conv_bn(c_skip, c_skip), nn.ReLU()) for _ in range(2 * blocks))
        )

    def forward(self, deep: Tensor, skip: Tensor) -> Tensor:
        up = F.interpolate(self.narrow(deep), scale_factor=2.0, mode="nearest")
        return self.refine(F.relu(up + skip))


def local_branch(c_in: int, shape: NetShape) -> nn.Sequential:
    """Convolutions at /2 that see the picture's own pixels beside the decoder's features.

    A grain of 4 px is gone from the deeper stages; here it is found by its contrast, and what the
    decoder says (surface, blur) tells whether that contrast is a grain.
    """
    widths = (c_in, *[shape.local_width] * len(shape.local))
    return nn.Sequential(
        *(
            nn.Sequential(conv_bn(a, b, dilation=d), nn.ReLU())
            for a, b, d in zip(widths, widths[1:], shape.local, strict=False)
        )
    )


class CoarseLogits(nn.Module):
    """What the decoder's /16 and /8 maps say by themselves, added to the fine logits.

    A short way from the loss to the deep features: without it this net learns several times more
    slowly. The heads begin at zero.
    """

    def __init__(self, c_16: int, c_8: int) -> None:
        super().__init__()
        self.surface_16 = nn.Conv2d(c_16, len(SURFACE_NAMES), 1)
        self.surface_8 = nn.Conv2d(c_8, len(SURFACE_NAMES), 1)
        self.kind_8 = nn.Conv2d(c_8, len(KIND_NAMES), 1)
        for value in self.parameters():
            nn.init.zeros_(value)

    def forward(self, at_16: Tensor, at_8: Tensor) -> tuple[Tensor, Tensor]:
        """Surface and kind logits at /2, [N, classes, h, w]."""
        surface = enlarged(self.surface_16(at_16), 2) + self.surface_8(at_8)
        return enlarged(surface, 4), enlarged(self.kind_8(at_8), 4)


def enlarged(maps: Tensor, factor: int) -> Tensor:
    """[N, C, h, w] to [N, C, factor h, factor w], bilinear."""
    return F.interpolate(maps, scale_factor=float(factor), mode="bilinear", align_corners=False)


def in_every_phase(fine: Tensor, coarse: Tensor) -> Tensor:
    """[N, 4 classes, h, w] plus the same [N, classes, h, w] for each of the four phases."""
    n, classes, h, w = coarse.shape
    return (fine.reshape(n, classes, 4, h, w) + coarse[:, :, None]).reshape(fine.shape)


class SightNet(nn.Module):
    """uint8 [N, H, W, 3] RGB -> `Logits` at the same H and W. Any H, W >= 1."""

    def __init__(self, shape: NetShape | None = None) -> None:
        super().__init__()
        self.shape = shape = shape or NetShape()
        w, surfaces, kinds = shape.widths, len(SURFACE_NAMES), len(KIND_NAMES)
        self.stem = nn.Sequential(conv_bn(12, w[0]), nn.ReLU())
        self.down = nn.ModuleList(
            nn.Sequential(conv_bn(a, b, 3, stride=2), nn.ReLU())
            for a, b in zip(w, w[1:], strict=False)
        )
        self.encode = nn.ModuleList(
            nn.Sequential(*(ResidualBlock(c) for _ in range(count)))
            for c, count in zip(w, shape.encoder, strict=False)
        )
        self.context = nn.Sequential(*(ResidualBlock(w[4], d) for d in shape.dilations))
        self.whole = GlobalBranch(w[4], shape.heads)
        self.up = nn.ModuleList(
            UpStage(deep, skip, count)
            for deep, skip, count in zip(w[1:], w, shape.decoder, strict=False)
        )
        self.local = local_branch(w[0] + 12, shape)
        self.local_head = nn.Conv2d(shape.local_width, 4 * kinds, 1)
        self.coarse = CoarseLogits(w[3], w[2])
        self.surface_head = nn.Conv2d(w[0], 4 * surfaces, 1)
        self.kind_head = nn.Conv2d(w[0], 4 * kinds, 1)
        self.unseen_head = nn.Conv2d(w[0], 4, 1)
        self.unlike_head = nn.Sequential(nn.Linear(2 * w[4], 64), nn.ReLU(), nn.Linear(64, 1))
        with torch.no_grad():
            self.local_head.weight.zero_()
            cast(Tensor, self.local_head.bias).zero_()
            cast(Tensor, self.kind_head.bias)[:4] += (
                CLEAN_BIAS  # pixel shuffle: first four = class 0
            )
            cast(Tensor, self.unseen_head.bias).fill_(UNSEEN_BIAS)

    def half_size(self, picture: Tensor) -> Logits:
        """Logits at half the padded size: [N, 4 phases * classes, h, w] each, unlike [N]."""
        whole = mirrored_on(mirrored_on(picture, 1), 2)
        x = (whole.permute(0, 3, 1, 2).float() - MEAN_DN) / SCALE_DN
        fine = F.pixel_unshuffle(x, 2)  # [N, 12, H/2, W/2]
        x = self.stem(fine)
        skips: list[Tensor] = []
        for encode, down in zip(self.encode, self.down, strict=True):
            x = encode(x)
            skips.append(x)
            x = down(x)
        deep = self.whole(self.context(x))  # [N, C, H/32, W/32]
        pooled = torch.cat([deep.mean(dim=(2, 3)), deep.amax(dim=(2, 3))], dim=1)
        x, coarse_surface, coarse_kind = self.decode(deep, skips)
        unlike = self.unlike_head(pooled)[:, 0]
        kind = self.kind_head(x) + self.local_head(self.local(torch.cat([x, fine], dim=1)))
        surface = in_every_phase(self.surface_head(x), coarse_surface)
        return Logits(surface, in_every_phase(kind, coarse_kind), self.unseen_head(x), unlike)

    def decode(self, deep: Tensor, skips: Sequence[Tensor]) -> tuple[Tensor, Tensor, Tensor]:
        """Features at /2, then the coarse logits of surfaces and kinds there."""
        maps = [deep]
        for up, skip in zip(reversed(self.up), reversed(skips), strict=True):
            maps.append(up(maps[-1], skip))
        return maps[-1], *self.coarse(maps[1], maps[2])

    def forward(self, picture: Tensor) -> Logits:
        out = self.half_size(picture)
        return Logits(
            full_size(out.surface, picture),
            full_size(out.kind, picture),
            full_size(out.unseen, picture),
            out.unlike,
        )


def mirrored_on(picture: Tensor, side: int) -> Tensor:
    """The picture, longer along axis `side` to a multiple of 32, mirrored at its last line.

    Mirrored, not stretched out: of lines that repeat its last one the net makes streaks of film.
    """
    size = picture.shape[side]
    lines = torch.arange(size + (-size) % MULTIPLE_PX, device=picture.device)
    inside = torch.where(lines < size, lines, 2 * size - 2 - lines).clamp(min=0)
    return picture.index_select(side, inside)


def full_size(maps: Tensor, picture: Tensor) -> Tensor:
    """[N, 4 * classes, h, w] at half the padded size -> [N, classes, H, W] at its own."""
    return F.pixel_shuffle(maps, 2)[:, :, : picture.shape[1], : picture.shape[2]]


def grouped_softmax(maps: Tensor) -> Tensor:
    """Softmax over the classes of [N, 4 * classes, h, w], per phase.

    Written out on three axes: over a channel axis, onnxruntime's own Softmax takes longer than the
    whole rest of the net.
    """
    n, c, h, w = maps.shape
    flat = maps.reshape(n, c // 4, -1)  # [N, classes, 4 * h * w]
    power = torch.exp(flat - flat.amax(dim=1, keepdim=True))
    return (power / power.sum(dim=1, keepdim=True)).reshape(n, c, h, w)


class WithProbabilities(nn.Module):
    """The net with softmax and sigmoid inside: the form that is exported."""

    def __init__(self, net: SightNet) -> None:
        super().__init__()
        self.net = net

    def forward(self, picture: Tensor) -> Probabilities:
        out = self.net.half_size(picture)
        return Probabilities(
            full_size(grouped_softmax(out.surface), picture),
            full_size(grouped_softmax(out.kind), picture),
            full_size(torch.sigmoid(out.unseen), picture),
            torch.sigmoid(out.unlike),
        )
