"""How much of each surface some picture shows well enough."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...model.surfaces import Surface

__all__ = ["Coverage"]


@dataclass(frozen=True)
class Coverage:
    """Share (0..1) of each surface's area on which a deposit of `size_um` would have been seen.

    `unseen_map`: bool raster of the travel map, True where nothing shows the surface; None where
    no view could be placed. `gaps`: plain sentences on what is missing.
    """

    share: dict[Surface, float]
    size_um: float
    unseen_map: NDArray[np.bool_] | None
    gaps: tuple[str, ...]
