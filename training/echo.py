"""Renders used again: a render costs many times what a step of the net on it costs.

With `echoes` = E and `echo_lag` = L the groups of batches go

    render j, render j - L again, render j - 2 L again, ...

in slot j of E groups; where there is no such render yet, in the first slots, render j itself. What
comes again is exposed anew and may hang upside down, so that the net meets no picture twice.
Choi et al., "Faster neural network training with data echoing" (2019), measured that repeating a
shuffled picture up to about five times is worth nearly as much as a fresh one.
"""

import torch
from torch import Tensor

from ..synthetic.draw import Draw
from .losses import Batch

__all__ = ["again", "last_use", "render_of"]

GAMMA, GAIN, TINT = 0.25, 0.2, 0.04  # largest natural logarithm of each
NOISE_DN = 2.5


def render_of(group: int, echoes: int, lag: int) -> tuple[int, int]:
    """(render, how many times it was used before) of a group of batches."""
    slot, echo = divmod(group, echoes)
    earlier = slot - echo * lag
    return (earlier if earlier >= 0 else slot), echo


def last_use(render: int, echoes: int, lag: int) -> int:
    """The last slot that uses a render."""
    return render + (echoes - 1) * lag


def again(batch: Batch, seed: int) -> Batch:
    """The batch's pictures exposed anew, every second one upside down: the same for one seed."""
    n, device = batch.picture.shape[0], batch.picture.device
    draw = Draw(seed, device)

    def within(limit: float, *shape: int) -> Tensor:
        return ((2 * draw.unit(*shape) - 1) * limit).exp()

    light = batch.picture.float() / 255.0
    light = light ** within(GAMMA, n, 1, 1, 1) * within(GAIN, n, 1, 1, 1) * within(TINT, n, 1, 1, 3)
    noise = draw.noise(*light.shape) * draw.unit(n, 1, 1, 1) * (NOISE_DN / 255.0)
    picture = ((light + noise).clamp(0, 1) * 255.0).round().to(torch.uint8)
    turned = vars(batch) | {"picture": picture}
    over = draw.unit(n) < 0.5
    return Batch(**{k: _turned_over(v, over) for k, v in turned.items()})


def _turned_over(value: Tensor, over: Tensor) -> Tensor:
    """Maps [N,H,W,...] of the pictures marked, top and bottom exchanged."""
    if value.ndim < 3:
        return value
    return torch.where(over.view(-1, *[1] * (value.ndim - 1)), value.flip(1), value)
