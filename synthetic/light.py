"""Radiometry: what light falls on each pixel's surface and how much of it comes to the camera.

Diffuse and mirrored light are kept apart, so that a film or a drop can change one of them.
"""

from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from .anchors import Ground
from .scene import Lights, Materials, Part, Scene
from .trace import Hits, Rays, camera_axes, ferrule_interval, outline_interval, spread, turned

__all__ = ["WRAP", "LitScene", "Shaded", "Surroundings", "environment", "shade"]

WRAP = 0.15  # cosine past grazing from which an area light still shows


@dataclass(frozen=True)
class Surroundings:
    """The lights as a reflecting surface sees them, with the view axis: [N, ...]."""

    lights: Lights
    view: Tensor  # [N, 3] from the part to the camera


@dataclass(frozen=True)
class Shaded:
    """Linear light of the clean scene.

    `diffuse`, `mirror`: [N, H, W, 3]; `share`: [N, H, W, L], the part of the diffuse light that
    each area light gives (what a deposit's shadow takes away); `lit`: [N, H, W], diffuse
    irradiance.
    """

    diffuse: Tensor
    mirror: Tensor
    share: Tensor
    lit: Tensor


@dataclass(frozen=True)
class LitScene:
    """A clean scene, traced and lit, ready for deposits."""

    scene: Scene
    rays: Rays
    ground: Ground
    shaded: Shaded
    around: Surroundings


def environment(around: Surroundings, direction: Tensor, roughness: Tensor) -> Tensor:
    """Radiance arriving from `direction` [N, ..., 3], blurred by `roughness` [N, ...]: [N, ...].

    An area light of power p and angular radius a has radiance proportional to p / a^2, so a mirror
    shows a small lamp brighter than a large one of the same power.
    """
    lights, shape = around.lights, direction.shape[:-1]
    flat, rough = direction.flatten(1, -2), roughness.flatten(1)
    width = rough * 0.9 + 0.02
    up = flat[..., 2] * 0.5 + 0.5
    total = lights.ground[:, None] + (lights.sky - lights.ground)[:, None] * (
        up * up * (3 - 2 * up)
    )
    for i in range(lights.power.shape[1]):
        angle = torch.acos((flat @ lights.direction[:, i, :, None])[..., 0].clamp(-0.9999, 0.9999))
        size = lights.spread[:, i, None]
        lobe = torch.sigmoid((size - angle) / (0.3 * width))
        total = total + lights.power[:, i, None] * 0.35 / (size**2 + width**2) * lobe
    angle = torch.acos((flat @ around.view[:, :, None])[..., 0].clamp(-0.9999, 0.9999))
    band = torch.sigmoid(
        (lights.ring_width[:, None] - (angle - lights.ring_angle[:, None]).abs()) / (0.3 * width)
    )
    total = total + lights.ring_power[:, None] * 0.5 / (lights.ring_width[:, None] + width) * band
    size = lights.coaxial_angle[:, None]
    beam = torch.sigmoid((size - angle) / (0.3 * width))
    total = total + lights.coaxial_power[:, None] * 0.25 / (size + width) * beam
    return total.reshape(shape)


def occlusion(scene: Scene, hits: Hits, light: int, jitter: Tensor) -> Tensor:
    """Share of an area light that ferrule and housing leave, at half resolution: [N, H, W]."""
    point, normal = hits.point[:, ::2, ::2], hits.normal[:, ::2, ::2]
    part = hits.part[:, ::2, ::2]
    lights, connectors = scene.lights, scene.connectors
    open_share = torch.zeros_like(point[..., 0])
    samples = jitter.shape[1]
    for k in range(samples):
        toward = lights.direction[:, light] + jitter[:, k] * lights.spread[:, light, None]
        toward = spread(toward / toward.norm(dim=-1, keepdim=True)).expand_as(point)
        start = point + normal * 0.004
        enter, leave, _ = ferrule_interval(connectors, start, toward)
        blocked = (
            torch.minimum(leave, torch.full_like(leave, 50.0)) - enter.clamp_min(0.0)
        ) > 0.002
        inside = (point[..., 2] < spread(connectors.rim_z) - 1e-3) & (part != Part.SURROUND)
        inside &= (part != Part.HOUSING) & (part != Part.BODY)
        _, out = outline_interval(
            turned(start, connectors.key_rad), turned(toward, connectors.key_rad),
            connectors.cavity_half, connectors.cavity_corner,
        )  # fmt: skip
        up = toward[..., 2].clamp_min(1e-4)
        walled = inside & (out < (spread(connectors.rim_z) - start[..., 2]) / up)
        open_share += (~(blocked | walled)).float() / samples
    wide = F.avg_pool2d(F.pad(open_share[:, None], (1, 1, 1, 1), mode="replicate"), 3, 1)
    size = hits.part.shape[1:]
    return F.interpolate(wide, size=size, mode="bilinear", align_corners=False)[:, 0]


