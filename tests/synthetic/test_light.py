"""Radiometry against closed forms."""

from dataclasses import replace

import numpy as np
import pytest
import torch

from fiberward.model.camera import Camera
from fiberward.synthetic.light import WRAP, Surroundings, environment, mirrored, shade
from fiberward.synthetic.paint import pool_of_light
from fiberward.synthetic.scene import Part
from fiberward.synthetic.trace import camera_axes, camera_rays, trace

from .plain import lit_by, one, plain_scene

WIDE = Camera(0.0, 0.0, 0.0, 80.0, (80.0, 60.0), 500000.0, (120, 160))
SIDE = Camera(40.0, 0.0, 0.0, 30.0, (80.0, 45.0), 80000.0, (120, 160))


def shaded_by(camera: Camera = SIDE, gloss: float = 0.0, **lights: torch.Tensor):
    """Diffuse irradiance [H, W] of a white connector, its parts and normals; no gloom."""
    scene = lit_by(plain_scene(camera, gloss=gloss), **lights)
    rays = camera_rays(scene.cameras)
    hits = trace(scene.connectors, scene.cameras, rays)
    white = torch.ones(*hits.part.shape, 3)
    jitter = torch.zeros(1, scene.lights.power.shape[1], 2, 3)
    shaded, around = shade(scene, hits, rays, white, jitter, one(0.0))
    return scene, rays, hits, shaded, around


def cosine_mean_over_sky(nz: float) -> float:
    """Cosine-weighted share of the half space above the horizon that a facet sees, by sums."""
    rng = np.random.default_rng(5)
    d = rng.normal(size=(400_000, 3))
    d /= np.linalg.norm(d, axis=1, keepdims=True)
    n = np.array([np.sqrt(1 - nz * nz), 0.0, nz])
    weight = (d @ n).clip(0)
    return float((weight * (d[:, 2] > 0)).sum() / weight.sum())


def test_irradiance_from_a_bright_sky_over_dark_ground_is_the_hemispheres_integral():
    """Closed form (1 + n_z) / 2, itself checked against a sum over directions."""
    for nz in (0.0, 0.4, 1.0):
        assert (1 + nz) / 2 == pytest.approx(cosine_mean_over_sky(nz), abs=0.005)
    _, _, hits, shaded, _ = shaded_by(sky=one(1.0), ground=one(0.0))
    on = (hits.part >= Part.BARREL) & (hits.part <= Part.FIBER)
    told = (1 + hits.normal[..., 2]) / 2
    assert float((shaded.lit - told).abs()[on].max()) < 1e-5


def test_light_from_round_the_lens_falls_with_the_cosine():
    """Lambert's law: chamfer, barrel and endface in the ratio of their cosines to the view axis."""
    scene, _, hits, shaded, _ = shaded_by(ring_power=one(1.0))
    _, _, forward = camera_axes(scene.cameras)
    cosine = -(hits.normal * forward[:, None, None]).sum(-1)
    on = (hits.part >= Part.BARREL) & (hits.part <= Part.FIBER) & (cosine > 0.1)
    ratio = (shaded.lit / cosine)[on]
    assert float(ratio.std() / ratio.mean()) < 1e-4


def test_a_lamp_lights_what_faces_it_most_and_leaves_its_own_shade_dark():
    """Wrapped cosine (common practice, no source): full at 0, nothing beyond 98.6 deg."""
    toward = torch.tensor([[[0.0, 0.0, 1.0], [0.0, 0.0, 1.0]]])
    power = torch.tensor([[1.0, 0.0]])
    _, _, hits, shaded, _ = shaded_by(power=power, direction=toward)
    face = hits.part == Part.ENDFACE
    assert float(shaded.lit[face].mean()) == pytest.approx(1.0, abs=0.01)
    chamfer = hits.part == Part.CHAMFER
    nz = hits.normal[chamfer][:, 2].mean()
    assert float(shaded.lit[chamfer].median()) == pytest.approx(float(nz + 0.15) / 1.15, abs=0.02)


def test_an_even_surround_is_mirrored_by_the_normal_reflectance_at_normal_incidence():
    """Fresnel at normal incidence: ((n-1)/(n+1))^2, 0.03374 for n = 1.45; it must come through."""
    f0 = ((1.45 - 1) / (1.45 + 1)) ** 2
    front = Camera(0.0, 0.0, 0.0, 30.0, (80.0, 60.0), 500000.0, (120, 160))
    even = {"sky": one(1.0), "ground": one(1.0)}
    scene, rays, hits, _, around = shaded_by(front, f0, **even)
    light = mirrored(scene.materials, hits, rays, around)
    assert float(light[0, 60, 80]) == pytest.approx(0.03374, abs=2e-5)


