"""The housing's rounded edges and the table behind it, as the settings state them."""

from dataclasses import replace

import pytest
import torch

from fiberward.model.camera import Camera
from fiberward.synthetic.draw import Draw
from fiberward.synthetic.paint import base_albedo
from fiberward.synthetic.scene import Part
from fiberward.synthetic.trace import Hits, camera_rays, trace

from .plain import SHAPE, cameras_of, connectors_of, one, plain_scene

FRONT = Camera(0.0, 0.0, 0.0, 25.0, (160.0, 160.0), 4.0e6, (320, 320))  # far off: almost parallel
HALF_MM = SHAPE.cavity_radius_um * 1e-3 + 1.0  # of the housing's front, as `connectors_of` states


def from_the_front(**edges: torch.Tensor) -> Hits:
    cameras = cameras_of(FRONT)
    return trace(replace(connectors_of(SHAPE), **edges), cameras, camera_rays(cameras))


def along_the_middle(hits: Hits, part: int) -> tuple[torch.Tensor, torch.Tensor]:
    """x (mm) and normals of a part's pixels right below the fibre, where x points down."""
    column = FRONT.size_hw[1] // 2
    here = (hits.part[0, :, column] == part) & (hits.point[0, :, column, 0] > 0)
    return hits.point[0, here, column, 0], hits.normal[0, here, column]


@pytest.mark.parametrize("swing", [0.5, 3.0])
def test_the_outer_edges_normal_turns_outward_up_to_the_stated_tangent(swing: float):
    """Tangent of the tilt: swing x (1 - distance to the edge / width of the rounding)."""
    hits = from_the_front(shoulder=one(0.4), swing=one(swing), lip=one(0.01))
    x, normal = along_the_middle(hits, Part.HOUSING)
    told = swing * (1 - (HALF_MM - x) / 0.4).clamp(0, 1)
    inner = x > HALF_MM - 0.8  # clear of the mouth
    assert told[inner].max() > 0.9 * swing
    assert torch.allclose((normal[:, 0] / normal[:, 2])[inner], told[inner], atol=0.01)


def test_where_floor_and_wall_meet_the_floor_rises_and_without_a_fillet_it_is_flat():
    wall_mm = SHAPE.cavity_radius_um * 1e-3
    x, normal = along_the_middle(from_the_front(fillet=one(0.5), swing=one(1.0)), Part.FLOOR)
    told = (1 - (wall_mm - x) / 0.5).clamp(0, 1)
    assert told.max() > 0.9
    assert torch.allclose(-normal[:, 0] / normal[:, 2], told, atol=0.01)
    _, flat = along_the_middle(from_the_front(fillet=one(0.0), swing=one(1.0)), Part.FLOOR)
    edge = flat[:-1]  # the last pixel may touch the wall's own rounding
    assert torch.allclose(edge[:, 2], torch.ones(len(edge)), atol=1e-6)


def test_a_plain_table_is_of_one_tone_and_another_is_not():
    scene = plain_scene(FRONT)
    tones: dict[bool, torch.Tensor] = {}
    for plain in (True, False):
        materials = replace(scene.materials, plain_table=torch.tensor([plain]))
        own = replace(scene, materials=materials)
        hits = trace(own.connectors, own.cameras, camera_rays(own.cameras))
        albedo = base_albedo(Draw(3, torch.device("cpu")), own, hits)
        tones[plain] = albedo[hits.part == Part.SURROUND]
    assert len(tones[True]) > 1000
    assert float(tones[True].std()) == 0.0
    assert float(tones[False].std()) > 0.01
