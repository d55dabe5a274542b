"""Multimode joints by power overlap: a disc (the core) and a cone (the aperture), evenly filled.

Plain geometry, no mode coupling, so no figure depends on the wavelength. That core and cone are
evenly filled is the pessimistic end: real light keeps more to the middle. Losses are positive dB.
"""

from math import acos, asin, cos, inf, log10, pi, radians, sin, sqrt

import numpy as np

__all__ = [
    "lens_um2",
    "multimode_disc_db",
    "multimode_gap_db",
    "multimode_offset_db",
    "multimode_strip_db",
    "multimode_tilt_db",
]

# Gauss-Legendre on -1..1
_NODES = tuple(zip(*(each.tolist() for each in np.polynomial.legendre.leggauss(32)), strict=True))


def _loss_db(kept: float) -> float:
    return -10 * log10(kept) if kept > 0 else inf


def lens_um2(a: float, b: float, distance: float) -> float:
    """Area common to two circles of radius a and b, `distance` apart (plane geometry)."""
    if distance >= a + b:
        return 0.0
    if distance <= abs(a - b):
        return pi * min(a, b) ** 2
    one = acos((distance**2 + a * a - b * b) / (2 * distance * a))
    two = acos((distance**2 + b * b - a * a) / (2 * distance * b))
    return a * a * (one - sin(one) * cos(one)) + b * b * (two - sin(two) * cos(two))


def multimode_disc_db(diameter_um: float, core_um: float, offset_um: float = 0.0) -> float:
    """Loss of an opaque disc `offset_um` off the core's centre: the covered share of the core."""
    covered = lens_um2(diameter_um / 2, core_um / 2, offset_um) / (pi * core_um**2 / 4)
    return _loss_db(max(0.0, 1 - covered))


def multimode_strip_db(width_um: float, core_um: float) -> float:
    """Loss of an opaque strip across the core's middle: two segments left (plane geometry)."""
    a, half = core_um / 2, width_um / 2
    if half >= a:
        return inf
    covered = 2 * (half * sqrt(a * a - half * half) + a * a * asin(half / a))
    return _loss_db(1 - covered / (pi * a * a))


def multimode_offset_db(core_um: float, offset_um: float) -> float:
    """Loss of a lateral offset between two like cores: what the two circles share."""
    return _loss_db(lens_um2(core_um / 2, core_um / 2, offset_um) / (pi * core_um**2 / 4))


def multimode_tilt_db(tilt_deg: float, aperture: float, index: float = 1.0) -> float:
    """Loss of a tilt between two like cones of numerical aperture `aperture`, small tilts.

    In the plane of sines both cones are circles of radius NA, n sin(tilt) apart; `index` is that of
    what lies between.
    """
    apart = index * sin(radians(tilt_deg))
    return _loss_db(lens_um2(aperture, aperture, apart) / (pi * aperture**2))


def multimode_gap_db(gap_um: float, core_um: float, aperture: float) -> float:
    """Loss by spreading over a gap in air: every ray of the cone shifts the core's disc.

    kept = integral over u = sin(angle), 0..NA, of the share of the disc that is still on the other
    core after a shift of gap tan(angle), weight 2 u/NA^2. Tends to 1 - 4 gap NA/(3 pi a) for small
    gaps. Own derivation from the even filling.
    """
    a, kept = core_um / 2, 0.0
    for node, weight in _NODES:
        u = (node + 1) / 2 * aperture
        shift = gap_um * u / sqrt(1 - u * u)
        kept += weight * u / aperture * lens_um2(a, a, shift) / (pi * a * a)
    return _loss_db(kept)