def enclosure(scene: Scene, hits: Hits, strength: Tensor) -> Tensor:
    """Ambient light left in the cavity, falling with depth below the rim: [N, H, W] in (0, 1]."""
    drop = (spread(scene.connectors.rim_z) - hits.point[..., 2]).clamp_min(0)
    inside = (hits.part == Part.WALL) | (hits.part == Part.FLOOR) | (hits.part == Part.BARREL)
    return torch.where(inside, 1 / (1 + spread(strength) * drop), 1.0)


def toward_light(point: Tensor, direction: Tensor, distance: Tensor) -> tuple[Tensor, Tensor]:
    """Unit vectors from points [N, H, W, 3] to a lamp, and its light's gain on that at the fibre.

    direction [N, 3] and distance [N] mm: the lamp as seen from the fibre. The gain is the inverse
    square of the distance; no point comes nearer than a third of the fibre's distance.
    """
    gap = spread(direction * distance[:, None]) - point
    length = gap.norm(dim=-1)
    gain = (spread(distance) / torch.maximum(length, spread(distance) / 3)) ** 2
    return gap / length[..., None].clamp_min(1e-6), gain


def wrapped(cosine: Tensor) -> Tensor:
    """Share of an area light's power that a surface takes in, a little past grazing too."""
    return ((cosine + WRAP) / (1 + WRAP)).clamp_min(0)


def open_light(lights: Lights, view: Tensor) -> Tensor:
    """Irradiance of an unshaded surface beside the fibre that faces up: [N]."""
    side = (wrapped(lights.direction[..., 2]) * lights.power).sum(1)
    front = view[:, 2].clamp_min(0) * (0.7 * lights.ring_power + 0.25 * lights.coaxial_power)
    return front + lights.sky + side


def shade(
    scene: Scene, hits: Hits, rays: Rays, albedo: Tensor, jitter: Tensor, gloom: Tensor
) -> tuple[Shaded, Surroundings]:
    """Light the clean scene. `albedo` [N, H, W, 3]; `jitter` [N, L, K, 3]; `gloom` [N] 1/mm."""
    lights = scene.lights
    _, _, forward = camera_axes(scene.cameras)
    around = Surroundings(lights, -forward)
    n = hits.normal
    shelter = enclosure(scene, hits, gloom)
    direct = []
    for i in range(lights.power.shape[1]):
        toward, near = toward_light(hits.point, lights.direction[:, i], lights.distance[:, i])
        falls = wrapped((n * toward).sum(-1)) * near * spread(lights.power[:, i])
        direct.append(falls * occlusion(scene, hits, i, jitter[:, i]))
    toward, near = toward_light(hits.point, around.view, lights.ring_distance)
    facing = (n * toward).sum(-1).clamp_min(0) * near
    front = facing * spread(0.7 * lights.ring_power + 0.25 * lights.coaxial_power)
    sky = spread(lights.ground) + spread(lights.sky - lights.ground) * (0.5 + 0.5 * n[..., 2])
    lit = (front * (0.4 + 0.6 * shelter) + sky * shelter + sum(direct)).clamp_min(1e-4)
    table = torch.where(scene.materials.lit_table, open_light(lights, around.view), 1.0)
    lit = torch.where(hits.part == Part.SURROUND, spread(table), lit)
    share = torch.stack(direct, -1) / lit[..., None]
    mirror = mirrored(scene.materials, hits, rays, around) * (0.25 + 0.75 * shelter)
    tint = spread(lights.tint)
    return Shaded(albedo * lit[..., None] * tint, mirror[..., None] * tint, share, lit), around


def mirrored(materials: Materials, hits: Hits, rays: Rays, around: Surroundings) -> Tensor:
    """Light reflected as by a (rough) mirror, with Schlick's grazing rise: [N, H, W]."""
    batch = torch.arange(hits.part.shape[0], device=hits.part.device)[:, None, None]
    part = hits.part.long()
    gloss, rough = materials.gloss[batch, part], materials.roughness[batch, part]
    cosine = (hits.normal * rays.direction).sum(-1)
    reflected = rays.direction - 2 * cosine[..., None] * hits.normal
    fresnel = gloss + (1 - gloss) * 0.5 * (1 + cosine.clamp(-1, 0)) ** 5
    fresnel = torch.where(hits.part == Part.SURROUND, 0.0, fresnel)
    return fresnel * environment(around, reflected, rough)
