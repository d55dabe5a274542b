"""The edge of an angled (APC) endface: a ball that leans, cut by the chamfer's upright cone."""

import numpy as np
import numpy.typing as npt

from .connector_fit import FACE_X, FACE_Y, LEAN_X, LEAN_Y, Pinhole

__all__ = ["face_azimuth_deg", "face_lean_deg"]

Floats = npt.NDArray[np.float64]


def face_lean_deg(view: Floats) -> float:
    """The angle between the endface's normal at the fibre and the ferrule's axis."""
    return float(np.degrees(np.arctan(np.hypot(view[FACE_X], view[FACE_Y]))))


def face_azimuth_deg(view: Floats) -> float:
    """The direction the endface's normal leans to, about the axis from the camera's azimuth."""
    camera = Pinhole.of(view, (0.0, 0.0))
    normal = camera.face_normal()
    tilt = float(np.hypot(view[LEAN_X], view[LEAN_Y]))
    roll = float(np.arctan2(view[LEAN_X], view[LEAN_Y]))
    down = np.array([-np.sin(roll), np.cos(roll), 0.0])
    toward = np.cos(tilt) * down + np.sin(tilt) * np.array([0.0, 0.0, -1.0])
    aside = np.cross(camera.axis, toward)
    return float(np.degrees(np.arctan2(normal @ aside, normal @ toward)) % 360)
