"""Renders as a shop's grey camera would show them."""

import cv2
import numpy as np
import pytest
import skimage.data

from fiberward.training.augment import Patch
from fiberward.training.config import LossWeights
from fiberward.training.grey_camera import is_grey, like_the_shops
from fiberward.training.shop_pool import BatchPlan, Pool, Replay

SIZE_HW = 64, 96


def patch(rgb: np.ndarray) -> Patch:
    """A patch of that picture on which nothing lies."""
    zeros = np.zeros(rgb.shape[:2], np.uint8)
    return Patch(rgb, zeros, zeros, zeros.astype(np.int32), zeros + 1, zeros)


def plain(rgb: tuple[int, int, int]) -> np.ndarray:
    return np.full((*SIZE_HW, 3), rgb, np.uint8)


GREY, TINTED, RED = plain((90, 90, 90)), plain((90, 96, 104)), plain((200, 60, 40))


def noisy(rgb: np.ndarray, spread_dn: float) -> np.ndarray:
    noise = np.random.default_rng(3).normal(0, spread_dn, rgb.shape)
    return np.clip(rgb + noise, 0, 255).round().astype(np.uint8)


def test_a_photograph_is_grey_only_without_its_colours() -> None:
    # scikit-image's own pictures: one of a cup of coffee in colour, one of a page in grey
    coffee, page = skimage.data.coffee(), skimage.data.page()
    assert not is_grey(coffee)
    assert is_grey(np.repeat(cv2.cvtColor(coffee, cv2.COLOR_RGB2GRAY)[..., None], 3, axis=2))
    assert is_grey(np.repeat(page[..., None], 3, axis=2))


@pytest.mark.parametrize("rgb", [GREY, noisy(GREY, 6)], ids=["plain", "coloured noise"])
def test_coloured_noise_is_no_colour(rgb: np.ndarray) -> None:
    assert is_grey(rgb)
    assert not is_grey(noisy(TINTED, 6))


@pytest.mark.parametrize(
    ("shop", "grey_ones"),
    [([GREY, GREY, RED], [1, 3]), ([GREY, RED], []), ([RED, TINTED], [])],
    ids=["mostly grey", "half grey", "coloured"],
)
def test_half_of_the_renders_are_grey_where_most_of_the_shops_pictures_are(
    shop: list[np.ndarray], grey_ones: list[int]
) -> None:
    renders = [patch(noisy(RED, 4)) for _ in range(5)]
    made = like_the_shops(renders, [patch(rgb) for rgb in shop])
    assert [k for k, each in enumerate(made) if is_grey(each.rgb)] == grey_ones
    for before, after in zip(renders, made, strict=True):
        assert np.array_equal(after.kind, before.kind)
        luma = [cv2.cvtColor(each.rgb, cv2.COLOR_RGB2GRAY) for each in (before, after)]
        assert np.abs(luma[0].astype(int) - luma[1]).max() <= 1


def test_a_grey_shops_batches_hold_grey_renders_and_coloured_ones() -> None:
    renders = [patch(RED) for _ in range(4)]
    replay = Replay(renders, renders, renders)
    plan = BatchPlan(crop_hw=SIZE_HW)
    pool = Pool([patch(GREY)], replay, plan, 1, LossWeights())
    pictures = [pool.batch(number).picture[-1].numpy() for number in range(0, 30, 3)]
    assert {is_grey(each) for each in pictures} == {True, False}
    assert pool.replay.asked is renders  # they tell what was forgotten
