"""What a retraining must leave as it was: the parent's answers on renders.

The truth of a few renders, seen again and again, is learnt by heart, and what was learnt from
thousands is lost; the parent's own answers ask for nothing new (Li and Hoiem, "Learning without
forgetting", ECCV 2016).
"""

import torch
import torch.nn.functional as F
from torch import Tensor

from ..model.net import Logits
from ..model.surfaces import Surface
from .config import LossWeights
from .losses import LossParts

__all__ = ["departure"]


def departure(out: Logits, before: Logits, kind_weight: Tensor, weights: LossWeights) -> LossParts:
    """How far `out` departs from what the parent answered `before`; 0 where it says the same.

    The Kullback-Leibler divergence of each answer, per pixel, averaged as `losses.loss` averages
    its cross-entropies, the parent's probabilities in the labels' place. kind_weight: float
    [N,H,W], `Batch`'s, which makes small deposits count; below 1 taken as 1.
    """
    surface, surface_p = kl(out.surface, before.surface)
    factor = torch.ones(surface_p.shape[1], device=surface_p.device)
    factor[int(Surface.FIBER)], factor[int(Surface.CHAMFER)] = weights.fiber, weights.chamfer
    surface_pixel = (surface_p * factor[:, None, None]).sum(1)
    kind, kind_p = kl(out.kind, before.kind)
    kind_pixel = kind_weight.clamp(min=1)
    scale = (kind_pixel * (1 - (1 - weights.clean_share) * kind_p[:, 0])).sum()
    parts = {
        "surface": (surface * surface_pixel).sum() / surface_pixel.sum(),
        "kind": (kind * kind_pixel).sum() / scale.clamp(min=1),
        "unseen": binary_kl(out.unseen, before.unseen),
        "unlike": binary_kl(out.unlike, before.unlike),
    }
    total = torch.stack([value * getattr(weights, name) for name, value in parts.items()]).sum()
    return LossParts(total, {f"kept_{name}": value.detach() for name, value in parts.items()})


def kl(out: Tensor, before: Tensor) -> tuple[Tensor, Tensor]:
    """Divergence of classes, [N,H,W], and the probabilities before, [N,C,H,W], of logits."""
    log_before = F.log_softmax(before.float(), dim=1)
    p = log_before.exp()
    return (p * (log_before - F.log_softmax(out.float(), dim=1))).sum(1), p


def binary_kl(out: Tensor, before: Tensor) -> Tensor:
    """Mean divergence of yes and no, of logits."""
    p = before.float().sigmoid()
    bce = F.binary_cross_entropy_with_logits
    return bce(out.float(), p) - bce(before.float(), p)
