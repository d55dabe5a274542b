"""Loss and return loss of a joint with dirt, gap, offset or tilt; closed forms where they exist.

w is the mode field radius MFD/2 (1/e^2 of intensity), lambda the vacuum wavelength, n the fibre's
index. Losses are positive dB. Nothing here says how likely dirt is to get there: that is reach.
"""

from dataclasses import dataclass
from functools import cache, partial
from math import asin, cos, erf, exp, inf, isfinite, log10, pi, radians, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from ...model.kinds import Kind
from ..see.fuse import Deposit
from .multimode import (
    multimode_disc_db,
    multimode_gap_db,
    multimode_offset_db,
    multimode_strip_db,
    multimode_tilt_db,
)
from .outlines import Outline, outline_of, worst_core_share, worst_mode_share

__all__ = [
    "LOSS_CAP_DB",
    "MODES",
    "FiberMode",
    "Harm",
    "coherent_gap",
    "disc_blocked_fraction",
    "fresnel_reflectance",
    "gap_diffraction_db",
    "harm_of",
    "harm_of_gap",
    "harm_of_shift",
    "incoherent_gap_db",
    "loss_db",
    "masked_mode_db",
    "mode_overlap",
    "rayleigh_range_um",
    "refracted_shift_um",
    "return_loss_db",
    "strip_blocked_fraction",
    "worst_coherent_gap",
]

LOSS_CAP_DB = (
    60.0  # beyond this the joint is dark for any purpose; keeps the record free of infinities
)
# group index of G.652.D fibre near 1310 nm, from memory; two spec sheets give 1.466 and 1.467
FIBER_INDEX = 1.4677


@dataclass(frozen=True)
class FiberMode:
    """A wavelength (nm) and what carries it.

    Single mode: the mode field's diameter `mfd_um`, None for multimode. Multimode: the core's
    diameter `core_um` and the numerical `aperture`; single mode does not use them.
    """

    name: str
    wavelength_nm: float
    mfd_um: float | None
    core_um: float = 50.0
    aperture: float = 0.2


# mode fields: two G.652.D spec sheets, 9.2 +/- 0.4 (1310 nm) and 10.4 +/- 0.5 um (1550 nm);
# multimode core 50 +/- 2.5 um, NA 0.20: common specification. Of the two multimode windows power
# overlap tells no difference.
MODES = (
    FiberMode("sm", 1310.0, 9.2),
    FiberMode("sm", 1550.0, 10.4),
    FiberMode("mm", 850.0, None),
    FiberMode("mm", 1300.0, None),
)


def loss_db(transmission: float) -> float:
    """-10 log10 of a power ratio; infinite for 0."""
    return -10 * log10(transmission) if transmission > 0 else inf


def return_loss_db(reflectance: float) -> float:
    """-10 log10 R (ATIS glossary; Federal Standard 1037C); infinite for 0."""
    return loss_db(reflectance)


def fresnel_reflectance(n1: float, n2: float = 1.0) -> float:
    """Power reflected at normal incidence, ((n1-n2)/(n1+n2))^2 (ATIS glossary)."""
    return ((n1 - n2) / (n1 + n2)) ** 2


def incoherent_gap_db(n: float = FIBER_INDEX, multiple: bool = False) -> float:
    """Loss (dB) of an air gap wide against the coherence length.

    (1-R)^2 without, (1-R)/(1+R) with multiple reflections (sum of the geometric series).
    """
    r = fresnel_reflectance(n)
    return loss_db((1 - r) / (1 + r) if multiple else (1 - r) ** 2)


def coherent_gap(
    gap_um: float, wavelength_nm: float, n: float = FIBER_INDEX
) -> tuple[float, float]:
    """(loss, return loss) in dB of a narrow air gap as a Fabry-Perot, without diffraction.

    T = 1/(1 + F sin^2(2 pi g/lambda)), F = 4R/(1-R)^2 (textbook Airy formula; multiple-beam
    interference at fibre gaps: Shah, Curtis, Young, JLT 7:1478, 1989).
    """
    r = fresnel_reflectance(n)
    finesse = 4 * r / (1 - r) ** 2
    swing = finesse * sin(2 * pi * gap_um / (wavelength_nm * 1e-3)) ** 2
    return loss_db(1 / (1 + swing)), return_loss_db(swing / (1 + swing))


def worst_coherent_gap(n: float = FIBER_INDEX) -> tuple[float, float]:
    """(loss, return loss) in dB at an odd quarter wave, the worst of `coherent_gap`."""
    return coherent_gap(0.25, 1000.0, n)


