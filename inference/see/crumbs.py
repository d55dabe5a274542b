"""Crumbs: small pieces at the rim of, or within, a much larger deposit of the same view.

Nets waver where a deposit is uneven (the fringes of a film, the glints of a drop, the edge of a
black grain), and name slivers of it otherwise. Listed apart they would be deposits that nobody can
find. A grain on a film is none: what is hard stays a deposit of its own.
"""

from collections.abc import Sequence

import numpy as np

from ...model.kinds import KINDS, Kind
from .deposits import SeenDeposit

__all__ = ["crumb_hosts"]

MOST_SHARE = 0.12  # of the larger deposit's pixels
REACH_PX = 3  # how far off the larger deposit's pixels a crumb may lie
INSIDE_SHARE = 0.3  # share of its pixels that must lie so near
HARD = {row.kind for row in KINDS if row.hard}


def crumb_hosts(seen: Sequence[SeenDeposit]) -> dict[int, int]:
    """Of one view's sightings, crumb's index -> index of the deposit it belongs to.

    A host is never itself a crumb: it is the largest of the deposits round it.
    """
    order = sorted(range(len(seen)), key=lambda k: (-seen[k].pixel_count, k))
    hosts: dict[int, int] = {}
    for rank, small in enumerate(order):
        for large in order[:rank]:
            if large not in hosts and _is_crumb(seen[small], seen[large]):
                hosts[small] = large
                break
    return hosts


def _is_crumb(small: SeenDeposit, large: SeenDeposit) -> bool:
    if small.pixel_count > MOST_SHARE * large.pixel_count:
        return False
    if small.kind in HARD and large.kind not in HARD:
        return False
    if Kind.LINT in (small.kind, large.kind):  # a thread is thin and touches much
        return False
    height, width = large.mask.shape
    low, high = small.y0 - REACH_PX, small.y0 + small.mask.shape[0] + REACH_PX
    left, right = small.x0 - REACH_PX, small.x0 + small.mask.shape[1] + REACH_PX
    if low > large.y0 + height or high < large.y0 or left > large.x0 + width or right < large.x0:
        return False
    y, x = np.nonzero(small.mask)
    y, x = y + small.y0 - large.y0 + REACH_PX, x + small.x0 - large.x0 + REACH_PX
    inside = (y >= 0) & (y < height + 2 * REACH_PX) & (x >= 0) & (x < width + 2 * REACH_PX)
    if not inside.any():
        return False
    import cv2

    near = cv2.dilate(
        np.pad(large.mask.view(np.uint8), REACH_PX),
        np.ones((2 * REACH_PX + 1, 2 * REACH_PX + 1), np.uint8),
    )
    return int(near[y[inside], x[inside]].sum()) >= INSIDE_SHARE * small.pixel_count
