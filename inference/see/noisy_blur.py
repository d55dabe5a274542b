"""The blur of a noisy or dim picture's rims, where no short piece of edge is clear by itself.

A step blurred by a Gaussian is fitted to all pixels of a piece of rim by least squares, its course
a parabola: six unknowns of some 700 pixels, so steps hardly above the noise still tell. The fit's
own standard errors say which pieces do.
"""

from collections.abc import Sequence
from importlib import import_module
from typing import Any

import numpy as np
import numpy.typing as npt

from .rim_piece import HALF_LENGTH_PX, HALF_WIDTH_PX, RimPiece

__all__ = ["fitted_sigmas_px"]

Floats = npt.NDArray[np.float64]

LOW, HIGH, LOG_SIGMA, SHIFT, LEAN, BOW = range(6)
ROUNDS = 14
FIRST_SIGMA_PX = 1.5
LEAST_STEP_DN, LEAST_STEP_ERRORS = 3.0, 10.0  # a step must be so high, and in standard errors
MOST_ERROR = 0.3  # of the log of sigma
MOST_SHIFT_PX = 6.0  # of the edge from where the labels have it
MOST_REST = 0.4  # residual over step; more is another edge or dirt. A bare plateau's would be 0.5


def fitted_sigmas_px(luminance: npt.NDArray[np.float32], pieces: Sequence[RimPiece]) -> Floats:
    """Sigma (px) of each piece of rim that holds one step and tells its blur.

    luminance float32 [H, W]; the pieces lie inside it with room for their box.
    """
    if not pieces:
        return np.zeros(0)
    across, along, value, weight = _pixels(luminance, pieces)
    x = _start(across, value, weight)
    for _ in range(ROUNDS):
        rest, slopes = _model(x, across, along, value, weight)
        matrix = slopes @ slopes.transpose(0, 2, 1)
        pull = np.einsum("pii->pi", matrix)  # the diagonals
        damped = matrix + np.eye(6) * (1e-3 * pull + 1e-9)[:, None, :]
        step = np.asarray(np.linalg.solve(damped, slopes @ rest[..., None]), np.float64)[..., 0]
        step[:, LOG_SIGMA] = np.clip(step[:, LOG_SIGMA], -0.5, 0.5)
        step[:, SHIFT] = np.clip(step[:, SHIFT], -2.0, 2.0)
        x = _bounded(x + step)
    return _good(x, _model(x, across, along, value, weight), weight)


def _pixels(
    luminance: npt.NDArray[np.float32], pieces: Sequence[RimPiece]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Places across and along each piece, values and weights (1 within its box) [P, n]."""
    reach = HALF_WIDTH_PX + HALF_LENGTH_PX
    span = np.arange(2 * reach + 1)
    x0 = np.array([int(piece.x) - reach for piece in pieces])
    y0 = np.array([int(piece.y) - reach for piece in pieces])
    columns, rows = x0[:, None] + span, y0[:, None] + span
    value = luminance[rows[:, :, None], columns[:, None, :]].astype(np.float64)
    dx = columns + 0.5 - np.array([piece.x for piece in pieces])[:, None]
    dy = rows + 0.5 - np.array([piece.y for piece in pieces])[:, None]
    nx, ny = (np.array([getattr(p, n) for p in pieces])[:, None, None] for n in ("nx", "ny"))
    across = dx[:, None, :] * nx + dy[:, :, None] * ny
    along = dy[:, :, None] * nx - dx[:, None, :] * ny
    inside = (np.abs(across) <= HALF_WIDTH_PX) & (np.abs(along) <= HALF_LENGTH_PX)
    # the pixels of each box, moved to the front, so that the rest can be cut off
    order = np.argsort(~inside.reshape(len(pieces), -1), axis=1, kind="stable")
    order = order[:, : int(inside.sum(axis=(1, 2)).max())]

    def picked(plane: npt.NDArray[Any]) -> Floats:
        flat = plane.reshape(len(pieces), -1)
        return np.take_along_axis(flat, order, axis=1).astype(np.float64)

    return picked(across), picked(along), picked(value), picked(inside)


def _start(across: Floats, value: Floats, weight: Floats) -> Floats:
    """First guess [P, 6]: the plateaus' means, an edge in the middle."""
    x = np.zeros((len(across), 6))
    far = HALF_WIDTH_PX / 2
    for column, side in ((LOW, across < -far), (HIGH, across > far)):
        mine = weight * side
        x[:, column] = (mine * value).sum(axis=1) / np.maximum(mine.sum(axis=1), 1)
    x[:, LOG_SIGMA] = np.log(FIRST_SIGMA_PX)
    return x


def _model(
    x: Floats, across: Floats, along: Floats, value: Floats, weight: Floats
) -> tuple[Floats, Floats]:
    """Residuals [P, n] and slopes by the unknowns [P, 6, n]."""
    ndtr: Any = import_module("scipy.special").ndtr
    low, high, log_sigma, shift, lean, bow = (x[:, k : k + 1] for k in range(6))
    sigma = np.exp(log_sigma)
    u = (across - shift - lean * along - bow * along**2) / sigma
    share = np.asarray(ndtr(u), np.float64)
    bell = np.exp(-0.5 * u * u) / np.sqrt(2 * np.pi)
    by_shift = -(high - low) * bell / sigma
    slopes = np.stack(
        [
            1 - share,
            share,
            -(high - low) * bell * u,
            by_shift,
            by_shift * along,
            by_shift * along**2,
        ],
        axis=1,
    )
    rest = (value - low - (high - low) * share) * weight
    return rest, slopes * weight[:, None, :]


def _bounded(x: Floats) -> Floats:
    x[:, LOG_SIGMA] = np.clip(x[:, LOG_SIGMA], np.log(0.2), np.log(HALF_WIDTH_PX))
    x[:, SHIFT] = np.clip(x[:, SHIFT], -HALF_WIDTH_PX, HALF_WIDTH_PX)
    x[:, LEAN] = np.clip(x[:, LEAN], -0.5, 0.5)
    x[:, BOW] = np.clip(x[:, BOW], -0.05, 0.05)
    return x


def _good(x: Floats, fit: tuple[Floats, Floats], weight: Floats) -> Floats:
    """The sigmas of the pieces whose fits can be trusted."""
    rest, slopes = fit
    count = weight.sum(axis=1)
    rms = np.sqrt((rest**2).sum(axis=1) / count)
    inverse = np.linalg.pinv(slopes @ slopes.transpose(0, 2, 1)).astype(np.float64)
    error = np.sqrt(np.einsum("pii->pi", inverse)) * rms[:, None]
    step = np.abs(x[:, HIGH] - x[:, LOW])
    step_error = np.hypot(error[:, LOW], error[:, HIGH])
    good = step >= np.maximum(LEAST_STEP_DN, LEAST_STEP_ERRORS * step_error)
    good &= error[:, LOG_SIGMA] <= MOST_ERROR
    good &= np.abs(x[:, SHIFT]) <= MOST_SHIFT_PX
    good &= rms <= MOST_REST * step
    return np.exp(x[good, LOG_SIGMA])
