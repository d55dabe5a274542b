"""A tiny stand-in for the renderer: discs on a grey ground, labelled like a connector."""

import torch

from fiberward.model.net import NetShape
from fiberward.synthetic.render import RenderPlan, Renders
from fiberward.training.config import TrainingConfig

TINY = NetShape(widths=(8, 8, 8, 8, 8), encoder=(1, 1, 1, 1), dilations=(1,), heads=2)


def fake_source(plan: RenderPlan, seed: int) -> Renders:
    """A bright endface disc and a dark particle in each picture but the first, a blank."""
    count, (h, w) = plan.scenes * plan.sets, plan.size_hw
    generator = torch.Generator().manual_seed(seed)
    y, x = torch.meshgrid(torch.arange(h), torch.arange(w), indexing="ij")
    centre = torch.rand(count, 2, generator=generator) * 0.4 + 0.3
    reach = ((y - centre[:, :1, None] * h) ** 2 + (x - centre[:, 1:, None] * w) ** 2).sqrt()
    endface, grain = reach < 0.3 * min(h, w), reach < 3
    unlike = torch.zeros(count)
    unlike[0] = 1.0
    connector = unlike[:, None, None] < 0.5
    endface, grain = endface & connector, grain & connector
    grey = 60 + 120 * endface.float() - 100 * grain.float()
    grey = grey + 5 * torch.randn(grey.shape, generator=generator)
    picture = grey.clamp(0, 255).to(torch.uint8)[..., None].expand(-1, -1, -1, 3).contiguous()
    zeros = torch.zeros(count, h, w)
    return Renders(
        picture=picture,
        surface=(5 * endface).to(torch.uint8),
        kind=grain.to(torch.uint8),
        instance=grain.to(torch.int16),
        weight=zeros + 1,
        unseen=zeros,
        unlike=unlike,
        truth=[{} for _ in range(count)],
    )


def tiny_config(**changes: object) -> TrainingConfig:
    """A run of seconds on a CPU."""
    plain: dict[str, object] = {
        "steps": 12,
        "batches": (RenderPlan(4, 1, (40, 56)), RenderPlan(2, 2, (33, 47))),
        "chunks": 2,
        "warmup_steps": 2,
        "check_every": 2,
        "validation_batches": 0,
        "net": TINY,
    }
    return TrainingConfig(**(plain | changes))  # type: ignore[arg-type]
