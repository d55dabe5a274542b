"""Flat deposits: films, fingerprints, dried residues, chips and scratches.

Each changes the light that its host sends: the diffuse part, the mirrored part, or both.
"""

from dataclasses import dataclass

import torch
from torch import Tensor

from ..model.kinds import Kind
from .anchors import Anchors, Ground
from .canvas import Canvas, local_frame
from .draw import Draw
from .windows import Windows, cut_windows

__all__ = [
    "Outline",
    "draw_outline",
    "paint_chips",
    "paint_films",
    "paint_residues",
    "paint_scratches",
]


def wide(value: Tensor) -> Tensor:
    """[M] -> [M, 1, 1]."""
    return value[:, None, None]


@dataclass(frozen=True)
class Outline:
    """A wobbly closed curve: radius (mm) times 1 + sum of harmonics."""

    radius: Tensor  # [M]
    stretch: Tensor  # [M]
    amplitude: Tensor  # [M, K]
    phase: Tensor  # [M, K]

    def level(self, u: Tensor, v: Tensor) -> Tensor:
        """0 at the centre, 1 on the curve, more outside: [M, w, w]."""
        u, v = u / wide(self.stretch), v * wide(self.stretch)
        angle = torch.atan2(v, u)
        edge = torch.ones_like(u)
        for k in range(self.amplitude.shape[1]):
            edge = edge + wide(self.amplitude[:, k]) * torch.cos(
                (k + 2) * angle + wide(self.phase[:, k])
            )
        return torch.sqrt(u * u + v * v) / (wide(self.radius) * edge.clamp_min(0.25))


def draw_outline(draw: Draw, radius_mm: Tensor, wobble: float) -> Outline:
    """An outline whose k-th harmonic falls off as 1 / k; some have lobes (one that stands out)."""
    m, order = radius_mm.shape[0], 6
    fall = 1 / torch.arange(2, 2 + order, device=draw.device)
    lobes = torch.where(draw.chance(0.45, m), draw.uniform(0.05, 0.17, m), 0.0)[:, None]
    of_lobes = torch.arange(order, device=draw.device) == draw.pick((0, 1, 2, 2, 2, 1), m)[:, None]
    amplitude = draw.normal(m, order) * fall * draw.log_uniform(0.15, 1.0, m, 1) * wobble
    amplitude = torch.where(lobes > 0, 0.3 * amplitude + lobes * of_lobes, amplitude)
    return Outline(
        radius_mm, draw.log_uniform(0.72, 1.4, m), amplitude, draw.uniform(0, 6.2832, m, order)
    )


def stain_windows(
    anchors: Anchors, ground: Ground, side: int, spill: Tensor
) -> tuple[Windows, Tensor, Tensor, Tensor]:
    """Windows with tangent coordinates (mm) and the pixels on which a stain can lie.

    A stain keeps to its host part, or where `spill` runs over the neighbouring parts of the same
    body.
    """
    size = tuple(ground.hits.part.shape[1:])
    windows = cut_windows(anchors.batch, anchors.px, side, size)  # type: ignore[arg-type]
    u, v, h = local_frame(anchors, windows.gather(ground.hits.point))
    part = windows.gather(ground.hits.part)
    host = wide(anchors.part)
    on_ferrule, host_on_ferrule = (part >= 3) & (part <= 6), (host >= 3) & (host <= 6)
    face = lambda p: (p == 5) | (p == 6)  # noqa: E731  fibre and endface are one face
    same = (part == host) | (face(part) & face(host))
    body = torch.where(host_on_ferrule, on_ferrule, (part == 2) | (part == 8) | (part == 1))
    reach = torch.sqrt(u * u + v * v)
    return windows, u, v, torch.where(wide(spill), body, same) & (h.abs() < 0.5 * reach + 0.06)


@dataclass(frozen=True)
class Change:
    """What a stain does to its host's light, each times alpha [M, w, w].

    Factors on the diffuse light ([M, w, w, 3] or [M, 1, 1, 3]) and on the mirrored light ([M, w, w]
    or [M, 1, 1]), and light added ([M, 1, 1]).
    """

    alpha: Tensor
    diffuse: Tensor
    mirror: Tensor
    added: Tensor | float = 0.0


