"""The shipped demonstration: `python -m fiberward.synthetic.demo_connector FOLDER` draws it anew.

An invented 2.5 mm PC connector with a ceramic ferrule in a blue housing. Barrel, chamfer and cavity
are dirty; the graded zones, which a grade of the zones alone looks at, are clean.
"""

import sys
from dataclasses import replace
from pathlib import Path

import torch
from torch import Tensor

from .connector_files import encode_jpeg, replace_file
from .deposit_set import ORDERS
from .optics import Exposure
from .scene import Cameras, Connectors, Lights, Materials, Part, Scene
from .views import (
    ConnectorPlan,
    ConnectorRender,
    ConnectorScene,
    Draws,
    draw_connector,
    render_views,
)

__all__ = ["demo_connector", "write_demo"]

SEED = 7
QUALITY = 92
NAMES = ("front.jpg", "side-1.jpg", "side-2.jpg", "side-3.jpg")
CHAMFER, BARREL, CAVITY = 2, 3, 4  # groups of places
DIRT = {
    "residue": (BARREL,),
    "lint": (BARREL, CHAMFER),
    "particle": (*[CHAMFER] * 6, *[BARREL] * 12, *[CAVITY] * 3),
}


def demo_connector() -> ConnectorRender:
    """The four views: one from the front, three from the side at 120 degrees; 1280 x 960 px."""
    plan = ConnectorPlan(4, (960, 1280))
    draws = Draws.begin(SEED, plan.views)
    drawn = draw_connector(plan, draws)
    scene = drawn.scene
    scene = Scene(
        ferrule_and_housing(scene.connectors),
        in_focus(scene.cameras),
        ceramic_in_blue(scene.materials),
        bench_lights(scene.lights),
    )
    own = ConnectorScene(scene, plain_exposure(drawn.exposure), (0.0, 0.0, 120.0, 240.0))
    return render_views(own, draws, wanted_dirt())


def wanted_dirt() -> Tensor:
    """The deposits as slots with groups, int64 [1, K]."""
    left = {kind: list(places) for kind, places in DIRT.items()}
    slots: list[int] = []
    for order in ORDERS:
        mine = left.get(order.kind, [])
        slots += [mine.pop(0) if mine else -1 for _ in range(order.slots)]
    return torch.tensor([slots])


def ferrule_and_housing(base: Connectors) -> Connectors:
    """A 2.5 mm ferrule standing 1.6 mm out of a square housing."""
    ones = torch.ones_like(base.ferrule_radius)
    pair = torch.ones_like(base.cavity_half)
    return replace(
        base, ferrule_radius=1.2495 * ones, dome_radius=15.0 * ones, edge_radius=0.9 * ones,
        chamfer_depth=0.4 * ones, barrel_length=4.4 * ones, cavity_half=2.3 * pair,
        cavity_corner=0.7 * ones, cavity_depth=3.2 * ones, outer_half=3.4 * pair,
        outer_corner=0.8 * ones, body_half=4.0 * pair, body_drop=1.5 * ones, key_rad=0.0 * ones,
        lip=0.15 * ones, shoulder=0.15 * ones, fillet=0.0 * ones, swing=0.7 * ones,
    )  # fmt: skip


def in_focus(base: Cameras) -> Cameras:
    """The drawn views at 5 um per px, sharp, at 50 degrees from the side."""
    ones = torch.ones_like(base.tilt)
    front = torch.arange(len(ones)) == 0
    turns = torch.tensor([0.0, 0.0, 120.0, 240.0]) + torch.tensor([0.4, -0.8, 0.9, 0.3])
    high, wide = base.size_hw
    fiber = torch.tensor([[4.0, -6.0], [-9.0, -118.0], [7.0, -110.0], [-3.0, -122.0]])
    return replace(
        base, tilt=torch.deg2rad(torch.where(front, 0.8, 50.0)), turn=torch.deg2rad(turns % 360),
        mm_per_px=0.0048 * ones, fiber_px=fiber + torch.tensor([wide / 2, high / 2]),
        depth=90.0 * ones, focus_mm=torch.where(front, 0.3, 0.9), blur_px_per_mm=0.45 * ones,
        blur_px=0.6 * ones,
    )  # fmt: skip


def ceramic_in_blue(base: Materials) -> Materials:
    """White ceramic with fine grinding marks, a grey polished face, a blue housing."""
    albedo = base.albedo.clone()
    for part, color in (
        (Part.BARREL, (0.78, 0.77, 0.75)), (Part.CHAMFER, (0.66, 0.65, 0.63)),
        (Part.ENDFACE, (0.42, 0.42, 0.42)), (Part.FIBER, (0.16, 0.16, 0.17)),
        (Part.HOUSING, (0.05, 0.15, 0.50)), (Part.WALL, (0.04, 0.12, 0.42)),
        (Part.FLOOR, (0.04, 0.11, 0.38)), (Part.BODY, (0.05, 0.15, 0.50)),
        (Part.SURROUND, (0.10, 0.10, 0.11)),
    ):  # fmt: skip
        albedo[:, part] = torch.tensor(color)
    scale = base.texture_scale.clone()
    scale[:, Part.BARREL], scale[:, Part.CHAMFER] = (
        torch.tensor([6.0, 0.1]),
        torch.tensor([12.0, 0.2]),
    )
    flat = torch.ones_like(base.gloss)
    return replace(
        base, albedo=albedo, gloss=0.05 * flat, roughness=0.3 * flat, texture=0.015 * flat,
        grain=0.008 * flat, texture_scale=scale, core_glow=torch.zeros_like(base.core_glow),
        lit_table=torch.zeros_like(base.lit_table), pool=torch.zeros_like(base.pool) + 1e-3,
    )  # fmt: skip


def bench_lights(base: Lights) -> Lights:
    """A bright dome, a ring round the lens and a faint lamp."""
    ones = torch.ones_like(base.ring_power)
    power = torch.zeros_like(base.power)
    power[:, 0] = 0.1
    return replace(
        base, power=power, spread=torch.full_like(base.spread, 0.6), ring_power=0.6 * ones,
        ring_angle=0.4 * ones, ring_width=0.2 * ones, coaxial_power=0.0 * ones, sky=0.8 * ones,
        distance=torch.full_like(base.distance, 150.0), ring_distance=150.0 * ones,
        ground=0.35 * ones, tint=torch.ones_like(base.tint),
    )  # fmt: skip


def plain_exposure(base: Exposure) -> Exposure:
    """Well exposed, low noise, colour."""
    ones = torch.ones_like(base.target)
    return replace(
        base, target=0.72 * ones, gamma=0.5 * ones, balance=torch.ones_like(base.balance),
        vignette=0.15 * ones, mono=torch.zeros_like(base.mono), read_noise=0.0015 * ones,
        shot_noise=0.004 * ones, grain=0.5 * ones, smear=0.3 * ones, veil=0.0 * ones,
    )  # fmt: skip


def write_demo(folder: Path) -> None:
    """Draw the demonstration and write its four pictures to `folder`."""
    render = demo_connector()
    folder.mkdir(parents=True, exist_ok=True)
    for k, name in enumerate(NAMES):
        data = encode_jpeg(render.views.picture[k].numpy(), QUALITY)
        replace_file(folder / name, data)


if __name__ == "__main__":
    write_demo(Path(sys.argv[1]))
