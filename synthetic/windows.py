"""Small windows round deposits, gathered from and scattered to whole pictures.

A deposit touches a few hundred pixels of a million; working in windows keeps a picture with forty
of them as cheap as a clean one.
"""

from dataclasses import dataclass

import torch
from torch import Tensor

__all__ = ["Spot", "Windows", "cut_windows"]


@dataclass(frozen=True)
class Windows:
    """M square windows of side w.

    `index` int64 [M, w, w]: flat pixel index in the [N, H, W] batch; `inside` bool [M, w, w]:
    whether that pixel is in the picture (others point at pixel 0 of their picture and must not be
    written).
    """

    index: Tensor
    inside: Tensor

    def gather(self, picture: Tensor) -> Tensor:
        """Values of a [N, H, W, ...] picture: [M, w, w, ...]."""
        return picture.reshape(-1, *picture.shape[3:])[self.index]

    def spot(self, where: Tensor) -> "Spot":
        """The pixels `where` [M, w, w] that lie in the picture, ready for writing."""
        own = (where & self.inside).flatten().nonzero()[:, 0]
        return Spot(self.index.flatten()[own], own)

    def lower(self, picture: Tensor, value: Tensor) -> None:
        """Keep the smaller of old and new; windows may meet.

        `picture` [N, H, W], `value` [M, w, w]; outside the picture nothing is lowered.
        """
        safe = torch.where(self.inside, value, torch.finfo(value.dtype).max).to(picture.dtype)
        picture.reshape(-1).scatter_reduce_(0, self.index.flatten(), safe.flatten(), "amin")


@dataclass(frozen=True)
class Spot:
    """Chosen pixels of windows: `index` int64 [K] into the batch, `own` int64 [K] into the windows.

    Finding them waits for the GPU, so one spot serves all layers that are written there.
    """

    index: Tensor
    own: Tensor

    def put(self, picture: Tensor, value: Tensor) -> None:
        """Write `value` [M, w, w, ...] into `picture` [N, H, W, ...]; pixels must not repeat."""
        chosen = value.flatten(0, 2)[self.own]
        picture.reshape(-1, *picture.shape[3:])[self.index] = chosen.to(picture.dtype)


def cut_windows(batch: Tensor, centre_px: Tensor, side: int, size_hw: tuple[int, int]) -> Windows:
    """Windows of `side` px centred on `centre_px` [M, 2] (x, y) in pictures `batch` [M]."""
    high, wide = size_hw
    reach = torch.arange(side, device=batch.device) - side // 2
    x = centre_px[:, 0].floor().long()[:, None] + reach
    y = centre_px[:, 1].floor().long()[:, None] + reach
    ok = ((x >= 0) & (x < wide))[:, None, :] & ((y >= 0) & (y < high))[:, :, None]
    flat = y[:, :, None] * wide + x[:, None, :]
    index = batch[:, None, None] * (high * wide) + torch.where(ok, flat, 0)
    return Windows(index, ok)
