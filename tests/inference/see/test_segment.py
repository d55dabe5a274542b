"""The segmenter with a model whose answers are known, and its hysteresis on hand-made maps."""

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fiberward.inference.see.model_file import Thresholds
from fiberward.inference.see.segment import (
    PLANES,
    Segmenter,
    deposit_pieces,
    whole_say_off_ferrule,
)
from fiberward.inference.see.tiles import Span, blend_shares, spans, tile_grid
from fiberward.model.errors import ModelError
from fiberward.model.surfaces import Surface

THRESHOLDS = Thresholds(seed=0.7, grow=0.4, min_px=4, floor=0.55)


def bits(segmentation: Any) -> str:
    planes = (segmentation.surface, segmentation.kind, segmentation.deposit_p, segmentation.unseen)
    return hashlib.sha256(b"".join(p.tobytes() for p in planes)).hexdigest()


@pytest.fixture
def scene(painted: Callable[..., Any]) -> tuple[Any, Any, Any]:
    """Surfaces in broad bands, deposits of every kind on them, and the picture [448, 640, 3]."""
    surface = np.zeros((448, 640), int)
    surface[:, 110:] = 1
    surface[70:, 210:] = 3
    surface[240:, 210:560] = 5
    kind = np.zeros((448, 640), int)
    for number in range(1, 7):
        kind[60 * number : 60 * number + 20, 90 * number : 90 * number + 30] = number
    kind[210:250, 250:350] = 3  # across two surfaces, and across the seams of a tile grid
    return surface, kind, painted(surface, kind)


def test_surfaces_and_kinds_are_read_back_from_a_picture_that_states_them(model_path, scene):
    surface, kind, rgb = scene
    seen = Segmenter(model_path)(rgb)
    assert (seen.surface == surface).mean() > 0.985  # the model's 3x3 mean blurs the seams
    np.testing.assert_array_equal(seen.kind, kind)
    assert seen.likely.pixels.size == (seen.deposit_p >= 0.1).sum()
    assert (seen.deposit_p[kind > 0] > 0.7).all()
    assert seen.unseen.max() == 0


def test_a_picture_in_tiles_gets_the_deposits_it_gets_in_one_piece(model_path, scene):
    _, _, rgb = scene
    whole = Segmenter(model_path)(rgb)
    grids = [Segmenter(model_path, whole_px=1.5e5, tile_px=px)(rgb) for px in (210_000, 140_000)]
    alone = whole.surface >= 3  # on the ferrule the tiles alone speak of deposits
    for tiled in grids:
        np.testing.assert_array_equal(tiled.kind, whole.kind)
        np.testing.assert_allclose(tiled.deposit_p[alone], whole.deposit_p[alone], atol=2e-6)
        np.testing.assert_allclose(tiled.unseen, whole.unseen, atol=1e-6)
        assert (tiled.surface == grids[0].surface).mean() >= 0.999
        # most of the say is a reduced picture's
        assert (tiled.surface == whole.surface).mean() > 0.99
        assert tiled.unlike == pytest.approx(whole.unlike, abs=1e-3)


