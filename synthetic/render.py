"""From a seed to a batch of pictures with exact truth."""

from dataclasses import dataclass, replace
from typing import Any

import torch
import torch.nn.functional as F
from torch import Tensor

from .anchors import Ground
from .canvas import Canvas, new_canvas
from .deposit_set import paint_deposits
from .draw import Draw
from .light import LitScene, shade
from .negatives import draw_negatives
from .optics import Exposure, compress, defocus, draw_exposure, expose, noise_sd, sense, tone
from .paint import base_albedo
from .scene import Scene, draw_scene
from .trace import camera_rays, trace
from .truth import scene_truth

__all__ = [
    "Developed",
    "RenderPlan",
    "Renders",
    "develop",
    "light_scene",
    "photograph",
    "render_batch",
]

SHOWN = 8.0  # contrast x sqrt(pixels) / noise from which a deposit counts as shown (Rose: about 5)
EIGHT_BIT = 1.5 / 255
BLIND_SIGMA_PX = 4.0
CLIP = 0.992
DARK = 0.012


@dataclass(frozen=True)
class RenderPlan:
    """What to render: `scenes` scenes, each with `sets` draws of deposits, at `size_hw` px.

    `crop` cuts native-scale windows from larger frames. `clean_share` of the scenes also give their
    clean picture; `negative_share` of the pictures show no connector at all. `with_truth` also
    gives the numbers behind each picture; training does without, since reading them stops the GPU.
    """

    scenes: int
    sets: int
    size_hw: tuple[int, int]
    crop: bool = False
    clean_share: float = 0.0
    negative_share: float = 0.0
    with_truth: bool = False


@dataclass(frozen=True)
class Renders:
    """A batch of pictures with truth; all tensors on one device.

    `picture` uint8 [N, H, W, 3] RGB; `surface`, `kind` uint8 [N, H, W] indices; `instance` int16
    [N, H, W], 0 = none, unique in the batch; `weight` float32 [N, H, W] in 0..1, the weight of the
    kind label: 0 where a deposit is there that the picture cannot show; `unseen` float32 [N, H, W],
    1 where nothing could be seen (blur, clipping); `unlike` float32 [N], 1 = not a connector;
    `truth`: one dict per picture (empty for negatives and without `with_truth`).
    """

    picture: Tensor
    surface: Tensor
    kind: Tensor
    instance: Tensor
    weight: Tensor
    unseen: Tensor
    unlike: Tensor
    truth: list[dict[str, Any]]


def render_batch(plan: RenderPlan, seed: int, device: torch.device | str = "cpu") -> Renders:
    """Render one batch: the same seed, plan and kind of device give the same bits."""
    draw = Draw(seed, torch.device(device))
    with torch.no_grad():
        parts = render_scenes(draw, plan)
        total = sum(len(part.truth) for part in parts)
        negatives = int(round(plan.negative_share * total))
        if negatives:
            parts.append(render_negatives(draw, plan, negatives))
    return join(parts)


def render_scenes(draw: Draw, plan: RenderPlan) -> list[Renders]:
    """All deposit sets on one batch of scenes, and the clean pictures asked for."""
    scene = draw_scene(draw, plan.scenes, plan.size_hw, plan.crop)
    lit = light_scene(draw, scene)
    hits, n = lit.ground.hits, plan.scenes
    clean = new_canvas(hits, lit.shaded)
    clean_light, sigma = develop(scene, clean)
    parts: list[Renders] = []
    nothing: list[dict[str, object]] = [{} for _ in range(n)]
    for _ in range(plan.sets):
        canvas = new_canvas(hits, lit.shaded)
        placed = paint_deposits(draw, canvas, lit)
        light, _ = develop(scene, canvas)
        shots = photograph(
            draw, draw_exposure(draw, n), lit, canvas, Developed(light, clean_light, sigma)
        )
        truth = scene_truth(scene, placed) if plan.with_truth else nothing
        parts.append(replace(shots, truth=truth))
    keep = int(round(plan.clean_share * n))
    if keep:
        own = Developed(clean_light, clean_light, sigma)
        shots = photograph(draw, draw_exposure(draw, n), lit, clean, own)
        truth = scene_truth(scene, []) if plan.with_truth else nothing
        parts.append(first(replace(shots, truth=truth), keep))
    return parts


