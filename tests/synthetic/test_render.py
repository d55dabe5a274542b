"""Whole batches: reproducible, labelled as stated, weighted by what can be seen."""

import math
from dataclasses import fields, replace

import pytest
import torch

from fiberward.model.camera import Camera
from fiberward.model.kinds import KIND_NAMES
from fiberward.synthetic.canvas import new_canvas
from fiberward.synthetic.draw import Draw
from fiberward.synthetic.render import RenderPlan, label_weight, light_scene, render_batch

from .plain import lit_by, one, plain_scene
from .test_optics import linear_exposure

PLAN = RenderPlan(3, 2, (128, 160), clean_share=0.4, negative_share=0.2, with_truth=True)


@pytest.fixture(scope="module")
def renders():
    return render_batch(PLAN, 11)


def test_the_same_seed_gives_the_same_bits_and_another_seed_another_picture(renders):
    again, other = render_batch(PLAN, 11), render_batch(PLAN, 12)
    for field in fields(renders):
        value = getattr(renders, field.name)
        if isinstance(value, torch.Tensor):
            assert torch.equal(value, getattr(again, field.name)), field.name
    assert renders.truth == again.truth
    assert not torch.equal(renders.picture, other.picture)


def test_every_instance_is_in_its_pictures_truth_with_its_kind(renders):
    found = 0
    for i, row in enumerate(renders.truth):
        kinds = {d["id"]: d["kind"] for d in row.get("deposits", [])}
        for number in renders.instance[i].unique().tolist():
            if number:
                there = renders.instance[i] == number
                named = {KIND_NAMES[k] for k in renders.kind[i][there].unique().tolist()}
                assert named == {kinds[number]}
                found += 1
        assert torch.equal(renders.instance[i] > 0, renders.kind[i] > 0)
    assert found >= 10


def test_instance_numbers_do_not_repeat_in_a_batch(renders):
    seen: set[int] = set()
    for plane in renders.instance:
        own = set(plane[plane > 0].unique().tolist())
        assert not own & seen
        seen |= own


def test_clean_pictures_and_negatives_hold_no_deposit_and_negatives_no_connector(renders):
    assert renders.picture.shape == (8, 128, 160, 3)  # 3 scenes x 2 sets, 1 clean, 1 negative
    assert int(renders.kind[6:].max()) == 0
    assert renders.unlike.tolist() == [0.0] * 7 + [1.0]
    assert int(renders.surface[7].max()) == 0


def black_canvas():
    """A dark endface with a patch of one deposit, painted in the host's own light."""
    camera = Camera(0.0, 0.0, 0.0, 30.0, (48.0, 48.0), 60000.0, (96, 96))
    scene = lit_by(plain_scene(camera), sky=one(0.3), ground=one(0.3))
    lit = light_scene(Draw(1, torch.device("cpu")), scene)
    canvas = new_canvas(lit.ground.hits, lit.shaded)
    canvas.instance[0, 40:56, 40:56] = int(canvas.take_instances(1)[0])
    return canvas


def weight_of_patch(contrast: float, noise: float) -> float:
    """Mean weight on the patch when the picture differs there by `contrast` (linear light)."""
    canvas = black_canvas()
    clean = torch.full((1, 3, 96, 96), 0.02)
    shown = clean.clone()
    shown[:, :, 40:56, 40:56] += contrast
    sd = torch.full((1, 1, 96, 96), noise)
    weight = label_weight(linear_exposure(), shown, clean, sd, canvas)
    outside = weight.clone()
    outside[0, 40:56, 40:56] = 1.0
    assert bool((outside == 1).all())
    return float(weight[0, 40:56, 40:56].mean())


def test_black_dirt_on_black_ground_has_weight_0_and_plain_dirt_weight_1():
    assert weight_of_patch(0.0, 0.01) == 0.0
    assert weight_of_patch(0.2, 0.01) == 1.0


def test_a_deposit_counts_as_shown_by_contrast_times_root_of_pixels_over_noise():
    """Rose's criterion: the patch's 256 pixels give a factor of 16; shown from 8 to 12.

    Noise is the sensor's 0.01 and 1.5 steps of 8 bits; 0.8 of it is what noise alone looks like.
    """
    noise = math.hypot(0.01, 1.5 / 255)

    def contrast(rose: float) -> float:
        return noise * (rose / 16 + 0.8)

    assert weight_of_patch(contrast(7.0), 0.01) == 0.0
    assert weight_of_patch(contrast(10.0), 0.01) == pytest.approx(0.5, abs=0.02)
    assert weight_of_patch(contrast(13.0), 0.01) == 1.0


def test_a_speck_as_faint_as_the_grain_of_its_ground_is_not_learnt():
    canvas = black_canvas()
    generator = torch.Generator().manual_seed(2)
    clean = 0.3 + 0.05 * torch.rand(1, 1, 96, 96, generator=generator).expand(1, 3, 96, 96)
    shown = clean.clone()
    shown[:, :, 40:56, 40:56] += 0.01
    sd = torch.full((1, 1, 96, 96), 0.001)
    weight = label_weight(linear_exposure(), shown, clean, sd, canvas)
    assert float(weight[0, 40:56, 40:56].max()) == 0.0


def test_a_plan_without_truth_renders_the_same_pictures(renders):
    bare = render_batch(replace(PLAN, with_truth=False), 11)
    assert torch.equal(bare.picture, renders.picture)
    assert bare.truth == [{}] * 8
