"""The loss: surfaces, kinds with small deposits beside large films, unseen, unlike.

`prepare` turns renders into a `Batch` (it may wait for the device; run it beside the last step),
`loss`
only computes, without waiting.
"""

from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from ..model.net import Logits
from ..model.surfaces import SURFACE_NAMES, Surface
from ..synthetic.render import Renders
from .config import LossWeights

__all__ = [
    "Batch",
    "LossParts",
    "area_weight",
    "deal",
    "loss",
    "mirrored",
    "on_rim",
    "prepare",
    "soft_dice",
]


@dataclass(frozen=True)
class Batch:
    """What one step sees, all on one device.

    picture uint8 [N,H,W,3]; surface, kind int64 [N,H,W]; surface_weight float32 [N,H,W] (0 or 1);
    kind_weight float32 [N,H,W] (0 = ignored);
    unseen float32 [N,H,W]; unlike float32 [N].
    """

    picture: Tensor
    surface: Tensor
    kind: Tensor
    surface_weight: Tensor
    kind_weight: Tensor
    unseen: Tensor
    unlike: Tensor


@dataclass(frozen=True)
class LossParts:
    """`total` to descend on; `parts` (detached scalars, unweighted) to log."""

    total: Tensor
    parts: dict[str, Tensor]


def area_weight(instance: Tensor, weights: LossWeights) -> Tensor:
    """Weight sqrt(reference / area of the pixel's deposit), clipped; 1 where there is none.

    instance: integer [N,H,W], 0 = no deposit. The area is counted within this picture, in pixels.
    """
    n = instance.shape[0]
    flat = instance.reshape(n, -1).long()
    ids = int(flat.max()) + 1 if flat.numel() else 1
    flat = flat + torch.arange(n, device=flat.device)[:, None] * ids
    # only deposits' pixels are counted: the clean ones would all fall into one bin and queue there
    area = torch.bincount(flat[instance.reshape(n, -1) > 0], minlength=n * ids)
    per_id = (weights.reference_px / area.clamp(min=1)).sqrt()
    per_id = per_id.clamp(weights.area_low, weights.area_high)
    per_id[::ids] = 1.0
    return per_id[flat].reshape(instance.shape)


def on_rim(kind: Tensor) -> Tensor:
    """bool [N,H,W]: some pixel of the 3x3 neighbourhood is of another kind."""
    k = kind[:, None].float()
    return (F.max_pool2d(k, 3, 1, 1) != -F.max_pool2d(-k, 3, 1, 1))[:, 0]


def prepare(renders: Renders, weights: LossWeights) -> Batch:
    """Renders -> `Batch`: label types and pixel weights."""
    kind = renders.kind.long()
    kind_weight = renders.weight * area_weight(renders.instance, weights)
    kind_weight = torch.where(on_rim(kind), kind_weight * weights.rim, kind_weight)
    # where there is no connector, only "this is surround" is taught
    surround = renders.surface == int(Surface.SURROUND)
    surface_weight = ((renders.unlike[:, None, None] < 0.5) | surround).float()
    return Batch(
        picture=renders.picture,
        surface=renders.surface.long(),
        kind=kind,
        surface_weight=surface_weight,
        kind_weight=kind_weight,
        unseen=renders.unseen,
        unlike=renders.unlike,
    )


def deal(batch: Batch, hands: int) -> list[Batch]:
    """Deal a batch's pictures out to `hands` batches, like cards."""
    return [Batch(**{k: v[i::hands] for k, v in vars(batch).items()}) for i in range(hands)]


def mirrored(batch: Batch) -> Batch:
    """The batch as a mirror shows it, left and right exchanged."""
    return Batch(**{k: v.flip(2) if v.ndim > 2 else v for k, v in vars(batch).items()})


def soft_dice(p: Tensor, label: Tensor, counted: Tensor, classes: range) -> Tensor:
    """1 - soft Dice, mean over the classes that occur in the batch (0 if none does).

    p: probabilities [N,C,H,W]; label: int64 [N,H,W]; counted: float 0/1 [N,H,W]. The pixels of all
    pictures are pooled: Dice = 2 sum(p y) / (sum(p) + sum(y)), with 1 px added above and below.
    """
    values: list[Tensor] = []
    occurs: list[Tensor] = []
    for c in classes:
        truth = (label == c) * counted
        p_c = p[:, c] * counted
        truth_px = truth.sum()
        values.append(1 - (2 * (p_c * truth).sum() + 1) / (p_c.sum() + truth_px + 1))
        occurs.append(truth_px > 0)
    value, occur = torch.stack(values), torch.stack(occurs).float()
    return (value * occur).sum() / occur.sum().clamp(min=1)


def surface_terms(logits: Tensor, batch: Batch, weights: LossWeights) -> tuple[Tensor, Tensor]:
    """Weighted cross-entropy and Dice of the surfaces."""
    factor = torch.ones(len(SURFACE_NAMES), device=logits.device)
    factor[int(Surface.FIBER)] = weights.fiber
    factor[int(Surface.CHAMFER)] = weights.chamfer
    log_p = F.log_softmax(logits.float(), dim=1)
    pixel = batch.surface_weight * factor[batch.surface]
    nll = F.nll_loss(log_p, batch.surface, reduction="none")
    cross = (nll * pixel).sum() / pixel.sum().clamp(min=1)
    every = range(len(SURFACE_NAMES))
    return cross, soft_dice(log_p.exp(), batch.surface, batch.surface_weight, every)


def kind_terms(logits: Tensor, batch: Batch, clean_share: float) -> tuple[Tensor, Tensor, Tensor]:
    """Weighted cross-entropy, Dice of any deposit, mean Dice of the kinds.

    The cross-entropy is the sum over all pixels divided by the deposits' weight and `clean_share`
    of the clean pixels' weight: divided by all of it, deposits, a hundredth of the pixels, would
    hardly count beside the surfaces.
    """
    log_p = F.log_softmax(logits.float(), dim=1)
    nll = F.nll_loss(log_p, batch.kind, reduction="none")
    clean = (batch.kind == 0) * batch.kind_weight
    scale = batch.kind_weight.sum() - (1 - clean_share) * clean.sum()
    cross = (nll * batch.kind_weight).sum() / scale.clamp(min=1)
    p, counted = log_p.exp(), (batch.kind_weight > 0).float()
    dirty = torch.stack([p[:, 0], 1 - p[:, 0]], dim=1)
    any_dice = soft_dice(dirty, (batch.kind > 0).long(), counted, range(1, 2))
    return cross, any_dice, soft_dice(p, batch.kind, counted, range(1, logits.shape[1]))


def loss(out: Logits, batch: Batch, weights: LossWeights) -> LossParts:
    """The whole loss of one batch, in float32 whatever the logits' type."""
    surface, surface_dice = surface_terms(out.surface, batch, weights)
    kind, deposit_dice, kind_dice = kind_terms(out.kind, batch, weights.clean_share)
    bce = F.binary_cross_entropy_with_logits
    parts = {
        "surface": surface,
        "surface_dice": surface_dice,
        "kind": kind,
        "deposit_dice": deposit_dice,
        "kind_dice": kind_dice,
        "unseen": bce(out.unseen[:, 0].float(), batch.unseen),
        "unlike": bce(out.unlike.float(), batch.unlike),
    }
    total = torch.stack([value * getattr(weights, name) for name, value in parts.items()]).sum()
    return LossParts(total, {name: value.detach() for name, value in parts.items()})
