"""A closer look at the places where another view shows a deposit.

Alone, a view lists what reaches the thresholds. Where another view has surely shown a deposit less
will do: some sign of it at the very place, in an outline about as large as the other view's.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ...model.camera import Camera, surface_coordinates
from ...model.profile import MeridianProfile
from .deposits import GRAIN_HEIGHT, LEAST_FACING, SeenDeposit, measure_deposits
from .fuse import FAINT, Deposit
from .pieces import connected_pieces, ring_around
from .pose import Pose
from .segment import Segmentation
from .sighting import STANDING, PlaceSight, sight_of

__all__ = ["seen_again"]

MARGIN_PX = 2
MOST_PX = 400  # what is larger in the picture needs no second look to be seen
SHARES = tuple(float(v) for v in np.geomspace(0.5, 0.05, 8))  # of the peak, for the outline
LEAST_P = 0.03
MOST_LOG2 = 1.0  # how far the outline's area may be from what the other views say
APART_PX = 2  # nearer to a listed piece it is that one's edge

Mask = npt.NDArray[np.bool_]


def seen_again(
    deposits: Sequence[Deposit], view: int, segmentation: Segmentation, pose: Pose
) -> dict[int, SeenDeposit]:
    """The further sightings in one view, by their place in `deposits`.

    Asked for are sure deposits of known place that the view does not list and whose surface it
    shows there; the edge of what it does list is no sign of them.
    """
    profile = MeridianProfile(pose.shape)
    plane = np.zeros_like(segmentation.kind)
    asked: dict[int, tuple[int, int]] = {}
    for index, deposit in enumerate(deposits):
        sight = _sight(deposit, view, pose.camera, profile)
        if sight is None:
            continue
        pixels = _pixels(deposit, sight, segmentation, plane)
        if pixels is not None:
            plane[pixels] = deposit.kind
            asked[index] = int(pixels[0][0]), int(pixels[1][0])
    if not asked:
        return {}
    alone = replace(segmentation, kind=plane, doubtful=None, likely=None)
    found = measure_deposits(alone, surface_coordinates(pose.camera, pose.shape), view)
    return {
        index: seen
        for index, (y, x) in asked.items()
        for seen in found
        if _holds(seen, y, x) and seen.kind == deposits[index].kind
    }


def _sight(
    deposit: Deposit, view: int, camera: Camera, profile: MeridianProfile
) -> PlaceSight | None:
    """How the view sees the deposit's place; None where it is not to be asked."""
    if deposit.unsure or view in deposit.seen_in:
        return None
    if deposit.s_um is None or deposit.theta_deg is None:
        return None
    sight = sight_of(camera, profile, deposit.s_um, deposit.theta_deg)
    return sight if sight is not None and sight.facing >= LEAST_FACING else None


def _pixels(
    deposit: Deposit, sight: PlaceSight, segmentation: Segmentation, taken: npt.NDArray[np.uint8]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]] | None:
    """Rows and columns of the deposit's sign in the picture; None without one."""
    height_share = GRAIN_HEIGHT if deposit.kind in STANDING else 0.0
    # the silhouette of an ellipsoid so high for its width, as a share of that from above
    shown = np.hypot(sight.facing, height_share * np.sqrt(1 - min(sight.facing, 1.0) ** 2))
    wanted_px = float(shown) * deposit.area_um2 / sight.um_per_px**2
    if wanted_px > MOST_PX or deposit.s_sd_um is None or deposit.theta_sd_deg is None:
        return None
    spread_um = np.hypot(deposit.s_sd_um, np.radians(deposit.theta_sd_deg) * sight.radius_um)
    reach = int(np.ceil((deposit.size_um / 2 + 2 * spread_um) / sight.um_per_px)) + MARGIN_PX
    x, y = (int(np.floor(v)) for v in sight.xy_px)
    height, width = segmentation.kind.shape
    if not (reach <= x < width - reach and reach <= y < height - reach):
        return None
    if segmentation.surface[y, x] != deposit.surface:
        return None
    window = np.s_[y - reach : y + reach + 1, x - reach : x + reach + 1]
    listed = (segmentation.kind[window] > 0) | (taken[window] > 0)
    mask = _outline(np.where(listed, 0.0, segmentation.deposit_p[window]), wanted_px)
    if mask is None or (ring_around(mask, APART_PX) & listed).any():
        return None
    rows, columns = np.nonzero(mask)
    return rows + (y - reach), columns + (x - reach)


def _outline(p: npt.NDArray[np.float64], wanted_px: float) -> Mask | None:
    """The piece about the peak of `p` whose area comes nearest to `wanted_px`; None if none does
    within `MOST_LOG2`, or where `p` shows nothing.
    """
    peak = float(p.max())
    if peak < FAINT:
        return None
    at = np.unravel_index(int(p.argmax()), p.shape)
    best: Mask | None = None
    nearest = MOST_LOG2
    for level in (max(share * peak, LEAST_P) for share in SHARES):
        labels = connected_pieces(p >= level).labels
        piece = labels == labels[at]
        away = abs(float(np.log2(max(piece.sum(), 1) / max(wanted_px, 1.0))))
        if away <= nearest:
            best, nearest = piece, away
    return best


def _holds(seen: SeenDeposit, y: int, x: int) -> bool:
    """Whether a pixel of the picture is one of the sighting's."""
    row, column = y - seen.y0, x - seen.x0
    height, width = seen.mask.shape
    return 0 <= row < height and 0 <= column < width and bool(seen.mask[row, column])
