"""What the net was never shown: ordinary photographs, and pictures of a plug beyond any use.

The photographs and drawings are those that scikit-image's package brings along (its `data` folder:
faces, coins, bricks, textures, the moon, a page). None shows a connector, so each must end in
reshoot as a view that says why. The others are the shipped demonstration's pictures with one factor
moved far out of the range that pictures are rendered in.
"""

from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from fiberward.inference.pipeline import Inspector, Result
from fiberward.inference.request import Request
from fiberward.inference.see.inputs import ConnectorFacts
from fiberward.model.shipped import SHIPPED_MODEL

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "inference" / "show" / "demo"
Bytes = Any


def packaged_pictures() -> list[Path]:
    """The pictures inside the installed scikit-image; nothing is fetched."""
    found = find_spec("skimage")
    if found is None or not found.submodule_search_locations:
        return []
    folder = Path(next(iter(found.submodule_search_locations)), "data")
    return sorted(p for p in folder.iterdir() if p.suffix in (".png", ".jpg"))


PICTURES = packaged_pictures()
# Of each sort one: round things, a round dark field, a face, text, texture, sky.
SHORT_RUN = {"coins", "retina", "astronaut", "page", "brick", "moon"}


@pytest.fixture(scope="module")
def inspector() -> Inspector:
    return Inspector(SHIPPED_MODEL, threads=1)


def inspected(inspector: Inspector, path: Path) -> Result:
    return inspector.inspect(Request((path,), None, ConnectorFacts(ferrule_mm=2.5)))


def test_scikit_image_brings_enough_pictures() -> None:
    if find_spec("skimage") is None:
        pytest.skip("scikit-image is not installed")
    assert len(PICTURES) >= 20
    assert {path.stem for path in PICTURES} >= SHORT_RUN


@pytest.mark.parametrize(
    "path",
    [
        pytest.param(path, id=path.stem, marks=[] if path.stem in SHORT_RUN else pytest.mark.long)
        for path in PICTURES
    ],
)
def test_an_ordinary_photograph_ends_in_reshoot(inspector: Inspector, path: Path) -> None:
    result = inspected(inspector, path)
    (view,) = result.views
    assert view.readable is False
    assert view.why_not
    assert result.inspection.verdict == "reshoot"
    assert result.deposits == ()


def out_of_focus(rgb: Bytes) -> Bytes:
    return cv2.GaussianBlur(rgb, (0, 0), rgb.shape[0] / 40)


def far_away(rgb: Bytes) -> Bytes:
    height, width = rgb.shape[:2]
    small = cv2.resize(rgb, (width // 10, height // 10), interpolation=cv2.INTER_AREA)
    y, x = (height - small.shape[0]) // 2, (width - small.shape[1]) // 2
    picture = np.full_like(rgb, int(np.median(rgb)))
    picture[y : y + small.shape[0], x : x + small.shape[1]] = small
    return picture


def too_close(rgb: Bytes) -> Bytes:
    height, width = rgb.shape[:2]
    y, x = height // 2 - height // 24, width // 2 - width // 24
    window = rgb[y : y + height // 12, x : x + width // 12]
    return cv2.resize(window, (width, height), interpolation=cv2.INTER_CUBIC)


def nine_at_once(rgb: Bytes) -> Bytes:
    height, width = rgb.shape[:2]
    small = cv2.resize(rgb, (width // 3, height // 3), interpolation=cv2.INTER_AREA)
    return np.tile(small, (3, 3, 1))


def under_one_blue_led(rgb: Bytes) -> Bytes:
    return rgb // np.array([255, 255, 8], np.uint8)


FACTORS = (out_of_focus, far_away, too_close, nine_at_once, under_one_blue_led)


@pytest.mark.parametrize("factor", FACTORS, ids=lambda factor: factor.__name__)
@pytest.mark.parametrize("name", ["front", "side-1"])
def test_one_factor_far_out_of_range_ends_in_reshoot(
    inspector: Inspector, tmp_path: Path, name: str, factor: Callable[[Bytes], Bytes]
) -> None:
    with Image.open(DEMO / f"{name}.jpg") as picture:
        rgb = np.asarray(picture.convert("RGB"))
    path = tmp_path / f"{name}.png"
    Image.fromarray(np.ascontiguousarray(factor(rgb))).save(path)
    result = inspected(inspector, path)
    assert result.views[0].readable is False
    assert result.inspection.verdict == "reshoot"


def test_the_same_pictures_unchanged_can_be_read(inspector: Inspector) -> None:
    """Else the tests above would show nothing."""
    assert all(
        inspected(inspector, DEMO / f"{name}.jpg").views[0].readable for name in ("front", "side-1")
    )
