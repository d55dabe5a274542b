"""Deposits that stand up: grains (with their shade on the host) and drops.

A grain is a lumpy ellipsoid cut by planes; a drop is a flat ellipsoid that bends and mirrors light.
Both are met by the pixels' own rays in small windows, so they reach beyond the host's silhouette.
"""

from dataclasses import dataclass, fields

import torch
from torch import Tensor

from ..model.kinds import Kind
from .anchors import Anchors, Ground
from .canvas import SURFACE_OF_PART, Canvas
from .draw import Draw
from .light import LitScene, Surroundings, environment
from .scene import Lights, Part
from .stains import wide
from .trace import Rays
from .windows import Spot, Windows, cut_windows

__all__ = ["Ellipsoids", "Grains", "Lumps", "paint_drops", "paint_grains"]

# Half sides of grain windows, px; a grain's body fills a third, its shade may fill the rest.
BUCKETS = (16, 40, 104)


@dataclass(frozen=True)
class Ellipsoids:
    """M ellipsoids: centre [M, 3] mm, axes [M, 3, 3] (along, across, up), half axes [M, 3] mm."""

    centre: Tensor
    axes: Tensor
    half: Tensor

    def take(self, mask: Tensor) -> "Ellipsoids":
        """Those of `mask`, by index or mask."""
        return Ellipsoids(self.centre[mask], self.axes[mask], self.half[mask])

    def inward(self, origin: Tensor, direction: Tensor) -> tuple[Tensor, Tensor]:
        """Rays [M, w, w, 3] in the frame where the ellipsoid is the unit ball."""
        d = origin - self.centre[:, None, None]
        half = self.half[:, None, None]
        turn = self.axes.transpose(1, 2)[:, None]
        return (d @ turn) / half, (direction @ turn) / half

    def outward(self, normal: Tensor) -> Tensor:
        """Normals of the unit ball [M, w, w, 3] as unit normals in the world."""
        world = (normal / self.half[:, None, None]) @ self.axes[:, None]
        return world / world.norm(dim=-1, keepdim=True).clamp_min(1e-6)


@dataclass(frozen=True)
class Lumps:
    """Waves that push M balls' surfaces about: amplitude [M], waves [M, 3, 3], phase [M, 3].

    Row k of the waves is the wave vector (radians per ball radius) of the push along axis k.
    """

    amplitude: Tensor
    waves: Tensor
    phase: Tensor

    def push(self, at: Tensor) -> Tensor:
        """What to add to points [M, h, w, 3] of the ball's frame before they meet the ball."""
        wave = at @ self.waves.transpose(1, 2)[:, None] + self.phase[:, None, None]
        return wide(self.amplitude)[..., None] * wave.sin()

    def take(self, which: Tensor) -> "Lumps":
        """Those of `which`, by index or mask."""
        return Lumps(self.amplitude[which], self.waves[which], self.phase[which])


@dataclass(frozen=True)
class Grains:
    """M grains: ellipsoids cut by planes of the unit ball, normals [M, K, 3], offsets [M, K]."""

    bodies: Ellipsoids
    normals: Tensor
    offsets: Tensor
    lumps: Lumps

    def take(self, which: Tensor) -> "Grains":
        """Those of `which`, by index or mask."""
        return Grains(
            self.bodies.take(which),
            self.normals[which],
            self.offsets[which],
            self.lumps.take(which),
        )


