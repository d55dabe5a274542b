"""Nets beside the project's own: one form, one loop, one table."""

import json
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch
from torch import nn

from fiberward.model.errors import ModelError, SettingsError
from fiberward.model.kinds import Kind
from fiberward.model.net import NetShape, SightNet
from fiberward.training.checkpoint import load_ema
from fiberward.training.compare_nets import ComparePlan, as_text, compare_nets
from fiberward.training.config import ARCHITECTURES
from fiberward.training.contrast import fitted_contrast, standing_out
from fiberward.training.loop import train
from fiberward.training.nets import build_net, gflop, with_probabilities
from fiberward.training.score_view import Truth

from .fake import TINY, fake_source, tiny_config
from .test_calibrate import painted_source

LRASPP, DEEPLAB = ARCHITECTURES[1:]


@pytest.mark.parametrize("name", ARCHITECTURES)
def test_every_net_answers_in_the_same_form_at_any_size(name: str) -> None:
    torch.manual_seed(3)
    net = build_net(name, TINY).eval()
    picture = torch.randint(0, 256, (2, 75, 101, 3), dtype=torch.uint8)
    with torch.no_grad():
        out = with_probabilities(net)(picture)
    shapes = [tuple(plane.shape) for plane in out]
    assert shapes == [(2, 7, 75, 101), (2, 7, 75, 101), (2, 1, 75, 101), (2,)]
    for plane in out[:2]:
        assert torch.allclose(plane.sum(1), torch.ones(2, 75, 101), atol=1e-5)
    # all begin near what most pixels are: clean and seen
    assert out.kind[:, 0].mean() > 0.5
    assert out.unseen.mean() < 0.2


def test_the_first_is_the_projects_own() -> None:
    assert isinstance(build_net(ARCHITECTURES[0], TINY), SightNet)


@pytest.mark.parametrize(
    ("name", "weights", "beside"),
    [
        (LRASPP, "LRASPP_MobileNet_V3_Large_Weights", 0.0),
        # a second head, which ours lacks: 3x3 of 1024 to 256 channels on 65 x 65 places
        (DEEPLAB, "DeepLabV3_ResNet50_Weights", 65 * 65 * 9 * 1024 * 256 / 1e9),
    ],
)
def test_operations_are_those_that_torchvision_publishes(
    name: str, weights: str, beside: float
) -> None:
    """Its weights' notes give 1e9 multiply-adds at 520 px for 21 classes; ours give 15 planes."""
    segmentation: Any = pytest.importorskip("torchvision.models.segmentation")
    published = getattr(segmentation, weights).COCO_WITH_VOC_LABELS_V1.meta["_ops"]
    assert gflop(name, NetShape(), (520, 520)) / 2 == pytest.approx(published - beside, rel=0.01)


def test_another_net_trains_in_the_same_loop_and_comes_back(tmp_path: Path) -> None:
    config = tiny_config(steps=2, warmup_steps=1, architecture=LRASPP)
    assert train(config, fake_source, tmp_path, None) == 2
    net, again, _ = load_ema(tmp_path)
    assert again == config
    assert isinstance(net, nn.Module)
    assert not isinstance(net, SightNet)


def test_a_net_that_is_not_known_is_refused() -> None:
    with pytest.raises(SettingsError, match="architecture"):
        tiny_config(architecture="unknown")


def dirty_view(seed: int = 1) -> Truth:
    """Grey noise of one level with a dark and a bright disc of radius 4."""
    random = np.random.default_rng(seed)
    light = 120 + random.normal(0, 1.0, (120, 160))
    y, x = np.mgrid[:120, :160]
    instance = np.zeros((120, 160), np.int32)
    for number, (row, col, step) in enumerate([(40, 50, -40), (80, 110, 40)], 1):
        disc = (y - row) ** 2 + (x - col) ** 2 <= 16
        light[disc] += step
        instance[disc] = number
    rgb = np.repeat(np.clip(light, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    plain = np.zeros((120, 160), np.uint8)
    return Truth("v", "v", rgb, plain, (instance > 0).astype(np.uint8), instance)


def test_local_contrast_stands_out_as_the_definition_says() -> None:
    """Mean and deviation of the 41 px square around one pixel, by numpy."""
    view = dirty_view()
    light = view.rgb[..., 0].astype(float)
    square = light[60 - 20 : 60 + 21, 70 - 20 : 70 + 21]
    expected = abs(light[60, 70] - square.mean()) / max(square.std(), 1.0)
    assert standing_out(view.rgb)[60, 70] == pytest.approx(expected, rel=1e-3)


def test_local_contrast_finds_dark_and_bright_grains_and_no_more() -> None:
    view = dirty_view()
    fitted = fitted_contrast([view])
    found = fitted(view.rgb).kind
    assert set(np.unique(found)) == {0, int(Kind.PARTICLE)}
    iou = ((found > 0) & (view.instance > 0)).sum() / ((found > 0) | (view.instance > 0)).sum()
    assert iou > 0.9
    clean = np.full((120, 160, 3), 90, np.uint8)
    assert fitted(clean).kind.max() == 0


def test_a_level_that_lets_noise_through_is_not_chosen() -> None:
    view = dirty_view()
    chosen = fitted_contrast([view, dirty_view(2)])
    assert chosen.level > 2.0
    assert (standing_out(view.rgb) >= chosen.level).sum() < (standing_out(view.rgb) >= 2.0).sum()


def plain_follow(items: Iterable[Any], _label: str) -> Iterator[Any]:
    return iter(items)


PLAN = ComparePlan(4, (60, 80), 1)


def test_the_table_holds_every_net_to_the_same_pictures(write_model: Callable[..., Path]) -> None:
    seen: list[int] = []

    def noting(plan: Any, seed: int) -> Any:
        seen.append(seed)
        return painted_source(plan, seed)

    given = [str(write_model()), "contrast"]
    document = json.loads(json.dumps(compare_nets(given, noting, PLAN, plain_follow)))
    net, contrast = document["nets"]
    assert seen[:4] == seen[-4:]  # between them, others on which the contrast's level was fitted
    assert not set(seen[4:-4]) & set(seen[:4])
    assert net["figures"]["surfaces_mean_iou"]["value"] > 0
    assert net["figures"]["recall_dirt"]["n"] == contrast["figures"]["recall_dirt"]["n"] == 12
    assert contrast["figures"]["surfaces_mean_iou"]["value"] is None
    assert contrast["parameters"] is None
    assert net["parameters"] > 0
    assert net["seconds_per_view"] >= 0
    text = as_text(document)
    assert "levels.onnx" in text
    assert "not measured" in text


def test_what_is_neither_run_nor_model_is_refused() -> None:
    with pytest.raises(ModelError, match="no training run and no ONNX file"):
        compare_nets(["nothing"], painted_source, PLAN, plain_follow)
