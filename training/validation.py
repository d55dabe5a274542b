"""Frozen renders for judging a net while it trains, and pixel figures on them.

The same seeds for every run with the same renderer: outside the range that training draws from.
Pixel figures only; deposits are counted by `training.evaluate`.
"""

from collections.abc import Iterator
from typing import Any, cast

import torch
from torch import Tensor, nn

from ..model.kinds import KIND_NAMES
from ..model.net import Logits
from ..model.surfaces import SURFACE_NAMES
from ..synthetic.render import RenderPlan, Renders
from .config import TrainingConfig
from .seeds import VALIDATION_SEED
from .source import Source

__all__ = ["frozen_renders", "iou_from_confusion", "validate"]

PLANS = (
    RenderPlan(4, 2, (480, 640), crop=False, clean_share=0.25, negative_share=0.0),
    RenderPlan(4, 2, (640, 640), crop=True, clean_share=0.25, negative_share=0.0),
)


def frozen_renders(source: Source, batches: int) -> Iterator[Renders]:
    """Whole frames and crops in turn, always the same for the same renderer and device."""
    for k in range(batches):
        yield source(PLANS[k % len(PLANS)], VALIDATION_SEED + k)


def confusion(truth: Tensor, found: Tensor, counted: Tensor, classes: int) -> Tensor:
    """int64 [classes, classes]: pixels by truth (row) and answer (column)."""
    index = truth.long()[counted] * classes + found.long()[counted]
    return torch.bincount(index, minlength=classes * classes).reshape(classes, classes)


def iou_from_confusion(table: Tensor) -> list[float | None]:
    """Intersection over union per class; None where the class neither is nor is answered."""
    hit = table.diagonal().double()
    union = table.sum(0) + table.sum(1) - hit
    return [float(h / u) if u > 0 else None for h, u in zip(hit, union, strict=True)]


def validate(net: nn.Module, source: Source, config: TrainingConfig) -> dict[str, Any]:
    """IoU per surface and of any deposit, share of found pixels of the right kind; or None."""
    net.eval()
    s_table = torch.zeros(len(SURFACE_NAMES), len(SURFACE_NAMES), dtype=torch.long)
    k_table = torch.zeros(len(KIND_NAMES), len(KIND_NAMES), dtype=torch.long)
    pictures = 0
    with torch.inference_mode():
        for renders in frozen_renders(source, config.validation_batches):
            out = cast(Logits, net(renders.picture))
            connector = (renders.unlike < 0.5)[:, None, None].expand_as(renders.surface)
            s_table += confusion(
                renders.surface, out.surface.argmax(1), connector, len(SURFACE_NAMES)
            ).cpu()
            shown = connector & (renders.weight > 0)
            k_table += confusion(renders.kind, out.kind.argmax(1), shown, len(KIND_NAMES)).cpu()
            pictures += renders.picture.shape[0]
    dirty = torch.stack([k_table[:1].sum(0), k_table[1:].sum(0)])
    dirty = torch.stack([dirty[:, 0], dirty[:, 1:].sum(1)], dim=1)
    surfaces = iou_from_confusion(s_table)
    known = [v for v in surfaces if v is not None]
    found = k_table[1:, 1:]
    return {
        "pictures": pictures,
        "surfaces_mean_iou": sum(known) / len(known) if known else None,
        "surfaces_iou": dict(zip(SURFACE_NAMES, surfaces, strict=True)),
        "deposits_iou": iou_from_confusion(dirty)[1],
        "kind_right_of_found_px": {
            name: float(row[i] / row.sum()) if row.sum() > 0 else None
            for i, (name, row) in enumerate(zip(KIND_NAMES[1:], found, strict=True))
        },
    }