def mode_overlap(
    mfd1_um: float,
    mfd2_um: float,
    offset_um: float = 0.0,
    tilt_deg: float = 0.0,
    medium: tuple[float, float] = (1310.0, 1.0),
) -> float:
    """Power coupled between two Gaussian modes with offset, tilt and unlike size (0..1).

    `medium`: wavelength (nm) and index of what lies between the faces (1 for air); it matters for
    the tilt only. eta = 4 w1^2 w2^2/(w1^2+w2^2)^2 exp(-(4 d^2 + k^2 n^2 w1^2 w2^2 sin^2 t) /
    (2 (w1^2+w2^2))), k = 2 pi/lambda (Marcuse, Bell System Technical Journal 56, 1977).
    """
    a, b = (mfd1_um / 2) ** 2, (mfd2_um / 2) ** 2
    wavelength_nm, index = medium
    k = 2 * pi * index / (wavelength_nm * 1e-3)
    exponent = (4 * offset_um**2 + k**2 * a * b * sin(radians(tilt_deg)) ** 2) / (2 * (a + b))
    return 4 * a * b / (a + b) ** 2 * exp(-exponent)


def rayleigh_range_um(mfd_um: float, wavelength_nm: float, index: float = 1.0) -> float:
    """pi n w^2/lambda (um)."""
    return pi * index * (mfd_um / 2) ** 2 / (wavelength_nm * 1e-3)


def gap_diffraction_db(
    gap_um: float, mfd_um: float, wavelength_nm: float, index: float = 1.0
) -> float:
    """Loss (dB) by spreading over a gap: 1 + Z^2, Z = g lambda/(2 pi n w^2) (Marcuse 1977)."""
    z = gap_um / (2 * rayleigh_range_um(mfd_um, wavelength_nm, index))
    return 10 * log10(1 + z * z)


def disc_blocked_fraction(diameter_um: float, mfd_um: float, offset_um: float = 0.0) -> float:
    """Share of the mode's power on a disc of `diameter_um` lying `offset_um` off its centre.

    Centred: 1 - exp(-2 a^2/w^2) (power of a Gaussian inside a radius). Otherwise integrated over
    rings about the mode's centre, each with the share of its circle that lies on the disc.
    """
    a, w = diameter_um / 2, mfd_um / 2
    if offset_um == 0:
        return 1 - exp(-2 * a * a / (w * w))
    whole = 1 - exp(-2 * max(0.0, a - offset_um) ** 2 / (w * w))
    low, high = abs(a - offset_um), a + offset_um
    nodes, weights = _nodes(200)
    # rings beyond 5 w hold 2e-22 of the power
    high = min(high, max(low, 5 * w))
    # t -> sin^2 spreads nodes to both ends, where the covered share has a root's slope
    t = (nodes + 1) * pi / 4
    rho = low + (high - low) * np.sin(t) ** 2
    step = weights * pi / 4 * (high - low) * np.sin(2 * t)
    ring = 4 * rho / (w * w) * np.exp(-2 * rho * rho / (w * w))
    cosine = (rho * rho + offset_um**2 - a * a) / (2 * np.maximum(rho, 1e-12) * offset_um)
    share = np.arccos(np.clip(cosine, -1.0, 1.0)) / pi
    return float(min(1.0, whole + np.sum(step * ring * share)))


