"""The closed forms of loss against what they stand for: overlap integrals, done numerically.

SciPy's quadrature of the fields themselves, and the transfer matrix of thin films; neither shares a
line with the program. Sources: the overlap of two fields, |integral E1 E2*|^2 / (P1 P2) (Marcuse,
Bell System Technical Journal 56, 1977); the Gaussian beam's width and wavefront over a way z, and
the characteristic matrix of a layer, both textbook (Born and Wolf, Principles of Optics), from
memory.
"""

from math import cos, exp, pi, radians, sin, sqrt

import numpy as np
import pytest
from scipy.integrate import dblquad, quad

from fiberward.inference.judge.harm import (
    coherent_gap,
    disc_blocked_fraction,
    gap_diffraction_db,
    loss_db,
    masked_mode_db,
    mode_overlap,
    strip_blocked_fraction,
)
from fiberward.inference.judge.multimode import (
    lens_um2,
    multimode_gap_db,
    multimode_strip_db,
)

W = 4.6  # um, half of a mode field of 9.2 um


def amplitude(x: float, y: float, w: float = W) -> float:
    """A mode's field, its power 1."""
    return sqrt(2 / pi) / w * exp(-(x * x + y * y) / (w * w))


def integral(f, low: float, high: float) -> complex:
    """Of a complex function of one variable."""
    real, imaginary = (
        quad(lambda x, p=part: float(p(f(x))), low, high, limit=400)[0]
        for part in (np.real, np.imag)
    )
    return complex(real, imaginary)


def product_along(a: float, b: float, shift: float, phase: float) -> complex:
    """Two modes of radii a and b multiplied along one axis, one shifted and tilted."""
    norm = sqrt(2 / (pi * a * b))
    return integral(
        lambda x: norm * np.exp(-((x / a) ** 2) - ((x - shift) / b) ** 2 + 1j * phase * x),
        -40.0,
        40.0,
    )


@pytest.mark.parametrize(
    ("mfd1", "mfd2", "offset", "tilt_deg", "nm", "index"),
    [
        (9.2, 9.2, 1.0, 0.0, 1310, 1.0), (9.2, 10.4, 2.0, 0.5, 1550, 1.0),
        (8.6, 9.2, 0.0, 1.0, 1310, 1.4677), (9.2, 9.2, 3.0, 0.8, 1310, 1.4677),
    ],
)  # fmt: skip
def test_offset_tilt_and_unlike_modes_are_the_overlap_of_their_fields(
    mfd1, mfd2, offset, tilt_deg, nm, index
):
    # the tilted mode carries the phase k n x sin(tilt); its offset lies in the plane of the tilt
    # or across it alike, so both are done
    a, b = mfd1 / 2, mfd2 / 2
    k = 2 * pi * index / (nm * 1e-3) * sin(radians(tilt_deg))
    for beside in ((offset, 0.0), (0.0, offset)):
        across = product_along(a, b, beside[0], k), product_along(a, b, beside[1], 0.0)
        eta = abs(across[0] * across[1]) ** 2
        assert mode_overlap(mfd1, mfd2, offset, tilt_deg, (nm, index)) == pytest.approx(
            eta, rel=1e-6
        )


@pytest.mark.parametrize(("gap_um", "nm", "mfd"), [(10, 1310, 9.2), (100, 1550, 10.4)])
def test_spreading_over_a_gap_is_the_overlap_with_a_beam_that_has_travelled(gap_um, nm, mfd):
    w, wave = mfd / 2, nm * 1e-3
    z_r = pi * w * w / wave
    wide = w * sqrt(1 + (gap_um / z_r) ** 2)
    bend = gap_um * (1 + (z_r / gap_um) ** 2)

    def product(r: float) -> complex:
        fields = exp(-(r * r) / (w * w)) * exp(-(r * r) / (wide * wide))
        return 2 / pi / (w * wide) * fields * np.exp(-1j * pi * r * r / (wave * bend)) * 2 * pi * r

    eta = abs(integral(product, 0.0, 60.0)) ** 2
    assert gap_diffraction_db(gap_um, mfd, nm) == pytest.approx(loss_db(eta), rel=1e-6)


