"""Blurred, noisy discs of known size in a picture, segmented and measured: are the sizes true?"""

from typing import Any

import cv2
import numpy as np
import pytest

from fiberward.inference.see.deposits import measure_deposits
from fiberward.inference.see.quality import rose_diameter_px
from fiberward.inference.see.segment import Segmenter
from fiberward.model.camera import SurfaceCoordinates

FINE = 6
PITCH, ACROSS = 48, 10


def discs(diameters_px: Any, sigma_px: float, noise_dn: float) -> tuple[Any, Any, Any]:
    """Discs' share of each pixel [H, W], their centres [n, 2] (x, y), and noise [H, W]."""
    rng = np.random.default_rng(7)
    places = np.array([(i % ACROSS + 0.5, i // ACROSS + 0.5) for i in range(len(diameters_px))])
    places = places * PITCH + rng.uniform(-0.5, 0.5, places.shape)
    size = PITCH * ACROSS
    y, x = (np.indices((size * FINE, size * FINE), dtype=np.float32) + 0.5) / FINE
    cover = np.zeros(x.shape, np.float32)
    for diameter, (cx, cy) in zip(diameters_px, places, strict=True):
        rows, cols = (slice(int(c - 16) * FINE, int(c + 17) * FINE) for c in (cy, cx))
        at = rows, cols
        cover[at][np.hypot(x[at] - cx, y[at] - cy) < diameter / 2] = 1
    cover = cv2.GaussianBlur(cover, (0, 0), sigma_px * FINE)
    cover = cv2.resize(cover, (size, size), interpolation=cv2.INTER_AREA)
    noise = rng.normal(0, noise_dn, cover.shape)
    return cover, places, noise


@pytest.mark.parametrize(("sigma_px", "noise_dn"), [(0.6, 1.0), (1.0, 2.0), (1.5, 2.0), (2.0, 1.0)])
def test_sizes_of_discs_above_the_detection_limit_are_true_to_a_fifth_of_an_octave(
    model_path, sigma_px, noise_dn
):
    """Median |log2(size / true)| below 0.2 is the aim for particles in a view."""
    um_per_px = 2.5
    limit = max(rose_diameter_px(36.0, noise_dn, sigma_px), 3 * sigma_px, 3.2)
    # The model splits at half contrast, which a disc of two sigma never reaches, of three just so.
    true_px = np.geomspace(1.2 * limit, 24, ACROSS * ACROSS)
    cover, places, noise = discs(true_px, sigma_px, noise_dn)
    rgb = np.zeros((*cover.shape, 3), np.uint8)
    rgb[..., 0] = 5 * 36  # the model reads: endface
    rgb[..., 2] = np.clip(np.round(36.0 * cover + noise), 0, 255)  # the model reads: particle
    flat = np.ones(cover.shape, np.float32)
    coordinates = SurfaceCoordinates(
        surface=np.full(cover.shape, 5, np.uint8),
        s_um=500 * flat,
        theta_deg=20 * flat,
        pixel_area_um2=um_per_px**2 * flat,
        facing=flat,
    )
    found = measure_deposits(Segmenter(model_path)(rgb), coordinates, 0)
    assert len(found) == len(true_px)
    error: list[float] = []
    for deposit in found:
        away = np.hypot(*(places - deposit.xy_px).T)
        assert away.min() < 0.5
        error.append(float(np.log2(deposit.size_um / um_per_px / true_px[away.argmin()])))
    assert np.median(np.abs(error)) < 0.1
    assert np.abs(np.median(error)) < 0.1
    assert np.max(np.abs(error)) < 0.5