@cache
def _nodes(count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return nodes, weights


def masked_mode_db(blocked_fraction: float) -> float:
    """Loss (dB) of a thin opaque mask at a single-mode joint: eta = (1-f)^2.

    The cut field must couple back into the mode (overlap integral), so the dB are twice those of
    the blocked power alone.
    """
    return 2 * loss_db(1 - blocked_fraction)


def strip_blocked_fraction(width_um: float, mfd_um: float) -> float:
    """Share of the mode's power on an endless opaque strip across its middle: erf(D/(sqrt(2) w)).

    The mode's intensity integrated along the strip leaves a Gaussian of sigma w/2 across it.
    """
    return erf(width_um / (sqrt(2) * mfd_um / 2))


def refracted_shift_um(gap_um: float, angle_deg: float, n: float = FIBER_INDEX) -> float:
    """How far (um) light arrives beside the core across an air gap between two angled faces.

    Snell: it leaves the face at asin(n sin a) to the normal, so at t - a to the axis; over a gap of
    g along the normal it travels g / cos t. Beside the axis by g sin(t - a)/cos t.
    """
    inside = radians(angle_deg)
    outside = asin(n * sin(inside))
    return gap_um * sin(outside - inside) / cos(outside)


@dataclass(frozen=True)
class Harm:
    """What dirt does to a joint in one mode. `interval`: (0 as it may miss, worst), dB.

    `loss_db` is the worst case, capped at LOSS_CAP_DB. `return_loss_db` is the lowest that can
    come of it; None for an angled endface (the normal-incidence formulas do not hold), for
    multimode, and where the dirt opens no gap. `assumes`: what stands for the dirt.
    """

    wavelength_nm: float
    fiber_mode: str
    loss_db: float
    return_loss_db: float | None
    interval: tuple[float, float]
    assumes: str | None = None


def _harm(
    mode: FiberMode, worst_db: float, reflected_db: float | None, assumes: str | None = None
) -> Harm:
    worst = min(worst_db, LOSS_CAP_DB)
    return Harm(mode.wavelength_nm, mode.name, worst, reflected_db, (0.0, worst), assumes)


def harm_of_gap(gap_um: float, angle_deg: float = 0.0) -> tuple[Harm, ...]:
    """Harm per mode of MODES by an air gap of up to `gap_um` (along the faces' normal).

    Upright endfaces, single mode: spreading over the gap plus the worst interference that a gap up
    to this wide can have (the quarter wave once it is reached). Angled ones (`angle_deg`): light
    reflected at a face leaves the mode's direction, so nothing interferes: both faces' reflection
    (taken as at normal incidence), spreading, and the offset by refraction. Multimode: both faces'
    reflection, spreading and refraction as power overlap.
    """
    shift = refracted_shift_um(gap_um, angle_deg)
    rows: list[Harm] = []
    for mode in MODES:
        faces = incoherent_gap_db() if gap_um > 0 else 0.0
        if mode.mfd_um is None:
            spread = multimode_gap_db(gap_um, mode.core_um, mode.aperture)
            beside = multimode_offset_db(mode.core_um, shift)
            rows.append(_harm(mode, faces + spread + beside, None))
            continue
        spread = gap_diffraction_db(gap_um, mode.mfd_um, mode.wavelength_nm)
        if angle_deg > 0:
            beside = loss_db(mode_overlap(mode.mfd_um, mode.mfd_um, shift))
            rows.append(_harm(mode, faces + spread + beside, None))
            continue
        widest = min(gap_um, mode.wavelength_nm * 1e-3 / 4)
        loss, reflected = coherent_gap(widest, mode.wavelength_nm)
        rows.append(_harm(mode, loss + spread, reflected if isfinite(reflected) else None))
    return tuple(rows)


def harm_of_shift(offset_um: float, tilt_deg: float) -> tuple[Harm, ...]:
    """Harm per mode of MODES by an offset and a tilt; the gap taken as filled with glass.

    Single mode: `mode_overlap`. Multimode: the power overlap of offset and of tilt.
    """
    rows: list[Harm] = []
    for mode in MODES:
        if mode.mfd_um is None:
            loss = multimode_offset_db(mode.core_um, offset_um)
            loss += multimode_tilt_db(tilt_deg, mode.aperture, FIBER_INDEX)
            rows.append(_harm(mode, loss, None))
            continue
        medium = (mode.wavelength_nm, FIBER_INDEX)
        coupled = mode_overlap(mode.mfd_um, mode.mfd_um, offset_um, tilt_deg, medium)
        rows.append(_harm(mode, loss_db(coupled), None))
    return tuple(rows)


_OPAQUE = (Kind.PARTICLE, Kind.LINT, Kind.RESIDUE)


def harm_of(deposit: Deposit, angled: bool) -> tuple[Harm, ...] | None:
    """Harm per mode of MODES once the deposit lies on the core; None for kinds not opaque.

    An opaque mask of its outline as pictured, at the worst place; without an outline a strip of its
    width for lint, a centred disc of its area for the others. The return loss is that of the worst
    air gap it may open. Films, liquids and damage are not opaque masks: no figure is given for
    them, nor for an unknown size.
    """
    if deposit.kind not in _OPAQUE:
        return None
    across = deposit.width_um if deposit.kind == Kind.LINT else deposit.size_um
    if not isfinite(across):
        return None
    assumes, losses = _masked_db(deposit, across)
    rows: list[Harm] = []
    for mode, worst in zip(MODES, losses, strict=True):
        upright = mode.mfd_um is not None and not angled
        reflected = worst_coherent_gap()[1] if upright else None
        rows.append(_harm(mode, worst, reflected, assumes))
    return tuple(rows)


def _masked_db(deposit: Deposit, across_um: float) -> tuple[str, tuple[float, ...]]:
    """What stands for the deposit, and its loss (dB) per mode of MODES."""
    outline = outline_of(deposit)
    if outline is not None:
        words, loss = "its outline as pictured, at the worst place", partial(_outline_db, outline)
    elif deposit.kind == Kind.LINT:
        words, loss = "a strip of its width across the middle", partial(_strip_db, across_um)
    else:
        words, loss = "a disc of its area on the middle", partial(_disc_db, across_um)
    # multimode's windows are alike to power overlap
    alike = {(mode.mfd_um, mode.core_um): mode for mode in MODES}
    found = {what: loss(mode) for what, mode in alike.items()}
    return words, tuple(found[mode.mfd_um, mode.core_um] for mode in MODES)


def _outline_db(outline: Outline, mode: FiberMode) -> float:
    if mode.mfd_um is None:
        return loss_db(1 - worst_core_share(outline, mode.core_um))
    return masked_mode_db(worst_mode_share(outline, mode.mfd_um))


def _strip_db(width_um: float, mode: FiberMode) -> float:
    if mode.mfd_um is None:
        return multimode_strip_db(width_um, mode.core_um)
    return masked_mode_db(strip_blocked_fraction(width_um, mode.mfd_um))


def _disc_db(size_um: float, mode: FiberMode) -> float:
    if mode.mfd_um is None:
        return multimode_disc_db(size_um, mode.core_um)
    return masked_mode_db(disc_blocked_fraction(size_um, mode.mfd_um))
