"""Frames of a camera, one after another: of a device, or of a film or a folder that stands in."""

import itertools
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.errors import UnreadablePicture, UsageError
from .inputs import pictures_in
from .picture import read_picture

__all__ = ["check_source", "frames_of"]

Bytes = npt.NDArray[np.uint8]
LARGEST_PX = 10_000  # asked for on each side; drivers give the largest they have (from memory)
MOST_LOST = 20  # frames in a row that a device may fail to give
FOLDER_FRAMES_PER_S = 10.0
LEAST_FRAMES_PER_S = 1.0


def check_source(source: str) -> str:
    """The source as it was given; raises UsageError for what can be none."""
    if not source.isdecimal() and not Path(source).exists():
        raise UsageError(
            f"{source}: no such camera; give the number of a device, as 0, or a film or a folder "
            "of pictures that stands in for one"
        )
    return source


def frames_of(source: str) -> Iterator[Bytes]:
    """Frames, uint8 [H, W, 3] RGB, as fast as they come.

    A film or a folder begins again at its end. Raises UsageError where there are none, and when a
    device gives no more.
    """
    if source.isdecimal():
        return _of_device(int(source))
    path = Path(check_source(source))
    return _of_folder(path) if path.is_dir() else _of_film(path)


def _of_device(number: int) -> Iterator[Bytes]:
    import cv2

    cv: Any = cv2
    device = cv.VideoCapture(number)
    try:
        if not device.isOpened():
            raise UsageError(
                f"camera {number}: cannot be opened; is it plugged in, and does no other program "
                "use it?"
            )
        for side in (cv.CAP_PROP_FRAME_WIDTH, cv.CAP_PROP_FRAME_HEIGHT):
            device.set(side, LARGEST_PX)
        lost = 0
        while lost < MOST_LOST:
            there, frame = device.read()
            lost = 0 if there else lost + 1
            if there:
                yield np.ascontiguousarray(frame[..., ::-1])
        raise UsageError(f"camera {number}: gives no pictures any more; is it still plugged in?")
    finally:
        device.release()


def _of_film(path: Path) -> Iterator[Bytes]:
    import cv2

    cv: Any = cv2
    while True:
        film = cv.VideoCapture(str(path))
        pause_s = 1 / max(film.get(cv.CAP_PROP_FPS), LEAST_FRAMES_PER_S)
        given = 0
        try:
            while (read := film.read())[0]:
                yield np.ascontiguousarray(read[1][..., ::-1])
                given += 1
                time.sleep(pause_s)
        finally:
            film.release()
        if given == 0:
            raise UsageError(f"{path}: no film that can be read")


def _of_folder(path: Path) -> Iterator[Bytes]:
    pictures = pictures_in(path)
    if not pictures:
        raise UsageError(f"{path}: holds no pictures to stand in for a camera")
    for each in itertools.cycle(pictures):
        try:
            frame = read_picture(each).rgb
        except UnreadablePicture as error:
            raise UsageError(str(error)) from error
        yield frame
        time.sleep(1 / FOLDER_FRAMES_PER_S)
