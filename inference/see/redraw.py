"""The mask of surfaces drawn again from the fitted connector, where the two nearly agree.

A fit over several views knows where the ferrule's edges run better than any pixel does. Its
surfaces take the place of the net's on the ferrule. Around it the net's stay, and so do they under
deposits that stand up from the ferrule and hide the edges behind them.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.camera import SurfaceCoordinates
from ...model.surfaces import SURFACES, Surface
from .sighting import STANDING

__all__ = ["redrawn_surfaces"]

Bytes = npt.NDArray[np.uint8]

ON_FERRULE = np.array([row.on_ferrule for row in SURFACES])


def redrawn_surfaces(
    surface: Bytes, kind: Bytes, drawn: SurfaceCoordinates, mouth_fitted: bool
) -> Bytes:
    """The redrawn mask uint8 [H, W] from the net's `surface` and `kind` and the fit's pixels.

    A pixel that the net puts on the ferrule and the fit beside it gets the label of the nearest
    pixel that both put beside it. With `mouth_fitted` the fitted mouth divides cavity and housing.
    """
    by_net, by_fit = ON_FERRULE[surface], ON_FERRULE[drawn.surface]
    out = surface.copy()
    # below the mouth's rim the fit may take for hidden what the net sees, and the other way round
    seen = by_fit & (by_net | (drawn.surface != Surface.BARREL))
    out[seen] = drawn.surface[seen]
    standing = _reaching(np.isin(kind, STANDING) & by_net & ~by_fit, by_fit)
    hidden = (surface == Surface.BARREL) & (drawn.surface == Surface.SURROUND)
    _fill_from_beside(out, by_net & ~by_fit & ~standing & ~hidden, ~by_net & ~by_fit)
    if mouth_fitted:
        off = ~ON_FERRULE[out]
        out[off & (drawn.surface == Surface.CAVITY)] = Surface.CAVITY
        out[off & (out == Surface.CAVITY) & (drawn.surface == Surface.SURROUND)] = Surface.HOUSING
    return out


def _reaching(pieces: npt.NDArray[np.bool_], ground: npt.NDArray[np.bool_]) -> Any:
    """The pieces' pixels [H, W] from which a way over pieces leads to the ground."""
    import cv2

    cv: Any = cv2
    count, piece = cv.connectedComponents((pieces | ground).view(np.uint8), connectivity=8)
    grounded = np.zeros(count, bool)
    grounded[piece[ground]] = True
    return pieces & grounded[piece]


def _fill_from_beside(
    out: Bytes, stray: npt.NDArray[np.bool_], beside: npt.NDArray[np.bool_]
) -> None:
    """Give each `stray` pixel the label of the nearest pixel `beside`, in place."""
    import cv2

    if not (stray.any() and beside.any()):
        return
    cv: Any = cv2
    nearest = cv.distanceTransformWithLabels(
        (~beside).view(np.uint8), cv.DIST_L2, 3, labelType=cv.DIST_LABEL_PIXEL
    )[1]
    label_of = np.zeros(int(nearest.max()) + 1, np.uint8)
    label_of[nearest[beside]] = out[beside]
    out[stray] = label_of[nearest[stray]]