def light_scene(draw: Draw, scene: Scene) -> LitScene:
    """Trace and light a scene: all that its sets of deposits share."""
    n = scene.cameras.tilt.shape[0]
    rays = camera_rays(scene.cameras)
    hits = trace(scene.connectors, scene.cameras, rays)
    jitter = draw.normal(n, 2, 2, 3) * 0.6
    albedo = base_albedo(draw, scene, hits)
    shaded, around = shade(scene, hits, rays, albedo, jitter, draw.log_uniform(0.08, 1.2, n))
    depth = scene.cameras.depth[:, None, None]
    scale = scene.cameras.mm_per_px[:, None, None] * (depth + hits.depth) / depth
    return LitScene(scene, rays, Ground(hits, scale), shaded, around)


def develop(scene: Scene, canvas: Canvas) -> tuple[Tensor, Tensor]:
    """A canvas as the lens paints it: light [N, 3, H, W] and blur sigma [N, H, W]."""
    shade_ = canvas.shadow[..., None]
    light = canvas.diffuse * shade_ + canvas.mirror * (0.4 + 0.6 * shade_)
    return defocus(scene.cameras, light, canvas.depth, canvas.near)


@dataclass(frozen=True)
class Developed:
    """Light [N, 3, H, W] of a picture and of its clean twin, and the blur's sigma [N, H, W], px."""

    light: Tensor
    clean: Tensor
    sigma: Tensor


def photograph(
    draw: Draw, exposure: Exposure, lit: LitScene, canvas: Canvas, film: Developed
) -> Renders:
    """Expose, add noise, compress; work out what the picture can show. `truth` stays empty."""
    light = film.light
    n = light.shape[0]
    exposed, _ = expose(exposure, light, canvas.near.float())
    clean_exposed, _ = expose_like(exposure, light, film.clean, canvas)
    batch = torch.arange(n, device=light.device)[:, None, None]
    grain = lit.scene.materials.grain[batch, lit.ground.hits.part.long()]
    sd = noise_sd(exposure, exposed, grain)
    picture = compress(draw, sense(draw, exposure, spotted(draw, exposed), sd))
    weight = label_weight(exposure, exposed, clean_exposed, sd, canvas)
    unseen = blind(exposure, exposed, film.sigma)
    as_bytes = (picture * 255 + 0.5).to(torch.uint8).permute(0, 2, 3, 1).contiguous()
    return Renders(
        as_bytes, canvas.surface, canvas.kind, canvas.instance, weight, unseen,
        torch.zeros(n, device=light.device), [{} for _ in range(n)],
    )  # fmt: skip


def expose_like(
    exposure: Exposure, light: Tensor, clean_light: Tensor, canvas: Canvas
) -> tuple[Tensor, Tensor]:
    """The clean twin at the dirty picture's gain."""
    _, gain = expose(exposure, light, canvas.near.float())
    own, own_gain = expose(exposure, clean_light, canvas.near.float())
    factor = (gain / own_gain)[:, None, None, None]
    return (own - exposure.veil[:, None, None, None]) * factor + exposure.veil[
        :, None, None, None
    ], gain


def spotted(draw: Draw, light: Tensor) -> Tensor:
    """Dust on the lens or sensor in some pictures: soft dark discs that belong to no connector."""
    n, _, high, wide = light.shape
    on = draw.chance(0.08, n)
    y = torch.arange(high, device=light.device)[None, :, None]
    x = torch.arange(wide, device=light.device)[None, None]
    loss = torch.ones(n, high, wide, device=light.device)
    for _ in range(3):
        cx, cy = draw.uniform(0, wide, n)[:, None, None], draw.uniform(0, high, n)[:, None, None]
        radius = draw.log_uniform(10, 50, n)[:, None, None]
        depth = (draw.uniform(0.01, 0.07, n) * on)[:, None, None]
        distance = torch.sqrt((x - cx) ** 2 + (y - cy) ** 2)
        loss = loss * (1 - depth * torch.sigmoid((radius - distance) / (0.18 * radius)))
    return light * loss[:, None]


