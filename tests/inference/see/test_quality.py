"""What a picture can show: connectors drawn with known blur and noise, and other pictures."""

from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest

from fiberward.inference.see.blur import rim_sigma_px, sharpest_sigma_px
from fiberward.inference.see.quality import measure_quality, noise_sigma_dn, rose_diameter_px
from fiberward.inference.see.segment import Segmentation, Segmenter

FINE = 3  # the drawing's samples per pixel, so that an edge's place and blur are exact


@cache
def drawn(sigma_px: float, noise_dn: float = 0.0) -> tuple[Any, Any]:
    """A front view's luminance (float32, whole values) and surfaces; ferrule 0.6 of it across."""
    size = 420
    y, x = (np.indices((size * FINE, size * FINE)) + 0.5) / FINE
    r = np.hypot(x - size * 0.503, (y - size * 0.498) / 0.94) / size
    surface = np.select([r < 0.03, r < 0.21, r < 0.3], [6, 5, 4], 2).astype(np.uint8)
    level = np.array([20, 60, 35, 0, 190, 130, 90], np.float32)[surface]
    if sigma_px > 0:
        level = cv2.GaussianBlur(level, (0, 0), sigma_px * FINE)
    at = np.s_[FINE // 2 :: FINE, FINE // 2 :: FINE]
    noise = np.random.default_rng(0).normal(0, 1, (size, size)) * noise_dn
    return np.clip(np.round(level[at] + noise), 0, 255).astype(np.float32), surface[at]


def colour(luminance: Any) -> Any:
    return np.repeat(np.clip(np.round(luminance), 0, 255).astype(np.uint8)[..., None], 3, axis=-1)


def seen(surface: Any, unlike: float = 0.0, kind: Any = None) -> Segmentation:
    """A segmentation with the given surfaces and no deposits unless given."""
    kind = np.zeros(surface.shape, np.uint8) if kind is None else kind
    nothing = np.zeros(surface.shape, np.float32)
    return Segmentation(surface, kind, nothing, nothing, unlike, None, 8)


# ------------------------------------------------------------------ blur


@pytest.mark.parametrize("noise_dn", [0.0, 3.0])
@pytest.mark.parametrize("sigma_px", [0.6, 1.0, 2.0, 3.0, 6.0])
def test_a_gaussian_blur_of_the_rim_is_measured(sigma_px, noise_dn):
    """A Gaussian of sigma 1 px has MTF50 = 0.1874 cycles/px; the method is from ISO 12233."""
    luminance, surface = drawn(sigma_px, noise_dn)
    measured = rim_sigma_px(luminance, [surface >= 4, surface >= 5], max(noise_dn, 0.3))
    assert measured == pytest.approx(sigma_px, rel=0.05)


@pytest.mark.parametrize("noise_dn", [12.0, 20.0])
@pytest.mark.parametrize("sigma_px", [0.8, 1.5, 2.5])
def test_the_blur_of_a_noisy_picture_is_measured_all_the_same(sigma_px, noise_dn):
    luminance, surface = drawn(sigma_px, noise_dn)
    measured = rim_sigma_px(luminance, [surface >= 4, surface >= 5], noise_dn)
    assert measured == pytest.approx(sigma_px, rel=0.2)


@pytest.mark.parametrize("noise_dn", [12.0, 20.0])
def test_noise_makes_no_blurred_picture_sharp(noise_dn):
    luminance, surface = drawn(8.0, noise_dn)
    measured = rim_sigma_px(luminance, [surface >= 4, surface >= 5], noise_dn)
    assert measured is None or measured > 6


def test_the_blur_of_a_dim_picture_with_coarse_noise_is_measured():
    # a tenth of the light, and noise that compression smoothed, so that it looks weaker than it is
    luminance, surface = drawn(1.2)
    grain = np.random.default_rng(7).normal(0, 3, luminance.shape)
    dim = np.round(20 + luminance / 10 + cv2.GaussianBlur(grain, (0, 0), 0.8)).astype(np.float32)
    measured = rim_sigma_px(dim, [surface >= 4, surface >= 5], noise_sigma_dn(dim))
    assert measured == pytest.approx(1.2, rel=0.25)


def test_the_blur_does_not_depend_on_a_mask_that_wobbles():
    luminance, surface = drawn(1.5, 2.0)
    wobble = cv2.GaussianBlur(np.random.default_rng(3).normal(0, 1, surface.shape), (0, 0), 4)
    shifted = np.roll(surface, 2, axis=1)
    region = np.where(wobble > 0, surface, shifted) >= 4
    assert rim_sigma_px(luminance, [region], 2.0) == pytest.approx(1.5, rel=0.1)


def test_without_an_edge_there_is_no_blur():
    flat = np.full((300, 300), 100, np.float32)
    region = np.hypot(*(np.indices((300, 300)) - 150)) < 80
    noise = np.random.default_rng(0).normal(0, 5, flat.shape).astype(np.float32)
    assert rim_sigma_px(flat, [region], 0.3) is None
    assert rim_sigma_px(flat + noise, [region], 5.0) is None
    assert sharpest_sigma_px(flat, 0.3) is None


@pytest.mark.parametrize("sigma_px", [1.0, 4.0, 12.0])
def test_the_sharpest_edges_are_found_without_knowing_the_picture(sigma_px):
    luminance, _ = drawn(sigma_px)
    assert sharpest_sigma_px(luminance, 0.3) == pytest.approx(sigma_px, rel=0.35)


# ------------------------------------------------------------------ noise and detection limit


@pytest.mark.parametrize("noise_dn", [1.0, 4.0, 12.0])
def test_noise_is_measured_beside_edges_and_slopes(noise_dn):
    luminance, _ = drawn(1.0, noise_dn)
    luminance = luminance + np.linspace(0, 40, luminance.shape[1], dtype=np.float32)
    rounded = np.hypot(noise_dn, 12**-0.5)  # whole values add the noise of rounding
    assert noise_sigma_dn(luminance) == pytest.approx(rounded, rel=0.07)


def test_noise_is_never_below_that_of_rounding():
    assert noise_sigma_dn(np.full((50, 50), 9, np.float32)) == pytest.approx(0.2887, abs=1e-4)


def test_roses_criterion_holds_at_the_limit_in_its_two_closed_forms():
    """k = 5 = contrast / noise * sqrt(area), the area the disc's own or the blur's 4 pi sigma^2."""
    sharp = rose_diameter_px(10.0, 4.0, 0.0)
    assert 10.0 / 4.0 * np.sqrt(np.pi / 4) * sharp == pytest.approx(5.0)
    small = rose_diameter_px(200.0, 0.5, 8.0)  # a point beside its blur
    signal, area = 200.0 * np.pi / 4 * small**2, 4 * np.pi * 8.0**2
    assert signal / (0.5 * np.sqrt(area)) == pytest.approx(5.0, rel=0.01)


def test_a_disc_at_roses_limit_has_the_signal_to_noise_ratio_stated():
    """By brute force: the best linear detector's ratio is sqrt(sum of squares) / noise."""
    contrast, noise, sigma = 30.0, 12.0, 2.5
    diameter = rose_diameter_px(contrast, noise, sigma)
    y, x = (np.indices((64 * FINE, 64 * FINE)) + 0.5) / FINE - 32
    disc = (np.hypot(x, y) < diameter / 2).astype(np.float64) * contrast
    blurred = cv2.GaussianBlur(disc, (0, 0), sigma * FINE)[FINE // 2 :: FINE, FINE // 2 :: FINE]
    assert np.sqrt((blurred**2).sum()) / noise == pytest.approx(5.0, rel=0.12)


def test_more_blur_or_noise_never_lowers_the_detection_limit():
    for noise in (0.0, 2.0, 6.0, 12.0):
        limits = []
        for sigma in (0.8, 1.6, 2.6):
            luminance, surface = drawn(sigma, noise)
            limit = measure_quality(colour(luminance), seen(surface)).detection_limit_px
            assert limit is not None
            assert limit >= max(2 * sigma * 0.95, np.sqrt(4 * 8 / np.pi))
            limits.append(limit)
        assert limits == sorted(limits)


# ------------------------------------------------------------------ readable or not


def test_a_sharp_connector_is_readable_and_its_figures_are_those_drawn():
    luminance, surface = drawn(1.2, 3.0)
    quality = measure_quality(colour(luminance), seen(surface))
    assert quality.readable
    assert quality.why_not is None
    assert quality.blur_sigma_px == pytest.approx(1.2, rel=0.05)
    assert quality.noise_dn == pytest.approx(np.hypot(3.0, 12**-0.5), rel=0.1)
    assert quality.contrast_dn == pytest.approx(0.3 * 130, rel=0.1)
    assert quality.clipped_share == 0
    limit = quality.detection_limit_px
    assert limit is not None
    assert quality.detection_limit_um(3.0) == pytest.approx(3.0 * limit)


def test_the_blur_share_that_ends_readability_is_that_of_the_ferrules_diameter():
    for sigma, readable in ((2.5, True), (5.5, False), (16.0, False)):
        luminance, surface = drawn(sigma, 1.0)
        quality = measure_quality(colour(luminance), seen(surface))
        assert quality.readable == readable
        assert readable or "out of focus" in str(quality.why_not)


def test_a_burnt_out_or_dim_connector_is_not_readable():
    luminance, surface = drawn(1.0, 1.0)
    burnt = measure_quality(colour(luminance * 2.5), seen(surface))
    assert "burnt out" in str(burnt.why_not)
    assert burnt.clipped_share is not None
    assert burnt.clipped_share > 0.9
    dim = np.random.default_rng(1).normal(0, 8, luminance.shape) + luminance * 0.12
    assert "reta" in str(measure_quality(colour(dim), seen(surface)).why_not)


def test_a_ferrule_that_is_small_absent_in_pieces_or_not_round_is_not_readable():
    luminance, surface = drawn(1.0, 1.0)
    rgb = colour(luminance)
    small = cv2.resize(surface, (80, 80), interpolation=cv2.INTER_NEAREST)
    small = np.pad(small, 170, constant_values=2)
    pieces = np.where((np.indices(surface.shape)[1] // 40) % 2, surface, 2).astype(np.uint8)
    star = surface.copy()
    star[:210, :210] = star[210:, 210:] = 2
    star[180:240, 180:240] = 5
    block = np.full_like(surface, 2)
    block[110:310, 90:330] = 5  # a rectangular ferrule
    for other, words in (
        (small, "only 48 px across"),
        (np.full_like(surface, 2), "no ferrule"),
        (np.where(surface >= 5, 2, surface), "no endface"),
        (pieces, "in pieces"),
        (star, "not round"),
        (block, "not round (0.83 of an ellipse)"),
    ):
        quality = measure_quality(rgb, seen(other.astype(np.uint8)))
        assert not quality.readable
        assert words in str(quality.why_not)
        assert quality.detection_limit_px is None
    assert "known kind (the net gives it 93%)" in str(
        measure_quality(rgb, seen(surface, 0.93)).why_not
    )


def nothing_to_see() -> dict[str, Any]:
    """Pictures of no connector, uint8 [H, W, 3], and words of the reason expected."""
    rng = np.random.default_rng(5)
    y, x = np.indices((300, 400))
    face = np.full((300, 400), 150.0)  # mean green above one half is the test model's `unlike`
    for cy, cx, ry, rx, level in (
        (150, 200, 120, 85, 190),
        (120, 165, 10, 16, 40),
        (120, 235, 10, 16, 40),
        (210, 200, 12, 40, 90),
    ):
        face[((y - cy) / ry) ** 2 + ((x - cx) / rx) ** 2 < 1] = level
    return {
        "black": (colour(np.zeros((300, 400))), "all black"),
        "white": (colour(np.full((300, 400), 255.0)), "all white"),
        "nearly black with noise": (colour(rng.gamma(1.0, 1.0, (300, 400))), "all black"),
        "grey": (colour(np.full((300, 400), 127.0)), "one even tone"),
        "white noise": (rng.integers(0, 256, (300, 400, 3), np.uint8), "noise"),
        "checkerboard of single pixels": (colour((x + y) % 2 * 255.0), "fine pattern"),
        "one pixel": (colour(np.full((1, 1), 90.0)), "only 1 x 1 px"),
        "gradient": (colour(x / 400 * 255.0), ""),
        "checkerboard": (colour((x // 20 + y // 20) % 2 * 255.0), ""),
        "face-like": (colour(cv2.GaussianBlur(face, (0, 0), 1.5)), "no connector"),
        "blobs": (colour(cv2.GaussianBlur(rng.normal(127, 900, (300, 400)), (0, 0), 9)), ""),
    }


@pytest.mark.parametrize("name", list(nothing_to_see()))
def test_a_picture_of_no_connector_is_never_readable(model_path, name):
    rgb, words = nothing_to_see()[name]
    quality = measure_quality(rgb, Segmenter(model_path)(rgb))
    assert not quality.readable
    assert words in str(quality.why_not)
    assert "retake" in str(quality.why_not) or "take a picture" in str(quality.why_not)
    assert quality.detection_limit_px is None


@pytest.mark.parametrize("name", ["astronaut", "camera", "coins", "page", "brick", "cat", "rocket"])
def test_a_photograph_of_something_else_is_never_readable(model_path, name):
    data = pytest.importorskip("skimage.data")
    rgb = getattr(data, name)()
    rgb = rgb if rgb.ndim == 3 else np.repeat(rgb[..., None], 3, axis=-1)
    quality = measure_quality(np.ascontiguousarray(rgb), Segmenter(model_path)(rgb))
    assert not quality.readable
    assert quality.why_not
