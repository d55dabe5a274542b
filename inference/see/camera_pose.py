"""One view's pose, as the fit hands it on."""

from dataclasses import dataclass

from ...model.camera import Camera
from ...model.shape import ConnectorShape

__all__ = ["Pose"]


@dataclass(frozen=True)
class Pose:
    """One view's camera and the shape it was fitted with.

    `scale_source`: "ferrule" (its stated diameter) or "fibre" (the fibre's 125 um told which of the
    two ferrules it is). `um_per_px_interval`: 95 %. `tilt_sd_deg`: standard deviation. `quality`:
    0..1, share of the surfaces' pixels on which fit and mask agree. `turn_sd_deg`: of the turn;
    None where none was stated. `turn_quality`: of a turn that was found, 0..1 (`match.Correction`).
    `mark_deg`: the direction, from the camera's azimuth, of something that every view shows, the
    same after each `mark_period_deg`; None if there is none. `floor_sd_um`: how well the height
    of the cavity's floor is known. `mouth_fitted`: whether the cavity's outline was seen and fits
    well.
    """

    camera: Camera
    shape: ConnectorShape
    scale_source: str
    um_per_px_interval: tuple[float, float]
    tilt_sd_deg: float
    quality: float
    turn_sd_deg: float | None = None
    floor_sd_um: float = 0.0
    mouth_fitted: bool = False
    turn_quality: float | None = None
    mark_deg: float | None = None
    mark_period_deg: float = 360.0
