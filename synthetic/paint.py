"""Albedo of the clean scene: base colours with grinding marks, blotches, clutter and glow."""

import torch
import torch.nn.functional as F
from torch import Tensor

from .draw import Draw
from .scene import Materials, Part, Scene
from .trace import Hits, spread

__all__ = ["base_albedo", "noise_texture", "pool_of_light", "sample_texture"]


def noise_texture(draw: Draw, count: int, channels: int, size: int = 128) -> Tensor:
    """Smooth noise of three octaves, about unit variance: [N, C, size, size]."""
    total = torch.zeros(count, channels, size, size, device=draw.device)
    for octave, weight in ((size // 16, 0.7), (size // 4, 0.5), (size, 0.5)):
        fine = draw.noise(count, channels, octave, octave)
        total += weight * F.interpolate(
            fine, size=(size, size), mode="bilinear", align_corners=False
        )
    return total


def sample_texture(texture: Tensor, u: Tensor, v: Tensor) -> Tensor:
    """Noise at coordinates (u, v) in textures' widths, mirrored beyond the edge: [N, C, ...]."""
    grid = torch.stack([u, v], -1)
    return F.grid_sample(
        texture, grid, mode="bilinear", padding_mode="reflection", align_corners=False
    )


def base_albedo(draw: Draw, scene: Scene, hits: Hits) -> Tensor:
    """Albedo (radiance for the surround) of every pixel: [N, H, W, 3]."""
    n = hits.part.shape[0]
    batch = torch.arange(n, device=draw.device)[:, None, None]
    part = hits.part.long()
    albedo = scene.materials.albedo[batch, part]
    texture = noise_texture(draw, n, 2)
    rings = (hits.part == Part.BARREL) | (hits.part == Part.CHAMFER) | (hits.part == Part.WALL)
    u = torch.where(rings, hits.s, hits.point[..., 0])
    v = torch.where(rings, hits.theta * 1.2, hits.point[..., 1])
    scale = scene.materials.texture_scale[batch, part] * 0.15
    marks = sample_texture(texture[:, :1], u * scale[..., 0], v * scale[..., 1])[:, 0]
    factor = 1 + scene.materials.texture[batch, part] * marks
    factor = (
        factor
        * core_glow(scene.materials, hits)
        * bonding_line(draw, hits)
        * moulded_marks(draw, hits)
    )
    out = (albedo * factor[..., None]).clamp(0.002, 1.5)
    return torch.where(
        (hits.part == Part.SURROUND)[..., None], surround(draw, scene, hits, texture, out), out
    )


def core_glow(materials: Materials, hits: Hits) -> Tensor:
    """A fibre lit from its far end shows a bright core of about 9 um."""
    r2 = hits.point[..., 0] ** 2 + hits.point[..., 1] ** 2
    core = torch.exp(-r2 / (2 * 0.005**2))
    return torch.where(hits.part == Part.FIBER, 1 + spread(materials.core_glow) * core, 1.0)


def bonding_line(draw: Draw, hits: Hits) -> Tensor:
    """The adhesive ring between fibre and bore: a thin darker or lighter line."""
    n = hits.part.shape[0]
    depth = torch.where(draw.chance(0.3, n), draw.uniform(-0.5, 0.3, n), 0.0)
    r = torch.sqrt(hits.point[..., 0] ** 2 + hits.point[..., 1] ** 2)
    line = torch.exp(-(((r - 0.0635) / 0.0025) ** 2))
    on = (hits.part == Part.FIBER) | (hits.part == Part.ENDFACE)
    return torch.where(on, 1 + spread(depth) * line, 1.0)


def moulded_marks(draw: Draw, hits: Hits) -> Tensor:
    """Rows of letter-like dots on some housings, lighter or darker: lettering that is no dirt."""
    n = hits.part.shape[0]
    pitch, turn = spread(draw.log_uniform(0.03, 0.16, n)), draw.uniform(0, 6.2832, n)
    x, y = hits.point[..., 0], hits.point[..., 1]
    u = x * spread(turn.cos()) + y * spread(turn.sin())
    v = y * spread(turn.cos()) - x * spread(turn.sin()) - spread(draw.uniform(0.8, 3.5, n))
    bits = (draw.noise_unit(n, 1, 64, 64) > 0.45).float()
    cell = torch.stack(
        [torch.remainder(u / pitch, 64) / 32 - 1, torch.remainder(v / pitch, 64) / 32 - 1], -1
    )
    ink = F.grid_sample(bits, cell, mode="nearest", padding_mode="border", align_corners=False)[
        :, 0
    ]
    gap = torch.remainder(u / pitch, 6) > 1  # a blank column between letters
    housing = (hits.part == Part.HOUSING) | (hits.part == Part.BODY)
    on = housing & (v.abs() < 3.5 * pitch) & gap & spread(draw.chance(0.3, n))
    depth = torch.where(draw.chance(0.6, n), draw.uniform(0.4, 0.9, n), draw.uniform(1.1, 2.0, n))
    return torch.where(on, 1 + (spread(depth) - 1) * ink, 1.0)


def surround(draw: Draw, scene: Scene, hits: Hits, texture: Tensor, flat: Tensor) -> Tensor:
    """A ground of one tone, unevenly lit or cluttered, behind the connector: [N, H, W, 3]."""
    n, high, wide = hits.part.shape
    y = torch.linspace(-1, 1, high, device=draw.device)[None, :, None].expand(n, high, wide)
    x = torch.linspace(-1, 1, wide, device=draw.device)[None, None].expand(n, high, wide)
    lean, turn = draw.uniform(0.0, 0.8, n), draw.uniform(0, 6.2832, n)
    slope = 1 + spread(lean) * 0.7 * (x * spread(turn.cos()) + y * spread(turn.sin()))
    zoom = spread(draw.log_uniform(0.1, 0.8, n))
    shift = draw.uniform(-0.5, 0.5, n, 2)
    clutter = sample_texture(
        texture[:, 1:], x * zoom + spread(shift[:, 0]), y * zoom + spread(shift[:, 1])
    )[:, 0]
    busy = spread(
        torch.where(draw.chance(0.35, n), draw.uniform(0.2, 1.2, n), draw.uniform(0.0, 0.06, n))
    )
    steps = torch.where(
        spread(draw.chance(0.5, n)), torch.tanh(clutter * 6), clutter
    )  # blobs with edges
    tone = slope.clamp_min(0.05) * torch.exp(busy * steps * 0.8)
    uneven = (flat * tone[..., None]).clamp(0.002, 1.2)
    even = spread(scene.materials.albedo[:, Part.SURROUND]).expand_as(uneven)
    out = torch.where(spread(scene.materials.plain_table)[..., None], even, uneven)
    return out * pool_of_light(scene.materials.pool, x, y * (high / wide))[..., None]


def pool_of_light(pool: Tensor, x: Tensor, y: Tensor) -> Tensor:
    """How much brighter a lamp makes the table at (x, y), half frame widths: factor [N, H, W]."""
    centre_x, centre_y, radius, rise = pool.T
    square = (x - spread(centre_x)) ** 2 + (y - spread(centre_y)) ** 2
    return 1 + spread(rise) * torch.exp(-square / (2 * spread(radius) ** 2))
