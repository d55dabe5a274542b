"""Lint: bent threads lying on, or standing off, the connector, with their shade."""

from dataclasses import dataclass, fields, replace
from typing import Any

import torch
from torch import Tensor

from ..model.kinds import Kind
from .anchors import Anchors
from .canvas import SURFACE_OF_PART, Canvas
from .draw import Draw
from .light import LitScene
from .scene import Connectors, Part, Scene
from .stains import wide
from .trace import project
from .windows import Spot, Windows, cut_windows

__all__ = ["Threads", "paint_lint"]

KNOTS = 20
# Cotton, wipes, clothing: white, grey, black, blue, red, tan.
COLOURS = (
    (0.85, 0.85, 0.83), (0.45, 0.45, 0.45), (0.03, 0.03, 0.03), (0.08, 0.16, 0.5),
    (0.55, 0.08, 0.08), (0.5, 0.4, 0.25), (0.015, 0.015, 0.02),
)  # fmt: skip


@dataclass(frozen=True)
class Threads:
    """M threads: knots [M, K, 3] mm and radius [M] mm."""

    knots: Tensor
    radius: Tensor


def draw_threads(draw: Draw, connectors: Connectors, anchors: Anchors) -> Threads:
    """Smooth random curves through the anchor, lifted off the surface, bent round the ferrule."""
    m = anchors.batch.shape[0]
    length = draw.log_uniform(0.2, 2.2, m)
    radius = torch.where(
        draw.chance(0.4, m), draw.log_uniform(0.009, 0.022, m), draw.log_uniform(0.0035, 0.016, m)
    )
    bends = draw.normal(m, KNOTS) * draw.log_uniform(0.03, 0.5, m, 1)
    kinks = 2.2 * (torch.arange(KNOTS, device=draw.device) % 4 == 0)  # some are kinked, not bent
    turn = torch.cumsum(torch.where(draw.chance(0.45, m)[:, None], bends * kinks, bends), 1)
    turn = turn + torch.cumsum(draw.normal(m, 1).expand(m, KNOTS), 1) * 0.12
    step = (length / (KNOTS - 1))[:, None]
    u, v = torch.cumsum(turn.cos() * step, 1), torch.cumsum(turn.sin() * step, 1)
    u, v = u - u[:, KNOTS // 2, None], v - v[:, KNOTS // 2, None]
    along = torch.linspace(0, 3.1416, KNOTS, device=draw.device)[None]
    arch = (
        torch.where(draw.chance(0.35, m), draw.log_uniform(0.01, 0.25, m), 0.0)[:, None]
        * along.sin()
    )
    lift = arch + radius[:, None] * draw.uniform(0.6, 1.2, m, 1)
    knots = (
        anchors.point[:, None]
        + u[..., None] * anchors.along[:, None]
        + v[..., None] * anchors.across[:, None]
        + lift[..., None] * anchors.normal[:, None]
    )
    return Threads(keep_outside(connectors, anchors, knots, radius), radius)


def keep_outside(connectors: Connectors, anchors: Anchors, knots: Tensor, radius: Tensor) -> Tensor:
    """Push knots out of the ferrule's barrel and above its endface."""
    ferrule = connectors.ferrule_radius[anchors.batch][:, None]
    top = connectors.chamfer_z[anchors.batch][:, None]
    x, y, z = knots.unbind(-1)
    r = torch.sqrt(x * x + y * y).clamp_min(1e-6)
    sunk = (z < top) & (r < ferrule + radius[:, None]) & (anchors.part <= Part.FIBER)[:, None]
    sunk &= (anchors.part >= Part.BARREL)[:, None]
    push = torch.where(sunk, (ferrule + radius[:, None]) / r, 1.0)
    return torch.stack([x * push, y * push, z], -1)


def paint_lint(
    draw: Draw,
    canvas: Canvas,
    lit: LitScene,
    anchors: Anchors,
    side: int,
) -> Threads | None:
    """One slot of threads (at most one per picture) with shade, over whatever lies there."""
    m = anchors.batch.shape[0]
    if m == 0:
        return None
    scene, hits = lit.scene, lit.ground.hits
    threads = draw_threads(draw, scene.connectors, anchors)
    px, depth = project_each(scene, anchors.batch, threads.knots)
    windows = cut_windows(anchors.batch, px.mean(1), side, tuple(canvas.kind.shape[1:]))  # type: ignore[arg-type]
    width = threads.radius / anchors.mm_per_px
    shade_thread(canvas, lit, anchors, windows, (threads, width))
    near, _, at_depth = thread_distance(windows, px, depth, canvas.kind.shape[1:])
    seen = (near < wide(width.clamp_min(0.7))) & (at_depth < windows.gather(hits.depth) + 0.06)
    light = thread_light(draw, lit, anchors, near / wide(width.clamp_min(0.7)))
    thin = (wide(width) / 0.7).clamp(max=1.0)[
        ..., None
    ]  # a thread under a pixel wide lets the host through
    old = windows.gather(canvas.diffuse) + windows.gather(canvas.mirror)
    spot = windows.spot(seen)
    put_thread(canvas, anchors, (windows, spot), seen, light * thin + old * (1 - thin))
    canvas.label(spot, seen.shape, Kind.LINT, canvas.take_instances(m))
    return threads


def project_each(scene: Scene, batch: Tensor, points: Tensor) -> tuple[Tensor, Tensor]:
    """Points [M, K, 3], each row in its own picture's camera: pixels [M, K, 2], depth [M, K]."""
    cameras = scene.cameras
    each: dict[str, Any] = {
        field.name: value[batch]
        if isinstance(value := getattr(cameras, field.name), Tensor)
        else value
        for field in fields(cameras)
    }
    return project(replace(cameras, **each), points)


def thread_distance(
    windows: Windows, px: Tensor, depth: Tensor, size_hw: torch.Size
) -> tuple[Tensor, Tensor, Tensor]:
    """Distance (px) of each pixel from the thread's centre line, place along it, depth there."""
    per = size_hw[0] * size_hw[1]
    flat = windows.index % per
    x, y = flat % size_hw[1] + 0.5, flat // size_hw[1] + 0.5
    best = torch.full(flat.shape, 1e6, device=px.device)
    place, at_depth = torch.zeros_like(best), torch.zeros_like(best)
    for k in range(px.shape[1] - 1):
        ax, ay = wide(px[:, k, 0]), wide(px[:, k, 1])
        bx, by = wide(px[:, k + 1, 0]) - ax, wide(px[:, k + 1, 1]) - ay
        t = (((x - ax) * bx + (y - ay) * by) / (bx * bx + by * by).clamp_min(1e-6)).clamp(0, 1)
        gap = torch.sqrt((x - ax - t * bx) ** 2 + (y - ay - t * by) ** 2)
        nearer = gap < best
        best = torch.where(nearer, gap, best)
        place = torch.where(nearer, k + t, place)
        z = wide(depth[:, k]) + t * wide(depth[:, k + 1] - depth[:, k])
        at_depth = torch.where(nearer, z, at_depth)
    return best, place, at_depth


def shade_thread(
    canvas: Canvas,
    lit: LitScene,
    anchors: Anchors,
    windows: Windows,
    thread: tuple[Threads, Tensor],
) -> None:
    """The thread's shade: its knots dropped along the strongest light onto the tangent plane."""
    threads, width = thread
    lights, batch = lit.scene.lights, anchors.batch
    light = lights.direction[batch, 0]
    rise = (light * anchors.normal).sum(-1, keepdim=True).clamp_min(0.15)
    height = (
        ((threads.knots - anchors.point[:, None]) * anchors.normal[:, None]).sum(-1).clamp(0, 0.5)
    )
    foot = threads.knots - light[:, None] * (height / rise)[..., None]
    px, depth = project_each(lit.scene, batch, foot)
    near, place, _ = thread_distance(windows, px, depth, canvas.kind.shape[1:])
    lift = height.gather(1, place.reshape(place.shape[0], -1).long().clamp(max=KNOTS - 1)).reshape(
        place.shape
    )
    soft = (
        wide(width) * 0.5
        + 0.5
        + lift / wide(anchors.mm_per_px) * wide(lights.spread[batch, 0]) * 0.6
    )
    cover = torch.sigmoid((wide(width) - near) / soft) * (wide(width) / (wide(width) + soft))
    share = windows.gather(lit.shaded.share)[..., 0]
    contact = 0.5 * torch.exp(-near / (1.5 * wide(width) + 0.5)) * torch.exp(-lift / 0.03)
    dark = share * cover * 1.6 + (1 - share) * contact * 0.6
    host = windows.gather(lit.ground.hits.part) != Part.SURROUND
    windows.lower(canvas.shadow, torch.where(host, (1 - dark).clamp(0.05, 1), 1.0))


def thread_light(draw: Draw, lit: LitScene, anchors: Anchors, across: Tensor) -> Tensor:
    """Radiance of the threads [M, w, w, 3]; `across` is 0 on the centre line, 1 at the edge."""
    shaded, around = lit.shaded, lit.around
    m, batch, lights = anchors.batch.shape[0], anchors.batch, around.lights
    colour = draw.one_of(COLOURS, m) * draw.log_uniform(0.6, 1.3, m, 1)
    x, y = anchors.host_pixel((shaded.lit.shape[1], shaded.lit.shape[2]))
    glow = (
        0.5 * shaded.lit[batch, y, x]
        + 0.25 * (lights.sky + lights.power.sum(-1) + lights.ring_power)[batch]
    )
    round_ = torch.sqrt((1 - across * across).clamp_min(0))
    contrast = wide(draw.uniform(0.1, 0.7, m))
    value = wide(glow) * (1 - contrast + contrast * round_)
    return value[..., None] * (colour * lights.tint[batch])[:, None, None]


def put_thread(
    canvas: Canvas, anchors: Anchors, place: tuple[Windows, Spot], seen: Tensor, light: Tensor
) -> None:
    """Write the thread; off the ferrule's silhouette its pixels count to the host's surface."""
    windows, spot = place
    spot.put(canvas.diffuse, light)
    spot.put(canvas.mirror, torch.zeros_like(light))
    spot.put(canvas.shadow, torch.ones(seen.shape, device=light.device))
    on_ferrule = (anchors.part >= Part.BARREL) & (anchors.part <= Part.FIBER)
    astray = windows.spot(seen & wide(on_ferrule) & ~windows.gather(canvas.near))
    table = torch.tensor(SURFACE_OF_PART, device=seen.device, dtype=torch.uint8)
    astray.put(canvas.surface, wide(table[anchors.part.long()]).expand(seen.shape))
    astray.put(canvas.near, torch.ones_like(seen))
    x, y = anchors.host_pixel(canvas.size_hw)
    astray.put(canvas.depth, wide(canvas.depth[anchors.batch, y, x]).expand(seen.shape))
