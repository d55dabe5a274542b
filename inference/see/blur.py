"""How blurred a picture is, from its own edges, by the slanted-edge method as far as it goes here.

ISO 12233:2014, 6.2: the pixels near a slightly slanted edge are projected along it into four bins
per pixel, the edge-spread function is differentiated by [-1/2, 0, 1/2], windowed (Hamming) and
Fourier transformed. Here the edge is a short piece of a rim, so its course is fitted by a parabola,
and the result is reported as the sigma of the Gaussian whose MTF falls to one half at the same
frequency (MTF50 = 0.18739 / sigma). What the pixel itself smears is included.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from .noisy_blur import fitted_sigmas_px
from .rim_piece import HALF_LENGTH_PX, HALF_WIDTH_PX, RimPiece

__all__ = ["RimPiece", "edge_sigma_px", "rim_sigma_px", "sharpest_sigma_px"]

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

MTF50_SIGMA = 0.18739  # sqrt(ln 2 / 2) / pi
BINS = 4
PIECES = 32  # per region
LEAST_PIECES = 3
LEAST_STEP_DN, LEAST_STEP_NOISES = 12.0, 6.0
FLAT_SHARE = 0.2  # how far a plateau may wander, as a share of the step
FITTED_SHARE = 0.4  # of a rim's pieces that must tell where single ones do not
WIDEST_SIGMA_PX = 3.0  # more does not fit HALF_WIDTH_PX: measured on the reduced picture instead
REDUCTIONS = 4


def rim_sigma_px(
    luminance: npt.NDArray[np.float32], regions: Sequence[Mask], noise_dn: float
) -> float | None:
    """The median blur over pieces of the regions' rims, sigma in px; None where none tells.

    luminance float32 [H, W], 0..255; `regions` bool [H, W] each. A picture too blurred to be
    measured as it stands is measured reduced by 2, 4, 8 or 16.
    """
    import cv2

    cv: Any = cv2
    best: float | None = None
    for reduction in (2**n for n in range(REDUCTIONS + 1)):
        pieces = [_pieces(region) for region in regions]
        sigmas = [edge_sigma_px(luminance, piece, noise_dn) for of in pieces for piece in of]
        found = [sigma for sigma in sigmas if sigma is not None]
        if len(found) < LEAST_PIECES and reduction == 1:  # noisy or dim: a fit may still tell
            found = [sigma for of in pieces for sigma in _fitted(luminance, of)] or found
        if len(found) >= LEAST_PIECES:
            sigma = float(np.median(found))
            # A mean over r px has the variance (r^2 - 1) / 12 of its own.
            spread = (sigma * reduction) ** 2 - (reduction**2 - 1) / 12
            best = float(np.sqrt(max(spread, 0.0)))
            if sigma <= WIDEST_SIGMA_PX:
                return best
        size = luminance.shape[1] // 2, luminance.shape[0] // 2
        if min(size) < 4 * HALF_WIDTH_PX:
            break
        luminance = cv.resize(luminance, size, interpolation=cv.INTER_AREA)
        regions = [
            cv.resize(r.view(np.uint8) * 2, size, interpolation=cv.INTER_AREA) > 0 for r in regions
        ]
        noise_dn = noise_dn / 2
    return best


def _fitted(luminance: npt.NDArray[np.float32], pieces: Sequence[RimPiece]) -> list[float]:
    """The sigmas that a fit finds along one rim, if it holds along much of it and is sharp."""
    found = fitted_sigmas_px(luminance, pieces)
    if len(found) < max(LEAST_PIECES, FITTED_SHARE * len(pieces)):
        return []
    return [float(each) for each in found] if np.median(found) <= WIDEST_SIGMA_PX else []


def _pieces(region: Mask) -> list[RimPiece]:
    """Evenly spaced pieces of the region's outer contours, away from the picture's border."""
    import cv2

    cv: Any = cv2
    contours: Any = cv.findContours(region.view(np.uint8), cv.RETR_EXTERNAL, cv.CHAIN_APPROX_NONE)[
        0
    ]
    height, width = region.shape
    out: list[RimPiece] = []
    points = [c.reshape(-1, 2).astype(np.float64) for c in contours if len(c) > 4 * HALF_LENGTH_PX]
    total = sum(len(p) for p in points)
    for line in points:
        step = max(1, total // PIECES)
        for at in range(0, len(line), step):
            near = np.take(
                line, np.arange(at - HALF_LENGTH_PX, at + HALF_LENGTH_PX + 1), 0, mode="wrap"
            )
            x, y = near.mean(axis=0) + 0.5
            tangent = near[-5:].mean(axis=0) - near[:5].mean(axis=0)
            length = float(np.hypot(*tangent))
            reach = HALF_WIDTH_PX + HALF_LENGTH_PX
            if length < HALF_LENGTH_PX or not (
                reach < x < width - reach and reach < y < height - reach
            ):
                continue
            out.append(RimPiece(float(x), float(y), -tangent[1] / length, tangent[0] / length))
    return out


def edge_sigma_px(
    luminance: npt.NDArray[np.floating[Any]], piece: RimPiece, noise_dn: float
) -> float | None:
    """The blur of one edge, sigma in px; None where the piece holds no single clear step."""
    reach = HALF_WIDTH_PX + HALF_LENGTH_PX
    x0, y0 = int(piece.x) - reach, int(piece.y) - reach
    crop = luminance[y0 : y0 + 2 * reach + 1, x0 : x0 + 2 * reach + 1].astype(np.float64)
    dx = np.arange(crop.shape[1], dtype=np.float64)[None, :] + (0.5 + x0 - piece.x)
    dy = np.arange(crop.shape[0], dtype=np.float64)[:, None] + (0.5 + y0 - piece.y)
    across, along = dx * piece.nx + dy * piece.ny, dy * piece.nx - dx * piece.ny
    inside = (np.abs(across) <= HALF_WIDTH_PX) & (np.abs(along) <= HALF_LENGTH_PX)
    across, along, value = across[inside], along[inside], crop[inside]
    across = across - _course(across, along, value)
    spread = _edge_spread(across, value)
    return None if spread is None else _sigma_of(spread, noise_dn)


def _course(across: Floats, along: Floats, value: Floats) -> Floats:
    """Where the edge lies at each pixel's place along it: a parabola through slices' centroids."""
    slices = np.floor((along + HALF_LENGTH_PX) / 4).astype(int)
    places: list[float] = []
    centres: list[float] = []
    for number in range(int(slices.max()) + 1):
        mine = slices == number
        bins = np.round(across[mine]).astype(int) + HALF_WIDTH_PX + 1
        count = np.bincount(bins, minlength=2 * HALF_WIDTH_PX + 3)
        filled = np.flatnonzero(count)
        profile = np.bincount(bins, value[mine])[filled] / count[filled]
        slope = np.abs(np.diff(profile))
        weight = slope * (slope > 0.25 * slope.max()) if slope.size else slope
        if weight.sum() > 0:
            at = (filled[1:] + filled[:-1]) / 2 - HALF_WIDTH_PX - 1
            places.append(float(along[mine].mean()))
            centres.append(float((weight * at).sum() / weight.sum()))
    if len(places) < 4:
        return np.zeros_like(across)
    bow, lean, shift = np.polyfit(places, centres, 2)
    return (bow * along + lean) * along + shift


def _edge_spread(across: Floats, value: Floats) -> Floats | None:
    """The mean value in BINS bins per pixel across the edge; None where bins stay empty."""
    half = (HALF_WIDTH_PX - 2) * BINS
    bins = np.floor(across * BINS).astype(int) + half
    inside = (bins >= 0) & (bins < 2 * half)
    count = np.bincount(bins[inside], minlength=2 * half)
    if (count == 0).any():
        return None
    return np.bincount(bins[inside], value[inside], 2 * half) / count


def _sigma_of(spread: Floats, noise_dn: float) -> float | None:
    """Sigma in px of an edge-spread function with BINS samples per pixel."""
    part = len(spread) // 6
    low, high = spread[:part], spread[-part:]
    step = abs(float(high.mean() - low.mean()))
    if step < max(LEAST_STEP_DN, LEAST_STEP_NOISES * noise_dn):
        return None
    if max(np.ptp(low), np.ptp(high)) > FLAT_SHARE * step + 4 * noise_dn:
        return None
    line: Floats = (spread[2:] - spread[:-2]) / 2
    line = line if line.sum() > 0 else -line
    if np.abs(line).sum() > 2.0 * abs(line.sum()):  # not one step but several
        return None
    middle = float((np.arange(line.size) * line).sum() / line.sum())
    window = np.cos(np.pi * np.clip((np.arange(line.size) - middle) / line.size, -0.5, 0.5)) ** 2
    line *= 0.08 + 0.92 * window  # Hamming, centred on the line
    padded = np.fft.rfft(line, 4096)
    frequency = np.fft.rfftfreq(4096, 1 / BINS)
    mtf = np.abs(padded) / np.abs(padded[0])
    correction = np.sinc(2 * frequency / BINS)  # of the derivative: sin(x) / x
    mtf = np.where(correction > 0.1, mtf / np.maximum(correction, 0.1), 0)
    mtf /= np.maximum(np.sinc(frequency / BINS), 0.1)  # of the bins' own width
    below = np.flatnonzero(mtf < 0.5)
    if not below.size or below[0] == 0:
        return None
    at = int(below[0])
    share = (mtf[at - 1] - 0.5) / (mtf[at - 1] - mtf[at])
    sigma = MTF50_SIGMA / float(frequency[at - 1] + share * (frequency[at] - frequency[at - 1]))
    # The window narrows the line: near its top it is a Gaussian of this sigma.
    window_sigma = line.size / BINS / (np.pi * np.sqrt(2 * 0.92))
    return float(sigma / np.sqrt(max(1 - (sigma / window_sigma) ** 2, 0.25)))


def sharpest_sigma_px(luminance: npt.NDArray[np.float32], noise_dn: float) -> float | None:
    """The blur of the sharpest clear edges anywhere, sigma in px; None where no edge is clear.

    Needs no knowledge of what the picture shows, and is rough: a step of height h blurred by sigma
    has the slope h / (sigma sqrt(2 pi)), h taken as the range within some pixels. Measured on the
    picture reduced by 2, 4, ... until the steepest slopes are about a pixel wide.
    """
    import cv2

    cv: Any = cv2
    reduction = 1
    while min(luminance.shape) >= 16:
        square = np.ones((15, 15), np.uint8)
        step = cv.dilate(luminance, square) - cv.erode(luminance, square)
        slope = np.hypot(
            cv.Sobel(luminance, cv.CV_32F, 1, 0, ksize=3, scale=1 / 8),
            cv.Sobel(luminance, cv.CV_32F, 0, 1, ksize=3, scale=1 / 8),
        )
        clear = step > max(LEAST_STEP_DN, 2 * LEAST_STEP_NOISES * noise_dn)
        if np.count_nonzero(clear) >= 0.002 * clear.size:
            sigma = step[clear] / np.maximum(slope[clear], 1e-3) / np.sqrt(2 * np.pi)
            sharpest = float(np.quantile(sigma, 0.02))
            if sharpest < 2.5:
                return sharpest * reduction
        size = luminance.shape[1] // 2, luminance.shape[0] // 2
        if min(size) < 16:
            return None
        luminance = cv.resize(luminance, size, interpolation=cv.INTER_AREA)
        noise_dn, reduction = noise_dn / 2, reduction * 2
    return None