def label_weight(
    exposure: Exposure, light: Tensor, clean: Tensor, sd: Tensor, canvas: Canvas
) -> Tensor:
    """1 where the kind can be learnt: deposits that differ from the clean twin beyond noise.

    Noise is the sensor's, the clean surface's own texture and a step and a half of 8 bits; what
    noise alone makes of a difference is taken off before it counts.
    """
    shown, ref = tone(exposure, light), tone(exposure, clean)
    slope = (tone(exposure, light + sd) - tone(exposure, (light - sd).clamp_min(0))).mean(1) / 2
    noise = torch.sqrt(slope**2 + texture_variance(ref.mean(1)) + EIGHT_BIT**2)
    contrast = ((shown - ref).abs().amax(1) - 0.8 * noise).clamp_min(0)
    ids = canvas.instance.long().reshape(-1)
    index = ids.nonzero()[:, 0]
    count = canvas.next_instance
    own = ids[index]
    pixels = torch.zeros(count, device=light.device).index_add_(
        0, own, torch.ones_like(own, dtype=torch.float32)
    )
    ratio = (contrast / noise).reshape(-1)[index]
    strength = torch.zeros(count, device=light.device).index_add_(0, own, ratio)
    rose = strength / pixels.clamp_min(1).sqrt()
    table = ((rose - SHOWN) / (0.5 * SHOWN)).clamp(0, 1) * (pixels >= 6)
    table[0] = 1.0
    return table[ids].reshape(canvas.instance.shape)


def texture_variance(value: Tensor) -> Tensor:
    """Variance of display values [N, H, W] within 3x3 pixels."""
    mean = F.avg_pool2d(value[:, None], 3, 1, 1, count_include_pad=False)
    square = F.avg_pool2d(value[:, None] ** 2, 3, 1, 1, count_include_pad=False)
    return (square - mean**2).clamp_min(0)[:, 0]


def blind(exposure: Exposure, light: Tensor, sigma: Tensor) -> Tensor:
    """1 where blur or clipping hides deposits: [N, H, W]."""
    value = tone(exposure, light).mean(1)
    lost = (value > CLIP) | (value < DARK)
    soft = F.avg_pool2d(lost[:, None].float(), 5, 1, 2, count_include_pad=False)[:, 0] > 0.5
    return (soft | (sigma > BLIND_SIGMA_PX)).float()


def render_negatives(draw: Draw, plan: RenderPlan, count: int) -> Renders:
    """Pictures without a connector: all surround, all clean."""
    pixels = compress(draw, draw_negatives(draw, count, plan.size_hw))
    shape = (count, *plan.size_hw)
    zero = torch.zeros(shape, device=draw.device, dtype=torch.uint8)
    return Renders(
        (pixels * 255 + 0.5).to(torch.uint8).permute(0, 2, 3, 1).contiguous(), zero, zero.clone(),
        zero.to(torch.int16), torch.ones(shape, device=draw.device),
        torch.zeros(shape, device=draw.device),
        torch.ones(count, device=draw.device), [{} for _ in range(count)],
    )  # fmt: skip


def first(renders: Renders, count: int) -> Renders:
    """The first `count` pictures of a batch."""
    values = {name: getattr(renders, name)[:count] for name in renders.__dataclass_fields__}
    return Renders(**values)


def join(parts: list[Renders]) -> Renders:
    """One batch of several; instance numbers are kept apart, and the truth's ids follow them."""
    offset = torch.zeros((), device=parts[0].instance.device, dtype=torch.int16)
    instances: list[Tensor] = []
    truth: list[dict[str, Any]] = []
    for part in parts:
        instances.append(torch.where(part.instance > 0, part.instance + offset, 0).to(torch.int16))
        truth += [renumbered(row, offset) for row in part.truth]
        offset = offset + part.instance.max()
    tensors = {
        name: torch.cat([getattr(part, name) for part in parts])
        for name in Renders.__dataclass_fields__
        if name not in ("truth", "instance")
    }
    return Renders(
        instance=torch.cat(instances),
        truth=truth,
        **tensors,
    )


def renumbered(row: dict[str, Any], offset: Tensor) -> dict[str, Any]:
    """A picture's truth with `offset` added to the deposits' ids."""
    if not row.get("deposits"):
        return row  # without deposits the offset need not be fetched from the GPU
    return row | {"deposits": [d | {"id": d["id"] + int(offset)} for d in row["deposits"]]}
