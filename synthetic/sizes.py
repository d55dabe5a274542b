"""True sizes of deposits: area-equivalent diameters (ISO 9276-6), um.

Solids have theirs from their bodies; flat deposits from the pixels they cover, whose true area on
the surface is known.
"""

import math
from collections.abc import Sequence

import torch
from torch import Tensor

from .anchors import Anchors
from .deposit_set import BOTTOM_TO_TOP, ORDERS, Bodies
from .light import LitScene
from .lint import Threads
from .solids import Ellipsoids, Grains
from .trace import camera_axes, spread

__all__ = [
    "area_diameter",
    "deposit_numbers",
    "drop_diameters_mm",
    "footprint_areas_mm2",
    "grain_diameters_mm",
    "solid_diameters_mm",
    "thread_lengths_mm",
]

GRID = 168  # columns across a grain; its area is good to about 0.5 %
SPAN = 1.3  # half the grid's side in the ball's radii: lumps stand out of it by at most 0.2


def area_diameter(area: Tensor) -> Tensor:
    """Diameter of the disc of the same area."""
    return (area.clamp_min(0) * (4 / math.pi)).sqrt()


def grain_diameters_mm(grains: Grains, places: Anchors) -> Tensor:
    """Of each grain's outline along the surface's normal, as far as it stands out of it: [M] mm."""
    half = grains.bodies.half
    x = ((torch.arange(GRID, device=half.device) + 0.5) * (2 / GRID) - 1) * SPAN
    flat = torch.stack([*torch.meshgrid(x, x, indexing="ij"), torch.zeros(GRID, GRID)], -1)
    flat = flat.to(half.device).expand(half.shape[0], GRID, GRID, 3)
    push = grains.lumps.push(flat)  # as the renderer does for rays along the normal
    u, v = flat[..., 0] + push[..., 0], flat[..., 1] + push[..., 1]
    high = (1 - u * u - v * v).clamp_min(0).sqrt()
    low, filled = -high, high > 0
    for k in range(grains.normals.shape[1]):
        nu, nv, nw = (grains.normals[:, k, axis, None, None] for axis in range(3))
        room = grains.offsets[:, k, None, None] - u * nu - v * nv
        upright = nw.abs() < 1e-6  # such a plane cuts whole columns
        cut = room / torch.where(upright, 1.0, nw)
        high = torch.where(nw >= 1e-6, torch.minimum(high, cut), high)
        low = torch.where(nw <= -1e-6, torch.maximum(low, cut), low)
        filled = filled & (~upright | (room >= 0))
    lift = ((grains.bodies.centre - places.point) * places.normal).sum(-1) / half[:, 2]
    filled = filled & (high > low) & (high - push[..., 2] > -lift[:, None, None])
    cell = (2 * SPAN / GRID) ** 2 * half[:, 0] * half[:, 1]
    return area_diameter(filled.sum((1, 2)) * cell)


def drop_diameters_mm(drops: Ellipsoids, places: Anchors) -> Tensor:
    """Of each drop's wetted patch, where the ellipsoid cuts the tangent plane: [M] mm."""
    sunk = ((drops.centre - places.point) * places.normal).sum(-1) / drops.half[:, 2]
    return 2 * (drops.half[:, 0] * drops.half[:, 1] * (1 - sunk * sunk)).sqrt()


def thread_lengths_mm(threads: Threads) -> Tensor:
    """Length along each thread's centre line, [M] mm."""
    return (threads.knots[:, 1:] - threads.knots[:, :-1]).norm(dim=-1).sum(1)


def solid_diameters_mm(bodies: Bodies, places: Sequence[Anchors]) -> dict[int, Tensor]:
    """By index in `ORDERS`, the diameter of each solid deposit [D], mm; flat ones are left out.

    `places`: one entry per order, the D deposits of one view. A thread's area is length x width.
    """
    solids = [k for k, order in enumerate(ORDERS) if order.kind in ("liquid", "lint", "particle")]
    out: dict[int, Tensor] = {}
    for k, body in zip(solids, (*bodies.drops, *bodies.threads, bodies.grains), strict=True):
        count = places[k].batch.shape[0]
        if body is None or not count:
            continue
        if isinstance(body, Threads):
            lengths = thread_lengths_mm(body)[:count]
            out[k] = area_diameter(lengths * 2 * body.radius[:count])
        elif isinstance(body, Grains):
            first = torch.arange(count, device=places[k].point.device)
            out[k] = grain_diameters_mm(body.take(first), places[k])
        else:
            own = Ellipsoids(body.centre[:count], body.axes[:count], body.half[:count])
            out[k] = drop_diameters_mm(own, places[k])
    return out


def footprint_areas_mm2(lit: LitScene, instance: Tensor, count: int) -> Tensor:
    """True area of the surface under each deposit's pixels: [V, count + 1] mm2, 0 = no deposit.

    A pixel's footprint square to the optical axis, stretched along its ray onto the surface.
    """
    _, _, forward = camera_axes(lit.scene.cameras)
    ray, hits = lit.rays.direction, lit.ground.hits
    along = (ray * spread(forward)).sum(-1)
    facing = (ray * hits.normal).sum(-1).abs().clamp_min(0.02)
    area = lit.ground.mm_per_px**2 * along / facing
    views = instance.shape[0]
    own = instance.long().reshape(views, -1)
    total = torch.zeros(views, count + 1, device=area.device)
    return total.scatter_add_(1, own, area.reshape(views, -1))


def deposit_numbers(places: Sequence[Anchors], views: int) -> Tensor:
    """Deposit id of each instance number of a canvas painted in `views` views: int16 [I + 1]."""
    table, first = [torch.zeros(1, dtype=torch.int16)], 1
    for k in BOTTOM_TO_TOP:
        count = places[k].batch.shape[0]
        table.append(torch.arange(first, first + count, dtype=torch.int16).repeat(views))
        first += count
    return torch.cat(table)
