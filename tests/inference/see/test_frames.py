"""Frames of the stand-ins for a camera."""

import itertools

import cv2
import numpy as np
import pytest
from PIL import Image

from fiberward.inference.see import frames
from fiberward.inference.see.frames import check_source, frames_of
from fiberward.model.errors import UsageError


@pytest.fixture(autouse=True)
def at_once(monkeypatch):
    monkeypatch.setattr(frames.time, "sleep", lambda seconds: None)


def test_a_folder_s_pictures_come_in_natural_order_and_again(tmp_path):
    for number in (10, 2, 1):
        Image.new("RGB", (8, 6), (number, 0, 0)).save(tmp_path / f"{number}.png")
    seen = [int(frame[0, 0, 0]) for frame in itertools.islice(frames_of(str(tmp_path)), 5)]
    assert seen == [1, 2, 10, 1, 2]


def test_a_film_s_frames_come_in_order_in_rgb_and_again(tmp_path):
    path = tmp_path / "film.avi"
    film = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 25.0, (64, 48))
    for red in (40, 200):
        film.write(np.full((48, 64, 3), (0, 0, red), np.uint8))  # OpenCV writes BGR
    film.release()
    seen = list(itertools.islice(frames_of(str(path)), 3))
    assert [
        abs(int(frame[5, 5, 0]) - red) < 12 for frame, red in zip(seen, (40, 200, 40), strict=True)
    ]
    assert all(frame[..., 2].max() < 30 for frame in seen)


@pytest.mark.parametrize("name", ["nothing.mp4", "no/such/folder", "-1"])
def test_what_is_no_camera_is_refused_in_one_line(name, tmp_path):
    with pytest.raises(UsageError, match="no such camera"):
        check_source(str(tmp_path / name))


def test_a_file_that_is_no_film_and_an_empty_folder_are_told(tmp_path):
    (tmp_path / "film.mp4").write_bytes(b"not a film")
    with pytest.raises(UsageError, match="no film that can be read"):
        next(frames_of(str(tmp_path / "film.mp4")))
    (tmp_path / "empty").mkdir()
    with pytest.raises(UsageError, match="holds no pictures"):
        next(frames_of(str(tmp_path / "empty")))


def test_a_camera_that_is_not_there_is_told_in_one_line():
    with pytest.raises(UsageError, match="camera 97: cannot be opened"):
        next(frames_of("97"))
