"""A run's net averaged, weight by weight, with the one that it went on from.

Both lie in one valley of the loss where a run began at the other's weights, and between them the
net is often better than at either end (Wortsman et al., "Robust fine-tuning of zero-shot models",
CVPR 2022).
"""

import hashlib
import json
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from ..model.errors import ModelError, UsageError
from .checkpoint import LAST, halved, head_of, newest, read_tensors, write_atomically

__all__ = ["average_nets"]


def average_nets(run: Path, weights: Path, share: float, out: Path) -> Path:
    """Write to the new folder `out` a run with `share` of `run`'s averaged net, the rest `weights`.

    share: 0 to 1. weights: a file such as the shipped `fiberward.pt`. What is written can be
    exported and begun from; it has no optimiser, so it cannot be gone on with. Gives the weights'
    path. Raises `UsageError` where `out` holds a run, `ModelError` without a checkpoint or where
    the two nets differ in shape.
    """
    if newest(out) is not None:
        raise UsageError(f"{out}: holds a run already; give another folder")
    head = head_of(run)
    ours, others = read_tensors(run / head["folder"] / "ema.pt"), read_tensors(weights)
    mixed = averaged(ours, others, share, weights)
    path = out / head["folder"] / "ema.pt"
    path.parent.mkdir(parents=True, exist_ok=True)
    torch.save(mixed, path)
    digest = hashlib.sha256(weights.read_bytes()).hexdigest()
    about: dict[str, Any] = {"averaged": {"share": share, "with_sha256": digest}}
    whole = head | {"about": head["about"] | about}
    write_atomically(out / LAST, json.dumps(whole, indent=1))
    return path


def averaged(
    ours: dict[str, Tensor], others: dict[str, Tensor], share: float, path: Path
) -> dict[str, Tensor]:
    """Every tensor of both by name; counts are ours."""
    shapes = [{name: value.shape for name, value in each.items()} for each in (ours, others)]
    if shapes[0] != shapes[1]:
        raise ModelError(f"{path}: its net has another shape than the run's; give one that fits")
    return {
        name: halved(torch.lerp(others[name].float(), value.float(), share))
        if value.is_floating_point() else value
        for name, value in ours.items()
    }  # fmt: skip
