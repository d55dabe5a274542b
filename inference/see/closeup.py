"""A close-up of the endface: no rim in the frame, so scale and pose come from the fibre alone."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...model.camera import Camera
from ...model.shape import FIBER_RADIUS_UM, ConnectorShape
from ...model.surfaces import Surface
from .camera_pose import Pose
from .rims import fiber_disc
from .turns import STATED_SD_DEG

__all__ = ["CloseUp", "close_up", "close_up_pose"]

Bytes = npt.NDArray[np.uint8]

LEAST_RADIUS_PX = 20.0  # of the fibre, for its outline to tell a scale
LEAST_SMOOTH = 0.8
LEAST_FACE = 0.8  # share of the frame that must be endface
ROUND_TILT_DEG = 8.0  # flatter ellipses count as seen straight: dirt bends the outline as much
EDGE_PX = 0.7  # how far off the outline may be labelled all round
CLADDING_SD = 0.7 / 125 / 2  # ITU-T G.652: 125 +/- 0.7 um taken for two standard deviations
FAR_UM = 50000.0  # a distance at which the perspective of a close-up does not matter


@dataclass(frozen=True)
class CloseUp:
    """The fibre in a close-up: centre, mean radius px, and the tilt its flatness tells, deg."""

    centre_px: tuple[float, float]
    radius_px: float
    tilt_deg: float
    size_hw: tuple[int, int]


def close_up(surface: Bytes) -> CloseUp | None:
    """What a mask of surfaces uint8 [H, W] shows of a close-up; None if it is none."""
    face = np.isin(surface, (Surface.ENDFACE, Surface.FIBER))
    if face.mean() < LEAST_FACE:
        return None
    fiber = fiber_disc(surface)
    if fiber is None or fiber.smooth_share < LEAST_SMOOTH:
        return None
    radius = float(np.sqrt(fiber.area_px / (np.pi * fiber.flatness)))
    if radius < LEAST_RADIUS_PX:
        return None
    tilt = float(np.degrees(np.arccos(np.clip(fiber.flatness, 0.0, 1.0))))
    height, width = surface.shape
    tilt = 0.0 if tilt < ROUND_TILT_DEG else tilt
    return CloseUp(fiber.centre_px, radius, tilt, (height, width))


def close_up_pose(
    found: CloseUp, shape: ConnectorShape, stated_turn_deg: float | None
) -> Pose | None:
    """Its pose on a connector of this shape; None if it leans, as it cannot be told which way."""
    if found.tilt_deg > 0:
        return None
    um_per_px = FIBER_RADIUS_UM / found.radius_px
    share = 1.96 * float(np.hypot(EDGE_PX / found.radius_px, CLADDING_SD))
    camera = Camera(
        tilt_deg=0.0,
        turn_deg=(stated_turn_deg or 0.0) % 360.0,
        roll_deg=0.0,
        um_per_px=um_per_px,
        fiber_px=found.centre_px,
        distance_um=FAR_UM,
        size_hw=found.size_hw,
    )
    return Pose(
        camera=camera,
        shape=shape,
        scale_source="fibre",
        um_per_px_interval=(um_per_px * (1 - share), um_per_px * (1 + share)),
        tilt_sd_deg=ROUND_TILT_DEG / 2,
        quality=0.0,
        turn_sd_deg=None if stated_turn_deg is None else STATED_SD_DEG,
    )
