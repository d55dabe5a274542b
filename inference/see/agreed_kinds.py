"""A view's kinds per pixel once all views were heard: its mask says what the list says.

A deposit has one kind, that of most evidence, in every view that shows it: often only one of
several is mistaken.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from .fuse import Deposit

__all__ = ["agreed_kinds"]

Kinds = npt.NDArray[np.uint8]


def agreed_kinds(kind: Kinds, deposits: Sequence[Deposit], view: int) -> Kinds:
    """The kinds [H, W] of a view with the fused `deposits`' kinds on its pieces; a copy.

    Pieces that the view leaves unsure are in no mask, and stay out of it.
    """
    agreed = kind.copy()
    for deposit in deposits:
        for piece in deposit.sightings:
            if piece.view == view and not piece.unsure:
                height, width = piece.mask.shape
                rows, columns = (
                    slice(piece.y0, piece.y0 + height),
                    slice(piece.x0, piece.x0 + width),
                )
                agreed[rows, columns][piece.mask] = deposit.kind
    return agreed