def test_reflectance_rises_towards_grazing_view_and_stays_below_schlicks():
    """Schlick's approximation R0 + (1 - R0)(1 - cos)^5 is the bound; R0 the floor."""
    f0 = 0.04
    scene, rays, hits, _, around = shaded_by(SIDE, f0, sky=one(1.0), ground=one(1.0))
    light = mirrored(scene.materials, hits, rays, around)
    cosine = -(hits.normal * rays.direction).sum(-1)
    on = (hits.part == Part.BARREL) & (cosine > 0)
    assert float(light[on].min()) >= f0 - 1e-6
    assert bool((light[on] <= f0 + (1 - f0) * (1 - cosine[on]) ** 5 + 1e-6).all())
    edge, middle = on & (cosine < 0.2), on & (cosine > 0.5)
    assert float(light[edge].mean()) > 3 * float(light[middle].mean())


def test_a_smooth_mirror_shows_a_lamp_only_in_its_direction():
    """By the definition of a mirror; sky and ground are off."""
    scene = lit_by(
        plain_scene(SIDE),
        power=torch.tensor([[1.0, 0.0]]),
        direction=torch.tensor([[[0.6, 0.0, 0.8], [0.0, 0.0, 1.0]]]),
        spread=torch.full((1, 2), 0.1),
    )
    around = Surroundings(scene.lights, torch.tensor([[0.0, 0.0, 1.0]]))
    looks = torch.tensor([[[0.6, 0.0, 0.8], [-0.6, 0.0, 0.8]]])
    seen = environment(around, looks, torch.full((1, 2), 0.01))
    assert float(seen[0, 0]) > 1.0
    assert float(seen[0, 1]) < 1e-3


@pytest.mark.parametrize("distance_mm", [12.0, 60.0])
def test_a_near_lamp_lights_by_the_inverse_square_of_its_distance(distance_mm: float):
    """Lambert's cosine and the inverse square law, on flat ground and about it."""
    overhead = torch.tensor([[[0.0, 0.0, 1.0], [0.0, 0.0, 1.0]]])
    lamp = {"power": torch.tensor([[1.0, 0.0]]), "direction": overhead}
    far = torch.full((1, 2), distance_mm)
    scene, rays, hits, shaded, _ = shaded_by(WIDE, **lamp, distance=far)
    gap = torch.tensor([0.0, 0.0, distance_mm]) - hits.point
    square = (gap**2).sum(-1)
    cosine = (hits.normal * gap).sum(-1) / square.sqrt()
    told = (cosine + WRAP) / (1 + WRAP) * distance_mm**2 / square
    front = hits.part == Part.HOUSING  # nothing shades it from above
    assert int(front.sum()) > 200
    assert torch.allclose(shaded.lit[front], told[front], rtol=1e-3)
    spread_of_light = float(told[front].max() / told[front].min())
    assert (spread_of_light > 1.1) == (distance_mm < 20)


def test_a_lit_table_has_the_light_of_an_open_surface_facing_up_and_its_pool():
    """The sum of what each lamp gives such a surface; the pool adds its rise at its middle."""
    lamps = {
        "sky": one(0.5), "ring_power": one(1.0), "power": torch.tensor([[0.8, 0.0]]),
        "direction": torch.tensor([[[0.6, 0.0, 0.8], [0.0, 0.0, 1.0]]]),
    }  # fmt: skip
    scene = lit_by(plain_scene(WIDE), **lamps)
    materials = replace(scene.materials, lit_table=torch.tensor([True]))
    rays = camera_rays(scene.cameras)
    hits = trace(scene.connectors, scene.cameras, rays)
    shaded, around = shade(
        replace(scene, materials=materials), hits, rays, torch.ones(*hits.part.shape, 3),
        torch.zeros(1, 2, 2, 3), one(0.0),
    )  # fmt: skip
    view_z = float(around.view[0, 2])
    told = 0.5 + 0.7 * view_z + 0.8 * (0.8 + WRAP) / (1 + WRAP)
    table = hits.part == Part.SURROUND
    assert int(table.sum()) > 200
    assert torch.allclose(shaded.lit[table], torch.tensor(told), atol=1e-5)
    pool = torch.tensor([[0.25, -0.5, 0.4, 2.0]])
    x, y = torch.tensor([[[0.25, 0.25]]]), torch.tensor([[[-0.5, -0.1]]])
    factor = pool_of_light(pool, x, y)[0, 0]
    assert factor.tolist() == pytest.approx([3.0, 1 + 2 * np.exp(-0.5)], abs=1e-5)
