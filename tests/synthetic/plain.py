"""Scenes without chance in them: a given shape, a given camera, plain material, chosen light."""

from dataclasses import replace

import torch

from fiberward.model.camera import Camera
from fiberward.model.shape import ConnectorShape
from fiberward.synthetic.draw import Draw
from fiberward.synthetic.scene import (
    Cameras,
    Connectors,
    Lights,
    Materials,
    Scene,
    draw_lights,
    draw_materials,
)

UM = 1e-3
FAR_MM = 1e6
SHAPE = ConnectorShape(1249.5, 15000.0, 900.0, 400.0, 4000.0, 2200.0, 3000.0)


def one(value: float) -> torch.Tensor:
    return torch.tensor([value], dtype=torch.float32)


def connectors_of(shape: ConnectorShape) -> Connectors:
    """The renderer's form of an upright connector with a round or square cavity."""
    half = shape.cavity_radius_um * UM
    pair = torch.full((1, 2), half)
    return Connectors(
        one(shape.ferrule_radius_um * UM),
        one(shape.dome_radius_um * UM),
        one(shape.endface_edge_um * UM),
        one(shape.chamfer_depth_um * UM),
        torch.tensor([[0.0, 0.0, 1.0]]),
        one(0.0),
        one(shape.barrel_length_um * UM),
        pair,
        one(half * shape.cavity_corner),
        one(shape.cavity_depth_um * UM),
        pair + 1.0,
        one(0.3),
        pair + 1.5,
        one(1.0),
        torch.deg2rad(one(shape.key_deg or 0.0)),
        one(0.01),
        one(0.01),
        one(0.0),
        one(0.7),
    )


def cameras_of(camera: Camera) -> Cameras:
    """The renderer's form of a camera, sharp everywhere."""
    high, wide = camera.size_hw
    angles = (camera.tilt_deg, camera.turn_deg, camera.roll_deg)
    return Cameras(
        *(torch.deg2rad(one(angle)) for angle in angles),
        one(camera.um_per_px * UM),
        torch.tensor([camera.fiber_px], dtype=torch.float32),
        torch.tensor([[wide / 2, high / 2]]),
        one(camera.distance_um * UM),
        one(0.0),
        one(0.0),
        one(0.0),
        camera.size_hw,
    )


def dark(lights: Lights) -> Lights:
    """The same lights, all off, and so far away that their light falls in parallel."""
    names = ("power", "ring_power", "coaxial_power", "sky", "ground")
    off = {name: torch.zeros_like(getattr(lights, name)) for name in names}
    far = {n: torch.full_like(getattr(lights, n), FAR_MM) for n in ("distance", "ring_distance")}
    return replace(lights, tint=torch.ones_like(lights.tint), **off, **far)


def plain_materials(gloss: float = 0.0) -> Materials:
    """White, without texture or core glow."""
    drawn = draw_materials(Draw(1, torch.device("cpu")), 1)
    return replace(
        drawn,
        albedo=torch.ones_like(drawn.albedo),
        gloss=torch.full_like(drawn.gloss, gloss),
        texture=torch.zeros_like(drawn.texture),
        core_glow=torch.zeros_like(drawn.core_glow),
        plain_table=torch.zeros_like(drawn.plain_table),
        lit_table=torch.zeros_like(drawn.lit_table),
        pool=torch.ones_like(drawn.pool) * torch.tensor([1.0, 1.0, 1.0, 0.0]),
    )


def plain_scene(camera: Camera, shape: ConnectorShape = SHAPE, gloss: float = 0.0) -> Scene:
    """A dark scene; switch lights on with `lit_by`."""
    cameras = cameras_of(camera)
    lights = dark(draw_lights(Draw(1, torch.device("cpu")), cameras))
    return Scene(connectors_of(shape), cameras, plain_materials(gloss), lights)


def lit_by(scene: Scene, **lights: torch.Tensor) -> Scene:
    """The scene with these of its lights replaced."""
    return replace(scene, lights=replace(scene.lights, **lights))
