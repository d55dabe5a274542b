"""What is known exactly about each rendered picture: connector, camera and deposits."""

import math

import torch
from torch import Tensor

from ..model.kinds import KIND_NAMES
from ..model.surfaces import SURFACE_NAMES, Surface
from .anchors import Anchors
from .canvas import SURFACE_OF_PART
from .scene import Cameras, Connectors, Scene

__all__ = ["UM", "deposit_row", "rim_points_mm", "scene_truth", "surface_ends", "view_row"]

UM = 1000.0


def scene_truth(scene: Scene, placed: list[tuple[str, Anchors]]) -> list[dict[str, object]]:
    """One dict per picture: `ferrule_diameter_mm`, `um` (ends of surfaces), camera, `deposits`."""
    rows: list[dict[str, object]] = []
    connectors, cameras = scene.connectors, scene.cameras
    for i in range(cameras.tilt.shape[0]):
        rows.append({
            "ferrule_diameter_mm": round(2 * float(connectors.ferrule_radius[i]), 4),
            "endface_radius_mm": float(connectors.dome_radius[i]),
            "apc_deg": float(connectors.apc_deg[i]),
            "um": surface_ends(scene, i),
            **view_row(cameras, i),
            "deposits": [],
        })  # fmt: skip
    number = 1
    for kind, anchors in placed:
        for j in range(anchors.batch.shape[0]):
            rows[int(anchors.batch[j])]["deposits"].append(deposit_row(anchors, j, kind, number))  # type: ignore[attr-defined]
            number += 1
    return rows


def view_row(cameras: Cameras, i: int) -> dict[str, object]:
    """Picture `i`'s camera; angles of the optical axis, degrees."""
    return {
        "tilt_deg": math.degrees(float(cameras.tilt[i])),
        "turn_deg": math.degrees(float(cameras.turn[i])) % 360,
        "roll_deg": math.degrees(float(cameras.roll[i])),
        "um_per_px": float(cameras.mm_per_px[i]) * UM,
        "fiber_px": [float(v) for v in cameras.fiber_px[i]],
        "distance_mm": float(cameras.depth[i]),
    }


def rim_points_mm(connectors: Connectors) -> Tensor:
    """Eight points of the rim where chamfer and barrel meet, at theta 0, 45, ...: [N, 8, 3] mm."""
    angle = torch.arange(8, device=connectors.key_rad.device) * (math.pi / 4)
    radius = connectors.ferrule_radius[:, None]
    z = connectors.chamfer_z[:, None].expand(-1, 8)
    return torch.stack([radius * angle.cos(), radius * angle.sin(), z], -1)


def deposit_row(anchors: Anchors, j: int, kind: str, number: int) -> dict[str, object]:
    """A deposit as drawn; `id` is its number in the instance mask.

    `s_um` is null on the housing's outside, where no travel distance runs.
    """
    assert kind in KIND_NAMES
    surface = SURFACE_OF_PART[int(anchors.part[j])]
    outside = surface in (Surface.SURROUND, Surface.HOUSING)
    return {
        "id": number,
        "kind": kind,
        "surface": SURFACE_NAMES[surface],
        "s_um": None if outside else round(float(anchors.s_mm[j]) * UM, 2),
        "theta_deg": round(math.degrees(float(anchors.theta_rad[j])) % 360, 3),
    }


def surface_ends(scene: Scene, i: int) -> dict[str, float]:
    """Travel distance at which each surface ends, um."""
    c = scene.connectors
    radius, edge, dome = (float(v[i]) for v in (c.ferrule_radius, c.edge_radius, c.dome_radius))
    face = dome * math.asin(edge / dome)
    chamfer = face + math.hypot(radius - edge, float(c.chamfer_depth[i]))
    barrel = chamfer + float(c.barrel_length[i])
    half = c.cavity_half[i]
    floor = barrel + float(torch.as_tensor(half).min()) - radius
    return {
        "fiber": 62.5, "endface": face * UM, "chamfer": chamfer * UM, "barrel": barrel * UM,
        "cavity_floor": floor * UM, "cavity_wall": (floor + float(c.cavity_depth[i])) * UM,
    }  # fmt: skip
