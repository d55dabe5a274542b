"""Blur, noise and compression against closed forms."""

from dataclasses import replace

import numpy as np
import pytest
import torch
from scipy.fft import dct
from scipy.stats import norm

from fiberward.synthetic.draw import Draw
from fiberward.synthetic.optics import (
    Exposure,
    compress,
    cosine_matrix,
    draw_exposure,
    expose,
    gaussian,
    noise_sd,
    sense,
)

from .plain import one

CPU = torch.device("cpu")


def linear_exposure(**values: torch.Tensor) -> Exposure:
    """Gamma 1, colour, no vignette, veil, grain or smear, unless given."""
    zero = one(0.0)
    plain = replace(
        draw_exposure(Draw(1, CPU), 1), target=one(0.5), gamma=one(1.0), balance=torch.ones(1, 3),
        vignette=zero, mono=torch.tensor([False]), read_noise=zero, shot_noise=zero, grain=zero,
        smear=zero, veil=zero,
    )  # fmt: skip
    return replace(plain, **values)


@pytest.mark.parametrize("sigma", [1.6, 3.2, 6.4])
def test_a_blurred_edge_rises_from_10_to_90_percent_in_2_563_sigma(sigma):
    """Of a Gaussian: 2 x 1.2816 sigma (normal distribution's 90 % point)."""
    edge = torch.zeros(1, 1, 8, 256)
    edge[..., 128:] = 1.0
    line = gaussian(edge, sigma)[0, 0, 4].numpy()
    near = (line > 0.02) & (line < 0.98)
    score, x = norm.ppf(line[near]), np.arange(256)[near]  # a Gaussian's edge is a straight line
    low, high = norm.ppf([0.1, 0.9])
    rise = np.interp(high, score, x) - np.interp(low, score, x)
    assert rise == pytest.approx(2.563 * sigma, rel=0.04)


@pytest.mark.parametrize("sigma", [0.8, 1.6, 3.2])
def test_a_blurred_point_has_the_stated_standard_deviation(sigma):
    """Second moment of the point spread, by definition; a kernel of a few taps has it too."""
    point = torch.zeros(1, 1, 129, 129)
    point[..., 64, 64] = 1.0
    line = gaussian(point, sigma)[0, 0].sum(0).numpy()
    x = np.arange(129) - 64
    assert (line * x * x).sum() ** 0.5 == pytest.approx(sigma, rel=0.03)


def test_blur_keeps_the_mean_of_an_even_picture():
    even = torch.full((1, 2, 40, 56), 0.37)
    for sigma in (0.0, 0.8, 12.8):
        assert torch.allclose(gaussian(even, sigma), even, atol=1e-5)


def test_the_exposed_mean_is_the_target():
    """Target ^ (1 / gamma) in linear light, by the definition of gamma."""
    light = torch.rand(1, 3, 32, 32, generator=torch.Generator().manual_seed(1)) + 0.2
    exposure = linear_exposure(target=one(0.7), gamma=one(0.5))
    exposed, _ = expose(exposure, light, torch.ones(1, 32, 32))
    root = exposed.mean(1).sqrt().mean()
    assert float(root**2) == pytest.approx(0.7**2, rel=1e-4)


def test_a_small_highlight_hardly_darkens_the_rest():
    light = torch.full((1, 3, 32, 32), 0.2)
    light[:, :, :3, :3] = 20.0  # a hundredth of the picture, a hundred times as bright
    exposure = linear_exposure(target=one(0.5), gamma=one(1.0))
    exposed, _ = expose(exposure, light, torch.ones(1, 32, 32))
    assert float(exposed[0, 0, 20, 20]) > 0.35  # a plain average would leave 0.27


@pytest.mark.parametrize("level", [0.1, 0.4, 0.8])
def test_noise_has_the_stated_standard_deviation(level):
    """Read and shot noise add in variance, shot variance in proportion to the light (Poisson)."""
    exposure = linear_exposure(read_noise=one(0.004), shot_noise=one(0.02))
    light = torch.full((1, 3, 256, 256), level)
    sd = noise_sd(exposure, light, torch.zeros(1, 256, 256))
    assert float(sd.mean()) == pytest.approx((0.004**2 + 0.02**2 * level) ** 0.5, rel=1e-4)
    shown = sense(Draw(3, CPU), exposure, light, sd)
    each = shown.std(dim=(2, 3)).mean()
    assert float(each) == pytest.approx(float(sd.mean()), rel=0.03)


def test_the_cosine_transform_is_the_orthonormal_dct_2():
    """Against scipy.fft.dct(type=2, norm='ortho')."""
    m = cosine_matrix(CPU).numpy()
    assert np.allclose(m @ m.T, np.eye(8), atol=1e-6)
    assert np.allclose(m, dct(np.eye(8), type=2, norm="ortho", axis=0), atol=1e-6)


def test_compression_changes_a_picture_little_and_an_even_one_hardly():
    draw = Draw(2, CPU)
    even = torch.full((8, 3, 20, 28), 0.5)
    assert float((compress(draw, even) - even).abs().max()) < 0.01
    noisy = torch.rand(8, 3, 20, 28, generator=torch.Generator().manual_seed(4))
    changed = compress(draw, noisy)
    assert changed.shape == noisy.shape
    assert 0 < float((changed - noisy).abs().mean()) < 0.15
