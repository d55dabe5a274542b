"""The renderer's rays against the geometry of `model/`, which was written independently."""

from dataclasses import replace

import numpy as np
import pytest
import torch

from fiberward.model.camera import Camera, surface_coordinates
from fiberward.model.surfaces import Surface
from fiberward.synthetic.canvas import SURFACE_OF_PART
from fiberward.synthetic.draw import Draw
from fiberward.synthetic.render import light_scene
from fiberward.synthetic.sizes import footprint_areas_mm2
from fiberward.synthetic.trace import camera_rays, project, trace

from .plain import SHAPE, UM, cameras_of, connectors_of, plain_scene

VIEWS = {
    "front": Camera(1.0, 20.0, 1.5, 25.0, (101.0, 77.0), 40000.0, (160, 208)),
    "side": Camera(50.0, 130.0, -2.0, 25.0, (105.0, 60.0), 60000.0, (160, 208)),
    "near": Camera(65.0, 300.0, 0.0, 20.0, (100.0, 50.0), 14000.0, (160, 208)),
}
SHAPES = {
    "2.5 mm, round cavity": SHAPE,
    "1.25 mm, square cavity": replace(
        SHAPE, ferrule_radius_um=624.5, endface_edge_um=450.0, cavity_radius_um=1500.0,
        cavity_corner=0.3, key_deg=25.0,
    ),
}  # fmt: skip


def traced(camera: Camera, shape=SHAPE):
    cameras = cameras_of(camera)
    return trace(connectors_of(shape), cameras, camera_rays(cameras))


@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES)
@pytest.mark.parametrize("camera", VIEWS.values(), ids=VIEWS)
def test_surfaces_and_places_agree_with_the_model_of_the_surface(camera, shape):
    """Against model.camera.surface_coordinates: 99.5 % of the pixels, places within 2 um."""
    hits = traced(camera, shape)
    told = surface_coordinates(camera, shape)
    own = np.array(SURFACE_OF_PART)[hits.part[0].numpy()]
    own[own == Surface.HOUSING] = 0  # the model leaves the housing's outside out
    same = own == told.surface
    assert same.mean() >= 0.995
    on = same & (own > 0)
    assert len(np.unique(own[on])) >= 4
    s_um = hits.s[0].numpy() / UM
    assert np.percentile(np.abs(s_um - told.s_um)[on], 99.5) < 2.0
    r_um = np.hypot(*np.moveaxis(hits.point[0, ..., :2].numpy(), -1, 0)) / UM
    turn = np.degrees(hits.theta[0].numpy()) - told.theta_deg
    arc = np.abs(np.radians((turn + 180) % 360 - 180)) * r_um
    assert np.percentile(arc[on], 99.5) < 2.0


def test_points_along_a_pixels_ray_project_back_onto_the_pixels_centre():
    """By the definition of the pinhole camera."""
    cameras = cameras_of(VIEWS["near"])
    rays = camera_rays(cameras)
    for distance in (0.5, 5.0, 12.0):
        point = (rays.origin + distance * rays.direction)[0, ::40, ::40]
        px, _ = project(cameras, point.reshape(1, -1, 3))
        y, x = torch.meshgrid(torch.arange(0, 160, 40), torch.arange(0, 208, 40), indexing="ij")
        centre = torch.stack([x, y], -1).reshape(-1, 2) + 0.5
        assert torch.allclose(px[0], centre, atol=0.02)


def test_projection_agrees_with_the_model_of_the_camera():
    camera = VIEWS["side"]
    points = np.random.default_rng(3).uniform(-2000, 2000, (50, 3))
    px, depth = camera.project(points)
    told = torch.tensor(points * UM, dtype=torch.float32)[None]
    own, beyond = project(cameras_of(camera), told)
    assert np.allclose(own[0].numpy(), px, atol=0.02)
    assert np.allclose(beyond[0].numpy() / UM, depth - camera.distance_um, atol=0.1)


def test_a_pixel_at_the_fibres_depth_spans_um_per_px():
    """Pinhole scale: size in the picture = size / depth x focal length."""
    camera = Camera(0.0, 0.0, 0.0, 25.0, (104.0, 80.0), 40000.0, (160, 208))
    line = torch.tensor([[[0.0, 0.0, 0.0], [0.25, 0.0, 0.0]]])
    px, _ = project(cameras_of(camera), line)
    assert float((px[0, 1] - px[0, 0]).norm()) == pytest.approx(10.0, rel=1e-4)


def test_pixels_of_the_endface_add_up_to_the_area_of_the_domes_cap():
    """Area of a spherical cap of height h on a ball of radius R: 2 pi R h (textbook geometry)."""
    camera = Camera(35.0, 70.0, 0.0, 10.0, (128.0, 110.0), 30000.0, (224, 256))
    scene = plain_scene(camera)
    lit = light_scene(Draw(1, torch.device("cpu")), scene)
    face = torch.tensor(SURFACE_OF_PART)[lit.ground.hits.part.long()] >= Surface.ENDFACE
    area = footprint_areas_mm2(lit, face.to(torch.int16), 1)[0, 1]
    radius, edge = SHAPE.dome_radius_um * UM, SHAPE.endface_edge_um * UM
    height = radius - (radius**2 - edge**2) ** 0.5
    assert float(area) == pytest.approx(2 * np.pi * radius * height, rel=0.005)
