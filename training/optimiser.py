"""Which optimiser moves which of a net's numbers: Muon the kernels, AdamW everything else.

Under a batch norm only a kernel's direction counts. AdamW turns it by about rate over weight, so
how fast a net learns hangs on how large its weights happen to be. Muon moves every kernel by a
matrix whose singular values are all about 1, so all of its directions learn, the faint ones too
(K. Jordan and others, "Muon: an optimizer for hidden layers in neural networks", 2024).
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, cast

import torch
from torch import Tensor, nn
from torch.optim.optimizer import Optimizer

from .config import TrainingConfig

__all__ = ["Muon", "make_optimisers", "orthogonal"]

COEFFICIENTS = (3.4445, -4.7750, 2.0315)  # of the quintic, from the source named above
ITERATIONS = 5
MOMENTUM = 0.95
SMALLEST_NORM = 1e-7


def orthogonal(matrices: Tensor) -> Tensor:
    """Matrices with the same singular vectors, all singular values about 1 (0.7 to 1.2).

    matrices: float [N, rows, columns]. Newton-Schulz iteration, in bfloat16 on a GPU.
    """
    a, b, c = COEFFICIENTS
    x: Any = matrices.bfloat16() if matrices.is_cuda else matrices
    tall = matrices.shape[1] > matrices.shape[2]
    x = x.transpose(1, 2) if tall else x
    x = x / x.norm(dim=(1, 2), keepdim=True).clamp(min=SMALLEST_NORM)
    for _ in range(ITERATIONS):
        square = x @ x.transpose(1, 2)
        x = a * x + (b * square + c * square @ square) @ x
    return cast(Tensor, (x.transpose(1, 2) if tall else x).to(matrices.dtype))


class Muon(Optimizer):
    """Muon for convolution kernels [out, in, h, w], each taken as a matrix [out, in * h * w].

    As `torch.optim.Muon` without weight decay, which takes matrices only; kernels of one shape are
    made orthogonal together, since a net has many small ones.
    """

    def __init__(self, kernels: Iterable[Tensor], lr: float) -> None:
        super().__init__(kernels, {"lr": lr})

    @torch.no_grad()
    def step(self, closure: Any = None) -> None:  # pyright: ignore[reportIncompatibleMethodOverride]
        """Move every kernel that has a gradient."""
        for group in self.param_groups:
            kernels = [p for p in group["params"] if p.grad is not None]
            for alike in by_shape(kernels):
                self.move(alike, group["lr"])

    def move(self, kernels: list[Tensor], rate: float) -> None:
        """One step of kernels of one shape."""
        gradients = [cast(Tensor, p.grad) for p in kernels]
        means = [self.mean(p) for p in kernels]
        for_each = cast(Any, torch)
        for_each._foreach_lerp_(means, gradients, 1 - MOMENTUM)
        ahead: tuple[Tensor, ...] = for_each._foreach_lerp(gradients, means, MOMENTUM)
        rows = kernels[0].shape[0]
        moves = orthogonal(torch.stack([m.reshape(rows, -1) for m in ahead]))
        tall = max(1.0, rows / moves.shape[2]) ** 0.5
        shaped = [m.reshape(kernels[0].shape) for m in moves]
        for_each._foreach_add_(kernels, shaped, alpha=-rate * tall)

    def mean(self, kernel: Tensor) -> Tensor:
        """The moving mean of the kernel's gradients, zero at first."""
        slot = self.state[kernel]
        if not slot:
            slot["exp_avg"] = torch.zeros_like(kernel)
        return cast(Tensor, slot["exp_avg"])


def by_shape(kernels: Iterable[Tensor]) -> Iterator[list[Tensor]]:
    """Kernels of equal shape together, in the order of the first of each."""
    groups: dict[torch.Size, list[Tensor]] = {}
    for kernel in kernels:
        groups.setdefault(kernel.shape, []).append(kernel)
    yield from groups.values()


def make_optimisers(net: nn.Module, config: TrainingConfig) -> Sequence[Optimizer]:
    """AdamW, and Muon for the kernels where `config.kernel_rate` asks for it.

    Each group's `share` is its rate over `config.learning_rate`. Biases and batch norm are not
    decayed, nor what Muon moves.
    """
    learning = [p for p in net.parameters() if p.requires_grad]
    kernels = kernels_of(net) if config.kernel_rate else []
    mine = {id(p) for p in kernels}
    rest = [p for p in learning if id(p) not in mine]
    groups = [
        {"params": [p for p in rest if p.ndim > 1], "weight_decay": config.weight_decay},
        {"params": [p for p in rest if p.ndim <= 1], "weight_decay": 0.0},
    ]
    fused = next(net.parameters()).is_cuda
    adam = torch.optim.AdamW(groups, lr=config.learning_rate, fused=fused)
    optimisers = (adam, Muon(kernels, config.kernel_rate)) if kernels else (adam,)
    for optimiser in optimisers:
        for group in optimiser.param_groups:
            group["share"] = group["lr"] / config.learning_rate
    return optimisers


def kernels_of(net: nn.Module) -> list[Tensor]:
    """The learning kernels under a batch norm: of convolutions without bias, not depthwise."""
    convolutions = [m for m in net.modules() if isinstance(m, nn.Conv2d)]
    plain = [m.weight for m in convolutions if m.bias is None and m.groups == 1]
    return [p for p in plain if p.requires_grad]