def blend(canvas: Canvas, windows: Windows, change: Change) -> None:
    """Change the host's light in the windows."""
    spot = windows.spot(change.alpha > 1e-3)
    a = change.alpha[..., None]
    haze = (change.alpha * change.added)[..., None]
    old_d, old_m = windows.gather(canvas.diffuse), windows.gather(canvas.mirror)
    spot.put(canvas.diffuse, old_d * (1 + a * (change.diffuse - 1)) + haze)
    spot.put(canvas.mirror, old_m * (1 + a * (change.mirror[..., None] - 1)))


def name_pixels(canvas: Canvas, windows: Windows, where: Tensor, kind: Kind) -> None:
    """Label the stains' pixels, a fresh instance per window."""
    canvas.label(windows.spot(where), where.shape, kind, canvas.take_instances(where.shape[0]))


def paint_films(draw: Draw, canvas: Canvas, ground: Ground, anchors: Anchors, side: int) -> None:
    """Oil (vegetable oil stands for skin oil) and fingerprints: smooth or ridged, soft-edged."""
    m = anchors.batch.shape[0]
    radius = torch.minimum(draw.log_uniform(0.04, 0.5, m), anchors.mm_per_px * side * 0.42)
    windows, u, v, allowed = stain_windows(anchors, ground, side, draw.chance(0.5, m))
    level = draw_outline(draw, radius, 0.5).level(u, v)
    soft = wide(draw.log_uniform(0.012, 0.16, m))
    alpha = torch.sigmoid((0.97 - level) / soft) * allowed
    turn, period = draw.uniform(0, 6.2832, m), draw.log_uniform(0.025, 0.12, m)
    bend = wide(draw.normal(m) * 0.6) * (v * v - u * u) / wide(radius)
    across = u * wide(turn.cos()) + v * wide(turn.sin()) + bend * 0.6
    ridges = torch.sigmoid(torch.sin(6.2832 * across / wide(period)) * wide(draw.uniform(2, 8, m)))
    ridged = wide(draw.chance(0.45, m))
    alpha_shown = alpha * torch.where(ridged, ridges, 1.0)
    strong = draw.chance(0.65, m)
    dark = torch.where(strong, draw.uniform(0.45, 0.93, m), draw.uniform(1.05, 1.7, m))
    tint = dark[:, None] * (1 + draw.normal(m, 3) * 0.04)
    mirror = torch.where(
        draw.chance(0.5, m), draw.log_uniform(0.2, 0.9, m), draw.log_uniform(1.0, 2.5, m)
    )
    haze = wide(draw.log_uniform(0.003, 0.05, m))
    blend(canvas, windows, Change(alpha_shown, tint[:, None, None], wide(mirror), haze))
    name_pixels(canvas, windows, (level < 1) & allowed, Kind.FILM)


def paint_residues(draw: Draw, canvas: Canvas, ground: Ground, anchors: Anchors, side: int) -> None:
    """Dried isopropanol or salt water: a rim where the last liquid stood, faint inside, grains."""
    m = anchors.batch.shape[0]
    radius = torch.minimum(draw.log_uniform(0.03, 0.5, m), anchors.mm_per_px * side * 0.42)
    windows, u, v, allowed = stain_windows(anchors, ground, side, draw.chance(0.3, m))
    level = draw_outline(draw, radius, 0.7).level(u, v)
    pixel = wide(anchors.mm_per_px / radius)
    thick = torch.maximum(wide(draw.log_uniform(0.025, 0.16, m)), 1.2 * pixel)
    rim = torch.exp(-(((level - 1 + thick) / thick) ** 2))
    inner = wide(torch.where(draw.chance(0.25, m), draw.uniform(0.3, 0.8, m), 0.0))
    rim = rim + 0.7 * torch.exp(-(((level - inner) / thick) ** 2)) * (inner > 0)
    body = torch.sigmoid((1 - level) / (0.5 * thick)) * allowed
    grains = draw.noise(*level.shape) * wide(draw.uniform(0.0, 0.5, m))
    bright = draw.chance(0.3, m)
    factor = torch.where(bright, draw.uniform(1.1, 2.0, m), draw.uniform(0.35, 0.9, m))
    faint = torch.where(bright, draw.uniform(1.0, 1.12, m), draw.uniform(0.86, 1.0, m))
    change = (wide(factor) - 1) * rim.clamp(max=1) + (wide(faint) - 1) * (1 + grains)
    warm = 1 + draw.normal(m, 3) * 0.03
    diffuse = (1 + change)[..., None].clamp(0.05, 3) * warm[:, None, None]
    mirror = (1 + change * wide(draw.uniform(0.4, 1.4, m))).clamp(0.05, 3)
    blend(canvas, windows, Change(body, diffuse, mirror))
    name_pixels(canvas, windows, (level < 1) & allowed, Kind.RESIDUE)


