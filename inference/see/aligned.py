"""Views turned so that what they share falls on the same place."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ...model.camera import SurfaceCoordinates
from ...model.profile import MeridianProfile
from .deposits import SeenDeposit
from .match import Correction, Mark, turn_corrections_deg
from .pose import Pose
from .sighting import place_sighting

__all__ = ["turn_corrections", "turned"]

MATCHED_SD_DEG = 1.0  # of a turn after deposits were brought to agree


def turn_corrections(
    sightings: Sequence[Sequence[SeenDeposit]], poses: Sequence[Pose | None]
) -> tuple[Correction | None, ...]:
    """Per view, by how much to turn it; None for a view whose turn stays unknown.

    Views of stated turn move a little, by a mean of 0; views of unknown turn are turned onto the
    others where the deposits they share say how (`match.turn_corrections_deg`).
    """
    known = [pose for pose in poses if pose is not None]
    if not known:
        return (None,) * len(poses)
    profile = MeridianProfile(known[0].shape)
    placed = [
        found
        for of_view, pose in zip(sightings, poses, strict=True)
        if pose is not None
        for found in (place_sighting(seen, pose, profile) for seen in of_view)
        if found is not None
    ]
    sds = [None if pose is None else pose.turn_sd_deg for pose in poses]
    found = turn_corrections_deg(placed, sds, [_mark(pose) for pose in poses])
    alone = sum(value is not None for value in found) < 2
    return tuple(
        None if pose is None or (alone and pose.turn_sd_deg is None) else value
        for pose, value in zip(poses, found, strict=True)
    )


def _mark(pose: Pose | None) -> Mark | None:
    if pose is None or pose.mark_deg is None:
        return None
    return Mark(pose.camera.turn_deg + pose.mark_deg, pose.mark_period_deg)


def turned(
    pose: Pose,
    coordinates: SurfaceCoordinates,
    sightings: Sequence[SeenDeposit],
    correction: Correction,
) -> tuple[Pose, SurfaceCoordinates, tuple[SeenDeposit, ...]]:
    """A view's pose, coordinates and sightings after turning the camera."""
    by_deg = correction.by_deg
    camera = replace(pose.camera, turn_deg=(pose.camera.turn_deg + by_deg) % 360.0)
    sd = pose.turn_sd_deg
    new_sd = MATCHED_SD_DEG if sd is None or by_deg != 0 else sd
    theta = coordinates.theta_deg + np.float32(by_deg)
    theta = np.where(theta >= 360, theta - np.float32(360), theta)
    theta = np.where(theta < 0, theta + np.float32(360), theta)
    moved = tuple(
        seen if seen.theta_deg is None else replace(seen, theta_deg=(seen.theta_deg + by_deg) % 360)
        for seen in sightings
    )
    return (
        replace(pose, camera=camera, turn_sd_deg=new_sd, turn_quality=correction.quality),
        replace(coordinates, theta_deg=theta.astype(np.float32)),
        moved,
    )
