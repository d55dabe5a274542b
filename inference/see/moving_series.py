"""The sharp frames of a short film in which the focus was moved."""

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.errors import UnreadablePicture

__all__ = ["FILM_SUFFIXES", "sharp_frames"]

FILM_SUFFIXES = frozenset([".avi", ".m4v", ".mkv", ".mov", ".mp4", ".webm"])
MOST_TAKEN = 24  # frames that are merged, evenly spread in time
LONGEST = 3000  # frames; a minute and a half and more


def sharp_frames(path: Path) -> tuple[list[npt.NDArray[np.uint8]], list[str]]:
    """The sharpest frame of each of some equal stretches of time, uint8 [H, W, 3], and their names.

    Raises UnreadablePicture for what is no film, and for one too long to be one sweep of the focus.
    """
    sharpness = [value for value, _ in _read(path, keep=None)]
    if not sharpness:
        raise UnreadablePicture(f"{path}: no film that can be read")
    if len(sharpness) > LONGEST:
        raise UnreadablePicture(
            f"{path}: more than {LONGEST} frames; cut the film to the one sweep of the focus"
        )
    stretches = np.array_split(np.arange(len(sharpness)), min(MOST_TAKEN, len(sharpness)))
    wanted = {int(each[np.argmax(np.array(sharpness)[each])]) for each in stretches}
    frames = [frame for _, frame in _read(path, wanted) if frame is not None]
    names = [f"{path.name}, frame {number + 1}" for number in sorted(wanted)]
    return frames, names


def _read(path: Path, keep: set[int] | None) -> list[tuple[float, npt.NDArray[np.uint8] | None]]:
    """Sharpness of each frame (keep None), or the frames to keep."""
    import cv2

    cv: Any = cv2
    film = cv.VideoCapture(str(path))
    out: list[tuple[float, npt.NDArray[np.uint8] | None]] = []
    try:
        for number in range(LONGEST + 1):
            there, frame = film.read()
            if not there:
                break
            if keep is None:
                grey = cv.cvtColor(frame, cv.COLOR_BGR2GRAY)
                out.append((float(cv.Laplacian(grey, cv.CV_32F).var()), None))
            elif number in keep:
                out.append((0.0, np.ascontiguousarray(frame[..., ::-1])))
    finally:
        film.release()
    return out