def paint_chips(draw: Draw, canvas: Canvas, ground: Ground, anchors: Anchors, side: int) -> None:
    """Chips and pits: broken-out ceramic, flat grey with a sharp edge, its gloss gone."""
    m = anchors.batch.shape[0]
    radius = torch.minimum(draw.log_uniform(0.015, 0.4, m), anchors.mm_per_px * side * 0.42)
    windows, u, v, allowed = stain_windows(anchors, ground, side, draw.chance(0.2, m))
    level = draw_outline(draw, radius, 1.1).level(u, v)
    pixel = wide(anchors.mm_per_px / radius)
    alpha = torch.sigmoid((1 - level) / (0.35 * pixel + 0.004)) * allowed
    dark = torch.where(draw.chance(0.8, m), draw.uniform(0.25, 0.75, m), draw.uniform(1.2, 2.2, m))
    rough = 1 + draw.noise(*level.shape) * wide(draw.uniform(0.0, 0.15, m))
    lean = 1 + wide(draw.normal(m) * 0.2) * u / wide(radius)
    grey = (wide(dark) * rough * lean).clamp(0.05, 3)[..., None].expand(*level.shape, 3)
    blend(canvas, windows, Change(alpha, grey, wide(draw.uniform(0.05, 0.6, m))))
    name_pixels(canvas, windows, (level < 1) & allowed, Kind.DAMAGE)


def paint_scratches(
    draw: Draw, canvas: Canvas, ground: Ground, anchors: Anchors, side: int
) -> None:
    """Scratches: straight or slightly bent grooves, a few um wide, darker or brighter."""
    m = anchors.batch.shape[0]
    half = torch.minimum(draw.log_uniform(0.05, 0.45, m), anchors.mm_per_px * side * 0.45)
    windows, u, v, allowed = stain_windows(anchors, ground, side, draw.chance(0.1, m))
    bow = wide(draw.normal(m) * 0.25 / half * draw.unit(m))
    distance = (v - bow * (u * u - wide(half) ** 2 * 0.5)).abs() / torch.sqrt(
        1 + (2 * bow * u) ** 2
    )
    width = wide(torch.maximum(draw.log_uniform(0.0012, 0.009, m), 0.35 * anchors.mm_per_px))
    ends = torch.sigmoid((wide(half) - u.abs()) / (0.7 * wide(anchors.mm_per_px)))
    line = torch.exp(-((distance / width) ** 2) * 0.7) * ends
    alpha = line * allowed
    dark = torch.where(draw.chance(0.7, m), draw.uniform(0.2, 0.85, m), draw.uniform(1.2, 3.5, m))
    grey = dark[:, None, None, None].expand(m, 1, 1, 3)
    glint = wide(torch.where(dark > 1, draw.unit(m) * 0.05, 0.0))
    blend(canvas, windows, Change(alpha, grey, wide(dark), glint))
    drawn = torch.maximum(width, 0.75 * wide(anchors.mm_per_px))
    name_pixels(canvas, windows, (distance < drawn) & (u.abs() < wide(half)) & allowed, Kind.DAMAGE)
