"""Pictures that show no connector of the kind the net knows: they teach it to say so."""

import torch
import torch.nn.functional as F
from torch import Tensor

from .draw import Draw
from .paint import noise_texture, sample_texture

__all__ = ["draw_negatives"]


def draw_negatives(draw: Draw, count: int, size_hw: tuple[int, int]) -> Tensor:
    """`count` pictures [N, 3, H, W] in [0, 1]: blanks, noise, blobs, blocks, holes, stripes."""
    high, wide = size_hw
    y = torch.linspace(-1, 1, high, device=draw.device)[None, :, None].expand(count, high, wide)
    x = torch.linspace(-1, 1, wide, device=draw.device)[None, None].expand(count, high, wide)
    x = x * (wide / high)
    base = draw.log_uniform(0.02, 1.0, count, 3)[:, :, None, None] * torch.ones(
        count, 3, high, wide, device=draw.device
    )
    sort = draw.pick((0.15, 0.12, 0.28, 0.25, 0.2), count)
    texture = noise_texture(draw, count, 3)
    zoom = draw.log_uniform(0.1, 2.0, count)[:, None, None]
    clouds = sample_texture(texture, x * zoom, y * zoom)
    clouds = torch.where(
        draw.chance(0.5, count)[:, None, None, None], torch.tanh(clouds * 5), clouds
    )
    scene = base + 0.3 * clouds * (sort == 2)[:, None, None, None]
    scene = boxes(draw, scene, x, y, (sort == 2) | (sort == 3))
    scene = rows_of_holes(draw, scene, x, y, sort == 3)
    period, turn = draw.log_uniform(0.02, 0.5, count), draw.uniform(0, 6.28, count)
    wave = torch.sin(
        (x * turn.cos()[:, None, None] + y * turn.sin()[:, None, None])
        * 6.28
        / period[:, None, None]
    )
    scene = torch.where((sort == 4)[:, None, None, None], scene * (1 + 0.6 * wave[:, None]), scene)
    slope = 1 + 0.6 * (
        draw.uniform(-1, 1, count)[:, None, None] * x
        + draw.uniform(-1, 1, count)[:, None, None] * y
    )
    scene = F.avg_pool2d(scene * slope[:, None].clamp_min(0.05), 3, 1, 1)
    strong = torch.where(
        sort == 1, draw.log_uniform(0.05, 0.6, count), draw.log_uniform(0.001, 0.04, count)
    )
    return (scene + draw.noise(count, 3, high, wide) * strong[:, None, None, None]).clamp(0, 1)


def boxes(draw: Draw, scene: Tensor, x: Tensor, y: Tensor, on: Tensor) -> Tensor:
    """Rectangles and discs of all sizes, each with its own tone."""
    n = x.shape[0]
    for _ in range(8):
        cx, cy = draw.uniform(-1.3, 1.3, n)[:, None, None], draw.uniform(-1, 1, n)[:, None, None]
        turn = draw.uniform(0, 3.14, n)
        u = (x - cx) * turn.cos()[:, None, None] + (y - cy) * turn.sin()[:, None, None]
        v = (y - cy) * turn.cos()[:, None, None] - (x - cx) * turn.sin()[:, None, None]
        a, b = (
            draw.log_uniform(0.04, 0.9, n)[:, None, None],
            draw.log_uniform(0.04, 0.9, n)[:, None, None],
        )
        disc = draw.chance(0.35, n)[:, None, None]
        inside = torch.where(disc, (u / a) ** 2 + (v / b) ** 2 < 1, (u.abs() < a) & (v.abs() < b))
        inside = inside & (on & draw.chance(0.7, n))[:, None, None]
        colour = draw.log_uniform(0.01, 1.0, n, 1) * (1 + 0.2 * draw.normal(n, 3))
        scene = torch.where(inside[:, None], colour.clamp(0, 1.2)[:, :, None, None], scene)
    return scene


def rows_of_holes(draw: Draw, scene: Tensor, x: Tensor, y: Tensor, on: Tensor) -> Tensor:
    """A rectangular block with a row of bores, as multi-fibre ends and metal blocks show."""
    n = x.shape[0]
    half_w, half_h = (
        draw.uniform(0.4, 1.1, n)[:, None, None],
        draw.uniform(0.15, 0.7, n)[:, None, None],
    )
    block = (x.abs() < half_w) & (y.abs() < half_h) & on[:, None, None]
    tone = draw.uniform(0.1, 0.9, n, 3)[:, :, None, None]
    scene = torch.where(block[:, None], tone, scene)
    pitch = draw.log_uniform(0.05, 0.5, n)[:, None, None]
    bore = pitch * draw.uniform(0.15, 0.45, n)[:, None, None]
    shift = torch.remainder(x + pitch / 2, pitch) - pitch / 2
    hole = (shift**2 + y**2 < bore**2) & block
    return torch.where(
        hole[:, None], tone * draw.log_uniform(0.1, 2.0, n)[:, None, None, None], scene
    )
