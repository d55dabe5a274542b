"""What a shop's batches are drawn from."""

import numpy as np
import pytest

from fiberward.training.augment import Patch
from fiberward.training.shop_pool import Replay, as_grey, in_the_shops_look, is_grey


def patch(colour: tuple[int, int, int], noise_dn: int = 0) -> Patch:
    """A picture of one colour, with as much noise in each channel."""
    random = np.random.default_rng(3)
    rgb = np.full((24, 32, 3), colour, np.int16)
    rgb += random.integers(-noise_dn, noise_dn + 1, rgb.shape, np.int16)
    plain = np.zeros((24, 32), np.uint8)
    return Patch(np.clip(rgb, 0, 255).astype(np.uint8), plain, plain, plain.astype(np.int32),
                 plain + 1, plain)  # fmt: skip


GREY, BLUE = patch((90, 90, 90)), patch((40, 80, 200))
REPLAY = Replay([BLUE] * 4, [BLUE] * 3, [BLUE])


def test_to_a_grey_camera_every_second_render_is_replayed_in_grey() -> None:
    shown = in_the_shops_look(REPLAY, [GREY, GREY])
    assert [is_grey(p) for p in shown.windows] == [False, True, False, True]
    assert [is_grey(p) for p in shown.frames] == [False, True, False]
    assert not is_grey(shown.asked[0])  # what was forgotten is asked of renders as they are


@pytest.mark.parametrize("shop", [[BLUE], [GREY, BLUE]])
def test_to_a_colour_camera_the_renders_stay_as_they_are(shop: list[Patch]) -> None:
    assert in_the_shops_look(REPLAY, shop) is REPLAY


def test_a_blueish_colour_camera_on_a_grey_part_is_no_grey_camera() -> None:
    assert not is_grey(patch((88, 90, 96)))
    assert not is_grey(patch((90, 90, 90), noise_dn=3))


def test_grey_is_the_luma_that_broadcasting_defines() -> None:
    """ITU-R BT.601: 0.299 R + 0.587 G + 0.114 B, rounded."""
    expected = round(0.299 * 40 + 0.587 * 80 + 0.114 * 200)
    assert (as_grey(BLUE).rgb == expected).all()
    assert as_grey(BLUE).kind is BLUE.kind
