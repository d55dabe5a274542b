"""Sizes of deposits against scikit-image's regionprops and other outside values, on a plane."""

from typing import Any

import numpy as np
import pytest

from fiberward.inference.see.deposits import measure_deposits
from fiberward.inference.see.outline import centre_line_um, inscribed_px
from fiberward.inference.see.segment import Segmentation
from fiberward.model.camera import SurfaceCoordinates
from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface

UM_PER_PX = 3.0
SIZE = (420, 520)


def flat(um_per_px: float = UM_PER_PX) -> SurfaceCoordinates:
    """A flat endface seen straight on, its fibre far outside the picture."""
    y, x = np.indices(SIZE) + 0.5
    u, v = (x + 900) * um_per_px, (y + 700) * um_per_px
    return SurfaceCoordinates(
        surface=np.full(SIZE, Surface.ENDFACE, np.uint8),
        s_um=np.hypot(u, v).astype(np.float32),
        theta_deg=(np.degrees(np.arctan2(v, u)) % 360).astype(np.float32),
        pixel_area_um2=np.full(SIZE, um_per_px**2, np.float32),
        facing=np.ones(SIZE, np.float32),
    )


def measured(mask: Any, kind: Kind) -> Any:
    coordinates = flat()
    seen = Segmentation(
        surface=coordinates.surface,
        kind=(mask * int(kind)).astype(np.uint8),
        deposit_p=mask.astype(np.float32),
        unseen=np.zeros(SIZE, np.float32),
        unlike=0.0,
    )
    return measure_deposits(seen, coordinates, 0)


def blobs() -> Any:
    """Some thirty smooth shapes of many sizes, none touching."""
    ndimage = pytest.importorskip("scipy.ndimage")
    field = ndimage.gaussian_filter(np.random.default_rng(4).normal(size=SIZE), 7)
    return field > np.quantile(field, 0.88)


def longest_chord(pixels: Any) -> float:
    """The longest distance between any two corners of the pixels [n, 2], by trying all."""
    corners = np.concatenate([pixels + corner for corner in ((0, 0), (0, 1), (1, 0), (1, 1))])
    corners = np.unique(corners, axis=0).astype(float)
    return max(float(np.hypot(*(corners - corner).T).max()) for corner in corners)


@pytest.mark.parametrize("kind", [Kind.PARTICLE, Kind.FILM])
def test_area_centroid_and_feret_agree_with_scikit_image(kind):
    measure = pytest.importorskip("skimage.measure")
    mask = blobs()
    expected = measure.regionprops(measure.label(mask, connectivity=2))
    found = measured(mask, kind)
    assert len(found) == len(expected) > 20
    for ours, theirs in zip(found, expected, strict=True):
        assert ours.pixel_count == theirs.area
        assert ours.area_um2 == pytest.approx(theirs.area * UM_PER_PX**2, rel=1e-4)
        assert ours.size_um == pytest.approx(theirs.equivalent_diameter_area * UM_PER_PX, rel=1e-4)
        y, x = theirs.centroid  # of pixel centres, counted from 0
        assert ours.xy_px == pytest.approx((x + 0.5, y + 0.5), abs=1e-6)
        np.testing.assert_array_equal(ours.mask, theirs.image)
        # scikit-image measures on the hull drawn in pixels, which may reach a fraction farther out.
        feret_px = ours.feret_max_um / UM_PER_PX
        assert feret_px == pytest.approx(theirs.feret_diameter_max, abs=0.8)
        assert feret_px == pytest.approx(longest_chord(theirs.coords), abs=1e-3)
        u, v = (x + 0.5 + 900) * UM_PER_PX, (y + 0.5 + 700) * UM_PER_PX
        assert ours.s_um == pytest.approx(np.hypot(u, v), rel=1e-3)
        assert ours.theta_deg == pytest.approx(np.degrees(np.arctan2(v, u)), abs=0.05)


def rectangle(width_px: int, height_px: int) -> Any:
    mask = np.zeros(SIZE, bool)
    mask[100 : 100 + height_px, 200 : 200 + width_px] = True
    return mask


def test_a_rectangle_of_20_by_2_px_has_the_published_feret_and_equivalent_diameter():
    """Largest Feret diameter sqrt(20^2 + 2^2) = 20.10 px; sqrt(4 A / pi) = 7.14 px."""
    for kind in (Kind.PARTICLE, Kind.FILM):
        (found,) = measured(rectangle(20, 2), kind)
        assert found.feret_max_um / UM_PER_PX == pytest.approx(20.0998, abs=1e-3)
        assert found.size_um / UM_PER_PX == pytest.approx(7.1365, abs=1e-3)
        assert found.width_um / UM_PER_PX == pytest.approx(2.0, abs=1e-3)
        assert found.enclosing_um / UM_PER_PX == pytest.approx(20.0998, abs=1e-2)


@pytest.mark.parametrize(("pixels", "diameter"), [(314, 19.995), (79, 10.03)])
def test_area_equivalent_diameters_of_pixel_counts(pixels, diameter):
    """ISO 13322-1: x_A = sqrt(4 A / pi), from complete pixel counts."""
    mask = np.zeros(SIZE, bool)
    mask[50 + np.arange(pixels) // 20, 50 + np.arange(pixels) % 20] = True
    (found,) = measured(mask, Kind.RESIDUE)
    assert found.size_um / UM_PER_PX == pytest.approx(diameter, abs=5e-3)


def test_a_square_of_10_px_has_an_equivalent_diameter_of_11_284_px():
    (found,) = measured(rectangle(10, 10), Kind.DAMAGE)
    assert found.size_um / UM_PER_PX == pytest.approx(11.284, abs=1e-3)


@pytest.mark.parametrize(
    ("length_um", "width_um", "fibre"), [(1000, 40, True), (1000, 60, False), (500, 30, False)]
)
def test_the_iso_16232_fibre_rule_can_be_told_from_length_and_width(length_um, width_um, fibre):
    """Stretched length over largest inscribed circle above 20 and width at most 50 um."""
    mask = rectangle(round(length_um / UM_PER_PX), round(width_um / UM_PER_PX))
    (found,) = measured(mask, Kind.LINT)
    assert found.length_um == pytest.approx(length_um, rel=0.04)
    assert found.width_um == pytest.approx(width_um, abs=UM_PER_PX)
    assert (found.length_um / found.width_um > 20 and found.width_um <= 50) == fibre


@pytest.mark.parametrize("turn_deg", [0, 17, 45, 80])
def test_a_wavy_thread_has_its_arc_length(turn_deg):
    """y = a sin(k x): arc length from numerical integration."""
    t = np.linspace(0, 300, 4000)
    x, y = t, 25 * np.sin(2 * np.pi * t / 150)
    arc = float(np.hypot(np.diff(x), np.diff(y)).sum())
    turn = np.radians(turn_deg)
    px = 60 + x * np.cos(turn) - y * np.sin(turn)
    py = 60 + x * np.sin(turn) + y * np.cos(turn)
    rows, cols = np.indices((400, 420)) + 0.5
    mask = np.zeros(rows.shape, bool)
    for cx, cy in zip(px[::8], py[::8], strict=True):
        mask |= (cols - cx) ** 2 + (rows - cy) ** 2 < 3.0**2
    length = centre_line_um(mask, np.eye(2) * 2.0)
    assert length == pytest.approx(2.0 * (arc + 6.0), rel=0.04)  # the round ends add a width
    assert inscribed_px(mask) == pytest.approx(6.0, abs=0.8)
