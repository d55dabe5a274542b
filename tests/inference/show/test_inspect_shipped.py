"""`fiberward inspect` with the shipped weights on pictures that nothing may be concluded from."""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fiberward.inference import show
from fiberward.inference.keep.inspection import read_inspection
from fiberward.inference.show.app import main

SIZE_HW = (360, 480)
DEMO = Path(show.__file__).parent / "demo"


def noise(k):
    return np.random.default_rng(k).integers(0, 256, (*SIZE_HW, 3), np.uint8)


def soft_noise(k):
    coarse = np.random.default_rng(k).integers(0, 256, (12, 16, 3), np.uint8)
    return np.asarray(Image.fromarray(coarse).resize(SIZE_HW[::-1], Image.Resampling.BICUBIC))


def flat(level):
    return lambda k: np.full((*SIZE_HW, 3), level + k, np.uint8)


def stripes(k):
    row = (np.arange(SIZE_HW[1]) // (9 + k) % 2 * 170 + 40).astype(np.uint8)
    return np.broadcast_to(row[None, :, None], (*SIZE_HW, 3)).copy()


def face_like(k):
    """Two eyes, a nose and a mouth: round things that are no ferrule."""
    y, x = np.indices(SIZE_HW)
    rgb = np.full((*SIZE_HW, 3), 70, np.uint8)
    rgb[((x - 240) / 120) ** 2 + ((y - 180) / 150) ** 2 < 1] = (205, 160, 130)
    for cx in (195, 285):
        rgb[(x - cx) ** 2 + (y - 140 - k) ** 2 < 18**2] = (240, 240, 240)
        rgb[(x - cx) ** 2 + (y - 140 - k) ** 2 < 8**2] = (40, 30, 30)
    rgb[((x - 240) / 45) ** 2 + ((y - 250) / 12) ** 2 < 1] = (150, 60, 60)
    return rgb


def ring(k):
    """A bare disc with a hole, as a washer from above."""
    y, x = np.indices(SIZE_HW)
    away = np.hypot(x - 240, y - 180)
    rgb = np.full((*SIZE_HW, 3), 30 + k, np.uint8)
    rgb[(away < 130) & (away > 60)] = 190
    return rgb


NOTHING_TO_JUDGE = {
    "black": flat(0),
    "white": flat(252),
    "a blank": flat(127),
    "noise": noise,
    "soft noise": soft_noise,
    "stripes": stripes,
    "a face": face_like,
    "one pixel": lambda k: np.full((1, 1, 3), 100 + k, np.uint8),
}


def inspect_four(draw, folder):
    """Exit code and record of four pictures drawn by `draw(k)`."""
    paths = []
    for k in range(4):
        paths.append(str(folder / f"{k}.png"))
        Image.fromarray(draw(k)).save(paths[-1])
    options = ["--ferrule", "2.5", "--turn", "0,0,120,240", "--out", str(folder / "out")]
    code = main(["inspect", *options, *paths])
    return code, read_inspection(folder / "out" / "inspection.json")


@pytest.mark.parametrize("what", NOTHING_TO_JUDGE)
def test_pictures_of_no_connector_end_in_reshoot(tmp_path, what):
    code, inspection = inspect_four(NOTHING_TO_JUDGE[what], tmp_path)
    assert (code, inspection.verdict) == (1, "reshoot")
    assert all(view.why_not for view in inspection.views)


def test_a_washer_that_passes_for_a_ferrule_is_no_mate(tmp_path):
    code, inspection = inspect_four(ring, tmp_path)
    assert code == 1
    assert inspection.verdict != "mate"


@pytest.mark.long  # the pipeline's own test of it is in the short run (test_same_bits.py)
def test_the_same_pictures_give_the_same_bits_whatever_the_threads(tmp_path):
    paths = [str(DEMO / name) for name in ("front.jpg", "side-1.jpg")]
    for threads in ("1", "2"):
        out = str(tmp_path / threads)
        main(["inspect", "--threads", threads, "--ferrule", "2.5", "--out", out, *paths])
    for name in ("front.surfaces.png", "front.deposits.png", "side-1.deposits.png"):
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes()
    assert read_mask(tmp_path / "1" / "side-1.deposits.png").any()


def read_mask(path):
    return np.asarray(Image.open(path))