@pytest.mark.parametrize(
    ("surface", "side_px", "say"),
    [
        (Surface.CAVITY, 200, 1.0),  # a whole wall called a film
        (Surface.CAVITY, 12, 0.0),  # a grain
        (Surface.BARREL, 200, 0.0),  # on the ferrule the tiles alone speak
    ],
)
def test_the_whole_picture_speaks_of_broad_deposits_off_the_ferrule_only(
    surface: Surface, side_px: int, say: float
) -> None:
    planes = np.zeros((PLANES, 200, 200), np.float32)
    planes[surface] = 1
    planes[len(Surface)] = 1  # clean
    planes[len(Surface), 100 - side_px // 2 : 100 + side_px // 2, 100 - side_px // 2 :] = 0
    planes[len(Surface), :, 100 + side_px // 2 :] = 1
    assert whole_say_off_ferrule(planes, 40)[100, 100] == pytest.approx(say, abs=1e-6)


def test_the_same_picture_gives_the_same_bits_over_threads_and_order(model_path, scene):
    _, _, rgb = scene
    other = rgb[::-1].copy()
    one = Segmenter(model_path, threads=1, whole_px=1.5e5, tile_px=1.4e5)
    two = Segmenter(model_path, threads=2, whole_px=1.5e5, tile_px=1.4e5)
    first = bits(one(rgb))
    two(other)
    assert bits(two(rgb)) == first
    assert bits(one(rgb)) == first
    assert bits(one(other)) != first


def test_other_threads_are_taken_on_the_way_and_change_no_bit(model_path, scene):
    _, _, rgb = scene
    segmenter = Segmenter(model_path, threads=2)
    first = bits(segmenter(rgb))
    segmenter.take_threads(1)
    assert bits(segmenter(rgb)) == first


def test_a_model_file_exchanged_meanwhile_is_refused_with_other_threads(
    write_model, model_path, tmp_path: Path
):
    path = tmp_path / "exchanged.onnx"
    path.write_bytes(model_path.read_bytes())
    segmenter = Segmenter(path, threads=2)
    path.write_bytes(write_model(created_at="2020-01-01T00:00:00Z").read_bytes())
    segmenter.take_threads(2)  # nothing is read
    with pytest.raises(ModelError, match="has changed meanwhile"):
        segmenter.take_threads(1)


@pytest.mark.parametrize("size_hw", [(1, 1), (1, 5000), (3, 2), (31, 33)])
def test_pictures_of_odd_sizes_are_segmented_in_their_own_pixels(model_path, size_hw):
    seen = Segmenter(model_path, whole_px=1e6)(np.zeros((*size_hw, 3), np.uint8))
    assert seen.surface.shape == seen.kind.shape == seen.deposit_p.shape == size_hw
    assert not seen.kind.any()


def test_arrays_that_are_no_8_bit_colour_picture_are_refused(model_path):
    segmenter = Segmenter(model_path)
    for wrong in (np.zeros((4, 4), np.uint8), np.zeros((4, 4, 3)), np.zeros((0, 4, 3), np.uint8)):
        with pytest.raises(ValueError, match=r"expected uint8 \[H, W, 3\]"):
            segmenter(wrong)


# ------------------------------------------------------------------ model files


def test_the_card_holds_what_the_file_states(write_model):
    path = write_model(thresholds='{"seed": 0.8, "grow": 0.3, "min_px": 9}', scores='{"miou": 0.9}')
    card = Segmenter(path).card
    assert card.thresholds == Thresholds(seed=0.8, grow=0.3, min_px=9, floor=0.55)
    assert card.um_per_px_range == (1.0, 8.0)
    assert card.scores == {"miou": 0.9}
    assert card.calibration is None
    assert card.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {"fiberward__schema": "fiberward.model/7"},
            'schema "fiberward.model/7", expected "fiberward.model/1"',
        ),
        ({"fiberward__schema": None}, "found no schema"),
        ({"kinds": '["clean", "dust"]'}, "kinds: expected"),
        ({"thresholds": '{"seed": 0.3, "grow": 0.6, "min_px": 9}'}, "grow <= floor <= seed"),
        ({"thresholds": '{"seed": 0.3}'}, "lacks 'grow'"),
        ({"um_per_px_range": None}, "lacks 'um_per_px_range'"),
        ({"scores": "not JSON"}, "wrong metadata"),
    ],
)
def test_a_model_file_with_wrong_metadata_is_refused_by_name(write_model, changes, message):
    path = write_model(**changes)
    with pytest.raises(ModelError, match=message) as caught:
        Segmenter(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_or_damaged_model_file_is_refused_by_name(tmp_path: Path, model_path: Path):
    missing = tmp_path / "none.onnx"
    with pytest.raises(ModelError, match="No such file"):
        Segmenter(missing)
    whole = model_path.read_bytes()
    for number, data in enumerate((b"", whole[: len(whole) // 2], b"\x89PNG" * 100)):
        path = tmp_path / f"damaged-{number}.onnx"
        path.write_bytes(data)
        with pytest.raises(ModelError, match=f"damaged-{number}"):
            Segmenter(path)


# ------------------------------------------------------------------ hysteresis


def test_a_piece_is_a_deposit_only_where_a_pixel_reaches_the_seed():
    p = np.zeros((20, 40), np.float32)
    p[2:6, 2:6], p[3, 3] = 0.45, 0.71  # grown from one seed
    p[2:6, 12:16], p[3, 13] = 0.45, 0.6  # between floor and seed: unsure
    p[2:6, 22:26] = 0.5  # never reaches the floor
    p[12, 2:5] = 0.9  # three pixels: too small
    p[12:14, 12:14] = 0.9
    p[14:16, 14:16] = 0.41  # joined by a corner
    sure, unsure = deposit_pieces(p, THRESHOLDS)
    assert sure.sum() == 16 + 8
    assert sure[2:6, 2:6].all()
    assert sure[14:16, 14:16].all()
    assert unsure.sum() == 16
    assert unsure[2:6, 12:16].all()


def test_nothing_and_everything_are_possible_answers():
    for level, deposits in ((0.0, 0), (1.0, 100)):
        sure, unsure = deposit_pieces(np.full((10, 10), level, np.float32), THRESHOLDS)
        assert sure.sum() == deposits
        assert not unsure.any()


def test_small_islands_of_another_kind_join_what_surrounds_them(model_path, painted):
    kind = np.zeros((60, 60), int)
    kind[10:40, 10:40] = 1
    kind[20:22, 20:23] = 4  # 6 px inside: joins
    kind[40:50, 20:30] = 5  # 100 px beside: stays a deposit of its own
    seen = Segmenter(model_path)(painted(np.full((60, 60), 3), kind))
    assert (seen.kind[10:40, 10:40] == 1).all()
    assert (seen.kind[40:50, 20:30] == 5).all()


# ------------------------------------------------------------------ tiles


@pytest.mark.parametrize(
    "size_hw", [(960, 1280), (1920, 2560), (7746, 7746), (300, 9000), (2000, 2001)]
)
def test_tiles_cover_each_pixel_with_a_weight_and_keep_their_limits(size_hw):
    most_px = 1.0e6
    for length, tiles in zip(size_hw, tile_grid(size_hw, most_px), strict=True):
        total = np.zeros(length)
        for tile, share in zip(tiles, blend_shares(tiles), strict=True):
            assert tile.start % 32 == 0
            total[tile.start : tile.stop] += share
        np.testing.assert_allclose(total, 1, atol=1e-6)
        assert tiles[0].start == 0
        assert tiles[-1].stop == length
    rows, cols = tile_grid(size_hw, most_px)
    assert max(r.stop - r.start for r in rows) * max(c.stop - c.start for c in cols) <= most_px


def test_weights_are_zero_where_a_tiles_context_is_cut_and_one_at_the_pictures_edge():
    first, last = spans(1000, 2)
    assert first.weight()[0] == 1
    assert first.weight()[-32:].max() == 0
    assert last.weight()[:32].max() == 0
    assert last.weight()[-1] == 1
    assert (Span(0, 50, 50).weight() == 1).all()
