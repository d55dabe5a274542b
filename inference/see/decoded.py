"""What every picture decoder answers, and the checks and conversions they share."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...model.errors import UnreadablePicture

__all__ = ["MAX_PIXELS", "Decoded", "check_size", "over_black"]

MAX_PIXELS = 150_000_000


@dataclass(frozen=True)
class Decoded:
    """One decoded picture.

    rgb: uint8 [H, W, 3] as stored. orientation: the EXIF value still to be applied (1 = none).
    notes: what was converted, a line each.
    """

    rgb: npt.NDArray[np.uint8]
    orientation: int
    notes: tuple[str, ...]


def check_size(width: int, height: int) -> None:
    """Raise UnreadablePicture for more than MAX_PIXELS, before any memory is taken."""
    if width * height > MAX_PIXELS:
        raise UnreadablePicture(
            f"has {width} x {height} pixels, more than the {MAX_PIXELS // 1_000_000} megapixels "
            "that are read; cut it or scale it down"
        )


def over_black(
    color: npt.NDArray[np.uint8], alpha: npt.NDArray[np.uint8]
) -> tuple[npt.NDArray[np.uint8], str]:
    """`color` uint8 [H, W, C] laid over black by `alpha` uint8 [H, W] (straight, 255 = opaque).

    Black, because a transparent pixel shows nothing: it must not pass for a clean surface, and
    black counts as not seen.
    """
    share = np.count_nonzero(alpha != 255) / alpha.size
    if share == 0:
        return color, "alpha channel dropped: opaque everywhere"
    scaled = color.astype(np.uint16) * alpha[..., None]
    laid = ((scaled + 127) // 255).astype(np.uint8)
    return laid, f"laid over black where transparent ({100 * share:.3g} % of the pixels)"
