"""A picture in the making: light, labels and depth, on which deposits are put one by one."""

from dataclasses import dataclass

import torch
from torch import Tensor

from .anchors import Anchors
from .light import Shaded
from .scene import Part
from .trace import Hits
from .windows import Spot

__all__ = ["SURFACE_OF_PART", "Canvas", "local_frame", "new_canvas"]

# Surface index of each part, in the order of `Part`.
SURFACE_OF_PART = (0, 1, 2, 3, 4, 5, 6, 1, 2)
FERRULE_PARTS = (Part.BARREL, Part.CHAMFER, Part.ENDFACE, Part.FIBER)


@dataclass
class Canvas:
    """Pictures being painted, [N, H, W, ...]; changed in place by the deposit painters.

    `light` is linear radiance; `shadow` a factor on the host's diffuse share; `near` says whether
    the pixel belongs to the ferrule's layer (for the blur by depth); `depth` mm beyond the fibre.
    """

    diffuse: Tensor
    mirror: Tensor
    shadow: Tensor
    surface: Tensor
    kind: Tensor
    instance: Tensor
    depth: Tensor
    near: Tensor
    next_instance: int = 1

    @property
    def size_hw(self) -> tuple[int, int]:
        """Height and width of the pictures, px."""
        return self.kind.shape[1], self.kind.shape[2]

    def take_instances(self, count: int) -> Tensor:
        """`count` fresh instance numbers, int16: unique in the whole batch."""
        first = self.next_instance
        self.next_instance += count
        return torch.arange(first, first + count, device=self.kind.device, dtype=torch.int16)

    def label(self, spot: Spot, shape: torch.Size, kind: int, instance: Tensor) -> None:
        """Name the pixels of `spot` (of windows of `shape`) as `kind`, one instance per window."""
        spot.put(self.kind, torch.full(shape, kind, dtype=torch.uint8, device=instance.device))
        spot.put(self.instance, instance[:, None, None].expand(shape))


def new_canvas(hits: Hits, shaded: Shaded) -> Canvas:
    """A clean canvas of the traced and lit scene."""
    table = torch.tensor(SURFACE_OF_PART, device=hits.part.device, dtype=torch.uint8)
    near = torch.zeros_like(hits.part, dtype=torch.bool)
    for part in FERRULE_PARTS:
        near |= hits.part == part
    return Canvas(
        shaded.diffuse.clone(),
        shaded.mirror.clone(),
        torch.ones_like(hits.depth),
        table[hits.part.long()],
        torch.zeros_like(hits.part),
        torch.zeros_like(hits.part, dtype=torch.int16),
        hits.depth.clone(),
        near,
    )


def local_frame(anchors: Anchors, point: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Points [M, w, w, 3] in the anchors' tangent frames: along, across, height (mm)."""
    d = point - anchors.point[:, None, None]
    return tuple(
        (d * axis[:, None, None]).sum(-1)
        for axis in (anchors.along, anchors.across, anchors.normal)
    )  # type: ignore[return-value]
