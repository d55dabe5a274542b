"""Where deposits sit: places drawn on what the picture shows, balanced by surface."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

import torch
from torch import Tensor

from .draw import Draw
from .scene import Part
from .trace import Hits

__all__ = ["Anchors", "Ground", "draw_anchors"]

# Groups a deposit can be asked to lie on, as parts.
GROUPS = (
    (Part.FIBER,),
    (Part.ENDFACE,),
    (Part.CHAMFER,),
    (Part.BARREL,),
    (Part.WALL, Part.FLOOR),
    (Part.HOUSING,),
)
STEP = 4  # places are drawn on every fourth pixel


@dataclass(frozen=True)
class Ground:
    """The clean scene that deposits are put on."""

    hits: Hits
    mm_per_px: Tensor  # [N, H, W] at each pixel's depth


@dataclass(frozen=True)
class Anchors:
    """M places: picture index, pixel, point and tangent frame (mm), host part, local scale."""

    batch: Tensor  # int64 [M]
    px: Tensor  # [M, 2]
    point: Tensor  # [M, 3]
    normal: Tensor
    along: Tensor  # [M, 3] first tangent
    across: Tensor  # [M, 3] second tangent
    part: Tensor  # uint8 [M]
    mm_per_px: Tensor  # [M]
    s_mm: Tensor
    theta_rad: Tensor

    def take(self, which: Tensor) -> "Anchors":
        """The places `which`, by index or mask."""
        return Anchors(*(getattr(self, name)[which] for name in self.__dataclass_fields__))

    def host_pixel(self, size_hw: tuple[int, int]) -> tuple[Tensor, Tensor]:
        """Column and row of each place's pixel, int64 [M]; the nearest one if off the picture."""
        x, y = self.px[:, 0].long(), self.px[:, 1].long()
        return x.clamp(0, size_hw[1] - 1), y.clamp(0, size_hw[0] - 1)


def draw_anchors(
    draw: Draw, ground: Ground, wanted: Tensor, slots_each: Sequence[int]
) -> list[Anchors]:
    """Places for `wanted` deposits: int64 [N, K], a group index or -1 for none.

    The K slots are dealt out to consecutive callers: `slots_each` of them each. A group that the
    picture does not show gives no place, so a result may be shorter than asked. Sorted by picture,
    then slot.
    """
    hits = ground.hits
    n, slots = wanted.shape
    part = hits.part[:, STEP // 2 :: STEP, STEP // 2 :: STEP].reshape(n, -1)
    lottery = draw.noise_unit(n, part.shape[1])
    chosen, valid = [], []
    for group in GROUPS:
        mask = torch.zeros_like(part, dtype=torch.bool)
        for member in group:
            mask |= part == member
        best = torch.where(mask, lottery, -1.0).topk(min(slots, part.shape[1]), dim=1)
        chosen.append(best.indices)
        valid.append(best.values > 0)
    pick = wanted.clamp_min(0)
    slot = torch.arange(slots, device=wanted.device).expand(n, slots)
    batch = torch.arange(n, device=wanted.device)[:, None].expand(n, slots)
    cell = torch.stack(chosen, 1)[batch, pick, slot]
    ok = torch.stack(valid, 1)[batch, pick, slot] & (wanted >= 0)
    cells_wide = hits.part[:, STEP // 2 :: STEP, STEP // 2 :: STEP].shape[2]
    every = at_pixels(
        draw,
        ground,
        batch[ok],
        (cell % cells_wide * STEP + STEP // 2)[ok],
        (cell // cells_wide * STEP + STEP // 2)[ok],
    )
    ends = torch.tensor(list(accumulate(slots_each)), device=slot.device)
    owner = torch.bucketize(slot[ok], ends, right=True)
    return [every.take((owner == k).nonzero()[:, 0]) for k in range(len(slots_each))]


def at_pixels(draw: Draw, ground: Ground, batch: Tensor, x: Tensor, y: Tensor) -> Anchors:
    """The places that these pixels show, with a tangent frame turned at random."""
    hits = ground.hits
    normal = hits.normal[batch, y, x]
    helper = torch.zeros_like(normal)
    helper[:, 2] = 1.0
    helper = torch.where(
        (normal[:, 2:].abs() > 0.9), torch.tensor([1.0, 0, 0], device=normal.device), helper
    )
    first = torch.linalg.cross(helper, normal)
    first = first / first.norm(dim=-1, keepdim=True).clamp_min(1e-6)
    second = torch.linalg.cross(normal, first)
    turn = draw.noise_unit(batch.shape[0]) * 6.2832
    c, s = turn.cos()[:, None], turn.sin()[:, None]
    px = torch.stack([x, y], -1) + 0.5
    return Anchors(
        batch, px, hits.point[batch, y, x], normal, first * c + second * s, second * c - first * s,
        hits.part[batch, y, x], ground.mm_per_px[batch, y, x], hits.s[batch, y, x],
        hits.theta[batch, y, x],
    )  # fmt: skip