def ball_hit(o: Tensor, d: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Enter and leave of rays in the unit ball, |d|^2, and whether it is hit."""
    a = (d * d).sum(-1).clamp_min(1e-12)
    b, c = (o * d).sum(-1), (o * o).sum(-1) - 1
    disc = b * b - a * c
    root = disc.clamp_min(0).sqrt()
    return (-b - root) / a, (-b + root) / a, a, disc > 0


def draw_grain_sizes(draw: Draw, anchors: Anchors) -> Tensor:
    """Area-equivalent radius, mm: many small, few large (A2 test dust ends at 120 um)."""
    m = anchors.batch.shape[0]
    size = draw.log_uniform(0.003, 0.045, m)
    size = torch.where(draw.chance(0.12, m), draw.log_uniform(0.03, 0.13, m), size)
    return torch.minimum(
        torch.maximum(size, 0.9 * anchors.mm_per_px), anchors.mm_per_px * (BUCKETS[-1] / 3)
    )


def draw_lumps(draw: Draw, m: int) -> Lumps:
    """Two grains in three are ragged."""
    amplitude = torch.where(draw.chance(0.65, m), draw.uniform(0.03, 0.2, m), 0.0)
    waves = draw.direction(m, 3) * draw.uniform(2.0, 6.0, m, 3, 1)
    return Lumps(amplitude, waves, draw.uniform(0, 6.2832, m, 3))


def draw_grains(draw: Draw, anchors: Anchors) -> Grains:
    """Bodies, cutting planes and lumps."""
    m, planes = anchors.batch.shape[0], 7
    radius = draw_grain_sizes(draw, anchors)
    long, flat = draw.uniform(1.0, 1.55, m), draw.uniform(0.35, 0.95, m)
    half = radius[:, None] * torch.stack([long, 1 / long, flat], -1)
    lift = half[:, 2] * draw.uniform(0.1, 0.95, m)
    axes = torch.stack([anchors.along, anchors.across, anchors.normal], 1)
    offset = draw.uniform(0.3, 1.0, m, planes)
    offset = torch.where(draw.chance(0.2, m)[:, None], 1.0, offset)  # some are round
    return Grains(
        Ellipsoids(anchors.point + anchors.normal * lift[:, None], axes, half),
        draw.direction(m, planes),
        offset,
        draw_lumps(draw, m),
    )


def paint_grains(
    draw: Draw,
    canvas: Canvas,
    lit: LitScene,
    anchors: Anchors,
) -> Grains | None:
    """All grains of the batch, nearest in front; their shade on the host."""
    m = anchors.batch.shape[0]
    if m == 0:
        return None
    grains = draw_grains(draw, anchors)
    tone = grain_tone(draw, m)
    extent = grains.bodies.half.max(-1).values / anchors.mm_per_px * 3.0
    instance = canvas.take_instances(m)
    front = torch.full_like(lit.ground.hits.distance, 1e4)  # distance of the nearest grain so far
    todo = []
    for i, side in enumerate(BUCKETS):
        low = 0.0 if i == 0 else BUCKETS[i - 1]
        high = side if i < len(BUCKETS) - 1 else 1e9
        mask = (extent > low) & (extent <= high)
        index = mask.nonzero()[:, 0]
        if index.numel() == 0:
            continue
        own = anchors.take(index)
        windows = cut_windows(own.batch, own.px, 2 * side, tuple(front.shape[1:]))  # type: ignore[arg-type]
        these = grains.take(index)
        cast_shade(canvas, lit, windows, these.bodies)
        hit = meet_grain(lit.ground, lit.rays, windows, these)
        windows.lower(front, torch.where(hit[2], hit[0], 1e4))
        todo.append((index, windows, hit))
    for index, windows, (distance, normal, seen) in todo:
        nearest = seen & (distance <= windows.gather(front) + 1e-6)
        light = body_light(lit.rays, lit.around, anchors.take(index), windows, normal, tone[index])
        spot = windows.spot(nearest)
        write_body(canvas, anchors.take(index), spot, light)
        canvas.label(spot, nearest.shape, Kind.PARTICLE, instance[index])
    return grains


def meet_grain(
    ground: Ground, rays: Rays, windows: Windows, grains: Grains
) -> tuple[Tensor, Tensor, Tensor]:
    """Distance, unit normal and whether the ray meets the grain before the connector."""
    body, planes, offsets = grains.bodies, grains.normals, grains.offsets
    o, d = body.inward(windows.gather(rays.origin), windows.gather(rays.direction))
    # pushed by the ray's nearest point to the centre: the outline is lumpy from every side
    o = o + grains.lumps.push(o - d * ((o * d).sum(-1) / (d * d).sum(-1))[..., None])
    enter, leave, _, hit = ball_hit(o, d)
    normal = o + d * enter[..., None]
    for k in range(planes.shape[1]):
        n = planes[:, None, None, k]
        speed = (d * n).sum(-1)
        t = (wide(offsets[:, k]) - (o * n).sum(-1)) / torch.where(speed.abs() < 1e-9, 1e-9, speed)
        later = (speed < 0) & (t > enter)
        enter = torch.where(later, t, enter)
        normal = torch.where(later[..., None], n.expand_as(normal), normal)
        leave = torch.where(speed > 0, torch.minimum(leave, t), leave)
    seen = (
        hit
        & (enter < leave)
        & (enter < windows.gather(ground.hits.distance) + 2e-3)
        & windows.inside
    )
    return enter, body.outward(normal), seen


def grain_tone(draw: Draw, m: int) -> Tensor:
    """Albedo (3) and mirror strength (1) of each grain [M, 4]: dark, some brown, pale or metal."""
    sort = draw.pick((0.7, 0.12, 0.1, 0.08), m)
    dark = draw.log_uniform(0.0006, 0.05, m, 1).expand(m, 3)
    brown = draw.uniform(0.05, 0.4, m, 1) * (1 + draw.normal(m, 3) * 0.2)
    pale = draw.uniform(0.5, 0.95, m, 1).expand(m, 3)
    metal = draw.uniform(0.05, 0.2, m, 1).expand(m, 3)
    albedo = torch.stack([dark, brown, pale, metal], 1)[torch.arange(m, device=draw.device), sort]
    gloss = torch.where(sort == 3, draw.uniform(0.3, 0.6, m), draw.log_uniform(0.001, 0.05, m))
    return torch.cat([albedo.clamp(0.003, 0.95), gloss[:, None]], -1)


def cast_shade(
    canvas: Canvas,
    lit: LitScene,
    windows: Windows,
    body: Ellipsoids,
) -> None:
    """Take from the host the light that the body blocks: area lights, and the sky close by."""
    shaded, around = lit.shaded, lit.around
    batch = windows.index[:, 0, 0] // canvas.kind[0].numel()
    point = windows.gather(lit.ground.hits.point)
    o, _ = body.inward(point, point)
    share = windows.gather(shaded.share)
    dark = torch.zeros_like(o[..., 0])
    for i in range(share.shape[-1]):
        toward = around.lights.direction[batch, i][:, None, None].expand_as(point)
        _, d = body.inward(point, toward)
        a = (d * d).sum(-1).clamp_min(1e-9)
        b = (o * d).sum(-1)
        miss = torch.sqrt(((o * o).sum(-1) - b * b / a).clamp_min(0))
        soft = 0.08 + wide(around.lights.spread[batch, i]) * (-b / a.sqrt()).clamp(0, 6)
        dark += share[..., i] * torch.sigmoid((1 - miss) / (0.35 * soft)) * (b < 0)
    near = torch.sqrt((o * o).sum(-1))
    rest = (1 - share.sum(-1)).clamp(0, 1)
    dark += rest * 0.55 * torch.exp(-((near - 1).clamp_min(0) * 2.2))
    host = windows.gather(lit.ground.hits.part) != Part.SURROUND
    windows.lower(canvas.shadow, torch.where(host, (1 - dark).clamp(0.02, 1), 1.0))


def body_light(
    rays: Rays,
    around: Surroundings,
    anchors: Anchors,
    windows: Windows,
    normal: Tensor,
    tone: Tensor,
) -> Tensor:
    """Radiance of the grains' visible sides: [M, w, w, 3]."""
    lights, batch = around.lights, anchors.batch
    glow = torch.zeros_like(normal[..., 0])
    for i in range(lights.power.shape[1]):
        cosine = (normal * lights.direction[batch, i][:, None, None]).sum(-1)
        glow = glow + cosine.clamp_min(0) * wide(lights.power[batch, i])
    facing = (normal * around.view[batch][:, None, None]).sum(-1).clamp_min(0)
    up = (normal * anchors.normal[:, None, None]).sum(-1) * 0.5 + 0.5
    glow = glow + facing * wide(0.7 * lights.ring_power[batch] + 0.25 * lights.coaxial_power[batch])
    glow = (glow + wide(lights.sky[batch])) * (0.25 + 0.75 * up)
    ray = windows.gather(rays.direction)
    bounce = ray - 2 * (ray * normal).sum(-1, keepdim=True) * normal
    own = Surroundings(select(lights, batch), around.view[batch])
    shine = environment(own, bounce, torch.full_like(glow, 0.35)) * wide(tone[:, 3])
    tint = lights.tint[batch][:, None, None]
    return (glow[..., None] * tone[:, None, None, :3] + shine[..., None]) * tint


def select(lights: Lights, batch: Tensor) -> Lights:
    """The lights of each window's picture."""
    return Lights(*(getattr(lights, field.name)[batch] for field in fields(lights)))


def write_body(canvas: Canvas, anchors: Anchors, spot: Spot, light: Tensor) -> None:
    """Replace the host's light, and give the pixels to the host's surface, depth and layer."""
    shape = light.shape[:-1]
    spot.put(canvas.diffuse, light)
    spot.put(canvas.mirror, torch.zeros_like(light))
    spot.put(canvas.shadow, torch.ones(shape, device=light.device))
    table = torch.tensor(SURFACE_OF_PART, device=light.device, dtype=torch.uint8)
    spot.put(canvas.surface, wide(table[anchors.part.long()]).expand(shape))
    on_ferrule = (anchors.part >= Part.BARREL) & (anchors.part <= Part.FIBER)
    spot.put(canvas.near, wide(on_ferrule).expand(shape))
    x, y = anchors.host_pixel(canvas.size_hw)
    spot.put(canvas.depth, wide(canvas.depth[anchors.batch, y, x]).expand(shape))


def paint_drops(
    draw: Draw,
    canvas: Canvas,
    lit: LitScene,
    anchors: Anchors,
    side: int,
) -> Ellipsoids:
    """Drops and wet patches: a clear cap that bends the host's picture, dark at its rim."""
    m = anchors.batch.shape[0]
    radius = torch.minimum(draw.log_uniform(0.03, 0.28, m), anchors.mm_per_px * side * 0.36)
    long = draw.uniform(1.0, 1.25, m)
    high = draw.log_uniform(0.06, 0.7, m)
    half = radius[:, None] * torch.stack([long, 1 / long, high], -1)
    axes = torch.stack([anchors.along, anchors.across, anchors.normal], 1)
    body = Ellipsoids(anchors.point - anchors.normal * (half[:, 2] * 0.15)[:, None], axes, half)
    windows = cut_windows(anchors.batch, anchors.px, side, tuple(canvas.kind.shape[1:]))  # type: ignore[arg-type]
    ray = windows.gather(lit.rays.direction)
    o, d = body.inward(windows.gather(lit.rays.origin), ray)
    enter, _, _, hit = ball_hit(o, d)
    seen = hit & (enter < windows.gather(lit.ground.hits.distance) + 1e-3) & windows.inside
    cap = o + d * enter[..., None]
    normal = body.outward(cap)
    light = drop_light(
        draw,
        canvas,
        lit.around,
        anchors,
        windows,
        (cap, normal, ray),
    )
    spot = windows.spot(seen)
    write_body(canvas, anchors, spot, light)
    canvas.label(spot, seen.shape, Kind.LIQUID, canvas.take_instances(m))
    return body


def drop_light(
    draw: Draw,
    canvas: Canvas,
    around: Surroundings,
    anchors: Anchors,
    windows: Windows,
    cap: tuple[Tensor, Tensor, Tensor],
) -> Tensor:
    """What a drop shows: the host seen through it, a rim of total reflection, and the lights."""
    at, normal, ray = cap
    m = anchors.batch.shape[0]
    under = bent_view(canvas, anchors, windows, normal)
    rim = at[..., 0] ** 2 + at[..., 1] ** 2
    centre_gain = torch.where(
        draw.chance(0.45, m), draw.log_uniform(0.02, 0.5, m), draw.uniform(0.6, 1.25, m)
    )
    edge_gain = torch.where(
        draw.chance(0.3, m), draw.uniform(0.9, 1.6, m), draw.log_uniform(0.08, 0.85, m)
    )
    power = wide(draw.log_uniform(0.6, 6.0, m))
    gain = wide(centre_gain) + wide(edge_gain - centre_gain) * rim.clamp(0, 1) ** power
    sparkle = draw.noise(*rim.shape)
    fine = wide(torch.where(draw.chance(0.5, m), draw.log_uniform(0.05, 2.2, m), 0.0))
    limit = wide(draw.uniform(-0.5, 1.8, m))
    gain = gain * (
        1
        + fine * ((sparkle - limit).clamp_min(0) * 1.6 - 0.35 * wide((limit[:, 0, 0] < 1).float()))
    )
    cosine = (ray * normal).sum(-1).clamp(-1, 0)
    fresnel = 0.03 + 0.97 * 0.6 * (1 + cosine) ** 5
    bounce = ray - 2 * (ray * normal).sum(-1, keepdim=True) * normal
    own = Surroundings(select(around.lights, anchors.batch), around.view[anchors.batch])
    glint = environment(own, bounce, torch.full_like(cosine, 0.03)) * fresnel
    glint = glint + lamp_images(draw, around.lights, anchors.batch, at)
    tint = around.lights.tint[anchors.batch][:, None, None]
    return under * gain.clamp_min(0.01)[..., None] + glint[..., None] * tint


def lamp_images(draw: Draw, lights: Lights, batch: Tensor, at: Tensor) -> Tensor:
    """The single lamps of a ring light, mirrored as a ring of dots in some drops: [M, w, w]."""
    m = batch.shape[0]
    count = draw.uniform(6, 26, m).floor()
    ring, size = wide(draw.uniform(0.5, 0.88, m)), wide(draw.log_uniform(0.02, 0.07, m))
    all_light = lights.sky + lights.ring_power + lights.power.sum(-1)
    strength = torch.where(draw.chance(0.25, m), draw.log_uniform(0.3, 3.0, m), 0.0)
    r = torch.sqrt(at[..., 0] ** 2 + at[..., 1] ** 2)
    turns = torch.atan2(at[..., 1], at[..., 0]) / 6.2832 * wide(count)
    aside = (turns - turns.round()) * 6.2832 * r / wide(count)
    dots = torch.exp(-((r - ring) ** 2 + aside**2) / size**2)
    return dots * wide(strength * all_light[batch])


def bent_view(canvas: Canvas, anchors: Anchors, windows: Windows, normal: Tensor) -> Tensor:
    """The host's light fetched from where refraction (n about 1.4) sends the view: [M, w, w, 3]."""
    high, width = canvas.size_hw
    side = windows.index.shape[1]
    tilt = normal - anchors.normal[:, None, None]
    push = -0.18 * side * 0.36 * tilt[..., :2]
    reach = torch.arange(side, device=normal.device) - side // 2
    x = anchors.px[:, 0].floor()[:, None, None] + reach[None, None, :] + push[..., 0]
    y = anchors.px[:, 1].floor()[:, None, None] + reach[None, :, None] - push[..., 1]
    x, y = x.long().clamp(0, width - 1), y.long().clamp(0, high - 1)
    batch = anchors.batch[:, None, None]
    light = (canvas.diffuse + canvas.mirror)[batch, y, x]
    column, row = anchors.host_pixel(canvas.size_hw)
    host = canvas.diffuse[anchors.batch, row, column]
    off = ~canvas.near[batch, y, x] & wide(
        (anchors.part >= Part.BARREL) & (anchors.part <= Part.FIBER)
    )
    return torch.where(off[..., None], host[:, None, None] * 0.8, light)
