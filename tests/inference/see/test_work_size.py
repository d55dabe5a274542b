"""Large pictures are reduced as far as the net knows ferrules, all of a camera alike."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fiberward.inference.see.picture import Picture
from fiberward.inference.see.segment import Segmentation
from fiberward.inference.see.work_size import (
    LEARNT_FERRULE_PX,
    finer_shares,
    first_size,
    reduced,
)
from fiberward.model.surfaces import Surface


def picture_of(height: int, width: int) -> Picture:
    return Picture(Path("a.png"), "0" * 64, np.zeros((height, width, 3), np.uint8))


def looked_at(picture: Picture, ferrule_own_px: float, middle: float = 0.5):
    """A first look at a picture whose ferrule is so wide and so far down, in the file's pixels."""
    small = first_size(picture)
    height, width = small.rgb.shape[:2]
    y, x = np.mgrid[:height, :width] + 0.5
    radius = ferrule_own_px / small.own_px / 2
    inside = np.hypot(x - width / 2, y - height * middle) < radius
    surface = np.where(inside, np.uint8(Surface.ENDFACE), np.uint8(Surface.CAVITY))
    nothing = np.zeros(surface.shape, np.float32)
    return small, Segmentation(surface, np.zeros_like(surface), nothing, nothing, 0.0)


def test_a_picture_of_ordinary_size_stays_as_it_is():
    picture = picture_of(960, 1280)
    assert first_size(picture) is picture
    assert finer_shares([looked_at(picture, 900)]) == [None]


def test_a_first_look_keeps_the_shape_and_knows_the_own_size():
    small = first_size(picture_of(1944, 2592))
    height, width = small.rgb.shape[:2]
    assert height * width <= 1.6e6 * 1.01
    assert width / height == pytest.approx(2592 / 1944, rel=1e-3)
    assert small.own_hw == (1944, 2592)
    assert small.own_px == pytest.approx(2592 / width, rel=1e-3)
    assert "of its 2592 x 1944" in small.notes[-1]


def test_where_the_first_look_is_as_wide_as_the_net_knows_it_stands():
    """1,750 px are 986 px at first sight, and 1,000 are known: no use to look again."""
    assert finer_shares([looked_at(picture_of(1944, 2592), 1750)]) == [None]


@pytest.mark.parametrize("across_px", [1300, 1500])
def test_else_the_ferrule_becomes_as_wide_as_the_net_knows(across_px):
    (share,) = finer_shares([looked_at(picture_of(1944, 2592), across_px)])
    assert share * across_px == pytest.approx(LEARNT_FERRULE_PX, rel=0.01)


def test_a_ferrule_of_no_more_than_the_net_knows_is_looked_at_in_full():
    assert finer_shares([looked_at(picture_of(1944, 2592), 1000)]) == [1.0]


def test_pictures_of_one_size_are_reduced_alike_whatever_their_order():
    """A speck on the camera's lens must stay at its pixel."""
    views = [looked_at(picture_of(1944, 2592), px) for px in (1200, 1400, 1500)]
    shares = finer_shares(views)
    assert shares[0] == pytest.approx(LEARNT_FERRULE_PX / 1400, rel=0.01)
    assert shares == [shares[0]] * 3 == finer_shares(views[::-1])


def test_another_camera_is_no_concern_of_theirs():
    mixed = [looked_at(picture_of(1944, 2592), 1300), looked_at(picture_of(2160, 3840), 2000)]
    alone = finer_shares(mixed[:1]) + finer_shares(mixed[1:])
    assert finer_shares([*mixed, None]) == [*alone, None]


def test_a_close_up_is_looked_at_in_full():
    """What runs out of the picture on both sides was taken for what is fine."""
    assert finer_shares([looked_at(picture_of(1944, 2592), 2400)]) == [1.0]


def test_without_a_ferrule_nobody_looks_again():
    small, seen = looked_at(picture_of(1944, 2592), 1300)
    blank = replace(seen, surface=np.zeros_like(seen.surface))
    assert finer_shares([(small, blank)]) == [None]


def test_reducing_averages_areas():
    """A mean over 4 x 4 pixels, as OpenCV's documentation of INTER_AREA has it."""
    rgb = np.zeros((8, 8, 3), np.uint8)
    rgb[:2, :4] = 200
    small = reduced(Picture(Path("a.png"), "0" * 64, rgb), 0.25)
    assert small.rgb[..., 0].tolist() == [[100, 0], [0, 0]]
    assert not small.rgb.flags.writeable
