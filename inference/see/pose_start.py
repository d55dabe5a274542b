"""A first guess of a view's camera from ellipses, and which outline point lies on which curve."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ...model.surfaces import Surface
from .connector_fit import (
    BARREL,
    CHAMFER,
    EDGE,
    POINT_SD_PX,
    Pinhole,
    ViewPoints,
    circle_points,
    circle_residual,
    heights,
    side_residual,
)
from .ellipse import robust_ellipse
from .rims import FiberDisc, ViewOutlines

__all__ = ["first_views", "sort_points", "with_foot"]

Floats = npt.NDArray[np.float64]
_NONE = np.zeros((0, 2))
FAINT_FACING = 0.12  # a chamfer seen more grazingly than this does not show its far rim
SIDE_TOLERANCE = 0.06  # of the ferrule's radius, and at least 3 px
FEWEST = 12
LENGTHS = np.geomspace(1.0, 20.0, 80)  # of barrels, in ferrule radii


def first_views(lines: ViewOutlines, edge_default: float) -> tuple[list[Floats], float] | None:
    """Guesses [8] for one view, likelier first, and the endface edge in ferrule radii.

    None if no ellipse fits the endface's outline. The sign of the lean is ambiguous seen from the
    front; then both are given.
    """
    ellipse = robust_ellipse(lines.endface.px)
    if ellipse is None:
        return None
    axis = ellipse.short_axis
    barrel = lines.ferrule.px[lines.ferrule.inside == Surface.BARREL]
    body = barrel if len(barrel) >= FEWEST else lines.front.px
    toward = float((body.mean(axis=0) - ellipse.centre) @ axis)
    down = axis if toward >= 0 else -axis
    lean = float(np.arccos(np.clip(ellipse.short_px / ellipse.long_px, 0.05, 1.0)))
    across = lines.front.px @ np.array([-axis[1], axis[0]])
    radius_px = float(np.ptp(across)) / 2
    whole = lines.front.cut_share < 0.1 and radius_px > 1.02 * ellipse.long_px
    if not whole:
        radius_px = ellipse.long_px / edge_default
    fiber = lines.fiber.centre_px if lines.fiber else tuple(ellipse.centre)
    edge = float(np.clip(ellipse.long_px / radius_px, 0.2, 0.97))
    guesses = [
        # the picture's down direction is (-sin roll, cos roll); lean = tilt (sin roll, cos roll)
        np.array(
            [-sign * down[0] * lean, sign * down[1] * lean, *fiber, -np.log(radius_px), 0.03, 0, 0]
        )
        for sign in (1.0, -1.0)
    ]
    sure = abs(toward) > 0.15 * ellipse.long_px
    return (guesses[:1] if sure else guesses), edge


def _far_rim_shown(camera: Pinhole, px: Floats, shape: Floats) -> npt.NDArray[np.bool_]:
    """Whether the chamfer faces the camera well enough where rays meet the rim's plane."""
    _, rim_z, _ = heights(shape)
    point, radius, _ = circle_points(camera, px, rim_z)
    radial = (point - rim_z * camera.axis) / radius[:, None]
    depth, run = float(shape[CHAMFER]), 1 - float(shape[EDGE])
    normal = (depth * radial + run * camera.axis) / np.hypot(depth, run)
    _, direction = camera.rays(px)
    facing = -np.sum(normal * direction, axis=1) / np.linalg.norm(direction, axis=1)
    return facing > FAINT_FACING


def _some(px: Floats) -> Floats:
    return px if len(px) >= FEWEST else _NONE


def sort_points(
    lines: ViewOutlines, view: Floats, shape: Floats, fiber_radius: float, all_groups: bool
) -> ViewPoints:
    """The outline points by the curve they lie on, given the fit so far.

    Without `all_groups` only the curves that need no good fit: edge, near rim, silhouettes.
    `fiber_radius`: in ferrule radii; the less the fibre's disc is of that size, the less its centre
    counts.
    """
    height, width = lines.size_hw
    centre = (width / 2, height / 2)
    camera = Pinhole.of(view, centre)
    front, ferrule = lines.front, lines.ferrule
    chamfer = front.inside == Surface.CHAMFER
    rim = chamfer & ((front.outside == Surface.BARREL) | _far_rim_shown(camera, front.px, shape))
    barrel = ferrule.inside == Surface.BARREL
    off_side = np.abs(side_residual(camera, ferrule.px))
    tolerance = max(3.0, SIDE_TOLERANCE / camera.scale)
    along = (ferrule.px - view[2:4]) @ -camera.axis[:2]
    side = barrel & (off_side < tolerance) & (along > 0) & (np.hypot(*camera.axis[:2]) > 0.15)
    floor = barrel & (ferrule.outside == Surface.CAVITY) & (off_side > 2 * tolerance)
    return ViewPoints(
        edge=_some(lines.endface.px),
        rim=_some(front.px[rim]),
        side=_some(ferrule.px[side][::3]),
        floor=_some(ferrule.px[floor]) if all_groups else _NONE,
        fiber_px=lines.fiber.centre_px if lines.fiber else None,
        centre_px=centre,
        sd_px={
            **dict.fromkeys(("edge", "rim", "side", "floor"), POINT_SD_PX),
            "fiber": _fiber_sd(lines.fiber, fiber_radius / camera.scale, -float(camera.axis[2])),
        },
    )


def _fiber_sd(fiber: FiberDisc | None, radius_px: float, facing: float) -> float:
    """How well the fibre's centre is known, px: by how its outline and size differ from a disc."""
    if fiber is None:
        return 1.0
    seen_px = np.sqrt(fiber.area_px / np.pi)
    off = abs(seen_px - radius_px * np.sqrt(max(facing, 0.05)))
    return float(0.7 + 2 * off + (1 - fiber.smooth_share) * radius_px)


def with_foot(points: Sequence[ViewPoints], views: Floats, shape: Floats) -> Floats:
    """The shape with the barrel's length that its foot suggests, if any view shows the foot.

    Tried length by length, as the foot may lie far from where the start has it.
    """
    best, found = np.inf, float(shape[BARREL])
    rim_z = heights(shape)[1]
    seen = [
        (Pinhole.of(view, each.centre_px), each.floor)
        for each, view in zip(points, views, strict=True)
        if len(each.floor)
    ]
    for length in LENGTHS if seen else ():
        misses = [circle_residual(camera, px, 1.0, rim_z - length) for camera, px in seen]
        cost = float(np.mean(np.minimum(np.abs(np.concatenate(misses)), 20.0)))
        if cost < best:
            best, found = cost, float(length)
    out = shape.copy()
    out[BARREL] = found
    return out