@pytest.mark.parametrize(("diameter", "offset"), [(5.0, 0.0), (5.0, 5.0), (9.0, 3.0), (2.0, 7.5)])
def test_an_opaque_disc_is_the_overlap_of_the_mode_with_what_is_left_of_it(diameter, offset):
    # field cut to zero on the disc, coupled back into the mode: 1 - integral of E^2 over the disc
    a = diameter / 2
    kept = 1 - dblquad(
        lambda y, x: amplitude(x + offset, y) ** 2,
        -a, a, lambda x: -sqrt(a * a - x * x), lambda x: sqrt(a * a - x * x), epsabs=1e-10,
    )[0]  # fmt: skip
    assert 1 - disc_blocked_fraction(diameter, 2 * W, offset) == pytest.approx(kept, abs=1e-7)
    loss = masked_mode_db(disc_blocked_fraction(diameter, 2 * W, offset))
    assert loss == pytest.approx(loss_db(kept**2), rel=1e-4)


def test_an_opaque_strip_is_the_same_overlap():
    kept = 1 - dblquad(lambda y, x: amplitude(x, y) ** 2, -1.0, 1.0, -30.0, 30.0)[0]
    assert 1 - strip_blocked_fraction(2.0, 2 * W) == pytest.approx(kept, abs=1e-9)


@pytest.mark.parametrize("gap_um", [0.05, 0.1, 0.25, 0.3275, 0.5, 2.0])
@pytest.mark.parametrize(("nm", "n"), [(1310, 1.4677), (1550, 1.45)])
def test_a_narrow_gap_transmits_and_reflects_as_the_matrix_of_an_air_layer(gap_um, nm, n):
    phase = 2 * pi * gap_um / (nm * 1e-3)
    layer = np.array([[cos(phase), 1j * sin(phase)], [1j * sin(phase), cos(phase)]])
    b, c = layer @ np.array([1.0, n])
    reflected = abs((n * b - c) / (n * b + c)) ** 2
    loss, returned = coherent_gap(gap_um, nm, n)
    assert loss == pytest.approx(loss_db(1 - reflected), rel=1e-9, abs=1e-9)
    assert returned == pytest.approx(loss_db(reflected), rel=1e-6)


def test_two_circles_share_what_quadrature_says():
    a, b, apart = 25.0, 18.0, 20.0
    both = quad(
        lambda x: 2 * min(sqrt(a * a - x * x), sqrt(max(b * b - (x - apart) ** 2, 0.0))),
        apart - b, a, points=[(apart**2 + a * a - b * b) / (2 * apart)],
    )[0]  # fmt: skip
    assert lens_um2(a, b, apart) == pytest.approx(both, rel=1e-7)


def test_a_multimode_gap_is_the_mean_over_the_cone_of_what_stays_on_the_core():
    a, aperture, gap = 25.0, 0.2, 30.0

    def kept(u: float) -> float:
        shift = gap * u / sqrt(1 - u * u)
        # the lens of two like circles, by the chord: another form than the program's
        half = shift / 2
        area = 4 * quad(lambda x: sqrt(a * a - x * x), half, a)[0]
        return area / (pi * a * a) * 2 * u / aperture**2

    assert multimode_gap_db(gap, 2 * a, aperture) == pytest.approx(
        loss_db(quad(kept, 0.0, aperture)[0]), rel=1e-6
    )


def test_a_multimode_strip_leaves_what_quadrature_says():
    a, half = 25.0, 6.0
    covered = 4 * quad(lambda x: sqrt(a * a - x * x), 0.0, half)[0] / (pi * a * a)
    assert multimode_strip_db(2 * half, 2 * a) == pytest.approx(loss_db(1 - covered), rel=1e-9)
