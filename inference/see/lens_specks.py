"""Specks on the lens or the sensor: at one pixel of every picture, wherever the camera stood.

Dirt on the connector moves in the picture when the camera moves about it. What stays at the same
pixels, as large, in three pictures, though those pixels show places of the connector that cannot be
one, belongs to the camera. Two pictures may agree by chance, and what lies on the fibre may be held
at one pixel by a careful hand: neither is called a speck.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ...model.profile import MeridianProfile
from .deposits import SeenDeposit
from .match import one_place
from .pose import Pose
from .segment import Segmentation
from .sighting import Placed, place_sighting

__all__ = ["lens_specks", "without_specks"]

FEWEST_VIEWS = 3
SAME_PX = 2.0  # how far a speck's middle may wander between pictures
SAME_SHARE = 0.5  # least share of the pixels of both that are pixels of each
ROUND_PX = 3  # of a speck's blurred rim, which hides the connector too

Index = tuple[int, int]  # a view, and one of its sightings


def lens_specks(
    sightings: Sequence[Sequence[SeenDeposit]], poses: Sequence[Pose | None]
) -> frozenset[Index]:
    """Which sightings (view, number) are specks of the camera, not of the connector."""
    known = [pose for pose in poses if pose is not None]
    if len(known) < FEWEST_VIEWS:
        return frozenset()
    profile = MeridianProfile(known[0].shape)
    found: set[Index] = set()
    for view, of_view in enumerate(sightings):
        for number, seen in enumerate(of_view):
            if (view, number) in found:
                continue
            alike = [(view, number), *_alike(seen, sightings, poses)]
            if len(alike) >= FEWEST_VIEWS and not _one_deposit(alike, sightings, poses, profile):
                found.update(alike)
    return frozenset(found)


def _alike(
    seen: SeenDeposit, sightings: Sequence[Sequence[SeenDeposit]], poses: Sequence[Pose | None]
) -> list[Index]:
    """The sightings at the same pixels of the other views of the same picture size."""
    own = poses[seen.view]
    out: list[Index] = []
    for view, of_view in enumerate(sightings):
        pose = poses[view]
        if view == seen.view or own is None or pose is None:
            continue
        if pose.camera.size_hw != own.camera.size_hw:
            continue
        same = (k for k, other in enumerate(of_view) if _same_pixels(seen, other))
        if (number := next(same, None)) is not None:
            out.append((view, number))
    return out


def _same_pixels(a: SeenDeposit, b: SeenDeposit) -> bool:
    if np.hypot(a.xy_px[0] - b.xy_px[0], a.xy_px[1] - b.xy_px[1]) > SAME_PX:
        return False
    y0, x0 = min(a.y0, b.y0), min(a.x0, b.x0)
    y1, x1 = (
        max(s.y0 + s.mask.shape[0] for s in (a, b)),
        max(s.x0 + s.mask.shape[1] for s in (a, b)),
    )
    planes = np.zeros((2, y1 - y0, x1 - x0), bool)
    for plane, s in zip(planes, (a, b), strict=True):
        height, width = s.mask.shape
        plane[s.y0 - y0 : s.y0 - y0 + height, s.x0 - x0 : s.x0 - x0 + width] = s.mask
    both = int(np.count_nonzero(planes[0] & planes[1]))
    return both >= SAME_SHARE * int(np.count_nonzero(planes[0] | planes[1]))


def _one_deposit(
    alike: Sequence[Index],
    sightings: Sequence[Sequence[SeenDeposit]],
    poses: Sequence[Pose | None],
    profile: MeridianProfile,
) -> bool:
    """Whether one deposit on the connector may be all of them."""
    placed: list[Placed] = []
    for view, number in alike:
        pose = poses[view]
        found = None if pose is None else place_sighting(sightings[view][number], pose, profile)
        if found is not None:
            placed.append(found)
    pairs = [(a, b) for k, a in enumerate(placed) for b in placed[k + 1 :]]
    return all(one_place(a, b) for a, b in pairs)


def without_specks(segmentation: Segmentation, specks: Sequence[SeenDeposit]) -> Segmentation:
    """The segmentation with a view's specks taken out and their pixels called unseen."""
    import cv2

    hidden = np.zeros(segmentation.kind.shape, np.uint8)
    for speck in specks:
        height, width = speck.mask.shape
        window = hidden[speck.y0 : speck.y0 + height, speck.x0 : speck.x0 + width]
        window |= speck.mask.view(np.uint8)
    side = 2 * ROUND_PX + 1
    around: npt.NDArray[np.bool_] = cv2.dilate(hidden, np.ones((side, side), np.uint8)) > 0
    kind, unseen = segmentation.kind.copy(), segmentation.unseen.copy()
    deposit_p = segmentation.deposit_p.copy()
    kind[hidden > 0], deposit_p[hidden > 0], unseen[around] = 0, 0.0, 1.0
    return replace(segmentation, kind=kind, deposit_p=deposit_p, unseen=unseen)
