"""Focus series of drawn textures: depth, sharpness and place are known because they were drawn."""

from functools import cache

import cv2
import numpy as np
import pytest

from fiberward.inference.see import moving_series
from fiberward.inference.see.focus_series import merge_series
from fiberward.inference.see.moving_series import sharp_frames
from fiberward.model.errors import UnreadablePicture

HW = (200, 280)
DEPTH = np.linspace(0, 1, HW[1], dtype=np.float32)[None].repeat(HW[0], axis=0)  # left near
MARGIN = np.s_[20:-20, 20:-20]


@cache
def texture() -> np.ndarray:
    """Coarse and fine grain, as of a turned and dusty surface, float32 [H, W, 3]."""
    rng = np.random.default_rng(4)
    coarse, fine = (
        cv2.GaussianBlur(rng.normal(0, 1, (*HW, 3)).astype(np.float32), (0, 0), sigma)
        for sigma in (14, 1.2)
    )
    return np.clip(128 + coarse * 900 + fine * 60, 0, 255)


def frame(focus: float, scale: float = 1.0, shift: tuple[float, float] = (0, 0)) -> np.ndarray:
    """The texture focused at a depth, everything else blurred by its distance from it."""
    sharp = texture()
    levels = [sharp, *(cv2.GaussianBlur(sharp, (0, 0), 0.4 * n) for n in range(1, 13))]
    blur = np.clip(np.abs(DEPTH - focus) * 12, 0, 12)
    out = sum(
        np.clip(1 - np.abs(blur - n), 0, 1)[..., None] * level for n, level in enumerate(levels)
    )
    warp = cv2.getRotationMatrix2D((HW[1] / 2, HW[0] / 2), 0, scale)
    warp[:, 2] += shift
    out = cv2.warpAffine(out, warp, HW[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    noise = np.random.default_rng(round(1e4 * focus)).normal(0, 1, out.shape)
    return np.clip(np.round(out + noise), 0, 255).astype(np.uint8)


def detail(rgb: np.ndarray) -> float:
    smooth = cv2.GaussianBlur(rgb.astype(np.float32).mean(axis=2), (0, 0), 1)
    return float(cv2.Laplacian(smooth, cv2.CV_32F)[MARGIN].std())


def still_series() -> list[np.ndarray]:
    return [frame(k / 6) for k in range(7)]


def test_the_merged_picture_is_sharp_where_any_frame_was_and_tells_the_depth_order():
    frames = still_series()
    merged = merge_series(frames, [f"{k}.png" for k in range(7)])
    assert (merged.used, merged.left_out) == (7, ())
    best = max(detail(each) for each in frames)
    assert detail(merged.rgb) > 1.2 * best
    assert detail(merged.rgb) > 0.9 * detail(texture())
    error = np.abs(merged.rgb[MARGIN].astype(float) - texture()[MARGIN])
    assert np.median(error) < 3  # of 255, noise of 1 among it
    order = np.corrcoef(merged.depth_order[MARGIN].ravel(), DEPTH[MARGIN].ravel())[0, 1]
    assert order > 0.97


def test_frames_that_breathe_and_shake_are_laid_on_each_other():
    frames = [frame(k / 6, 1 + 0.004 * (k - 3), (1.5 * (k - 3), -(k - 3))) for k in range(7)]
    merged = merge_series(frames, [f"{k}.png" for k in range(7)])
    assert merged.used == 7
    assert detail(merged.rgb) > 0.8 * detail(texture())
    assert detail(merged.rgb) > 1.1 * max(detail(each) for each in frames)


def test_a_frame_of_something_else_is_left_out_and_named():
    other = np.ascontiguousarray(frame(0.5)[::-1, ::-1])
    merged = merge_series([*still_series(), other], [*(f"{k}.png" for k in range(7)), "odd.png"])
    assert merged.left_out == ("odd.png",)
    assert merged.used == 7


def test_frames_that_do_not_fit_together_are_an_error_that_names_one():
    one, other = frame(0.5), np.ascontiguousarray(frame(0.5)[::-1])
    with pytest.raises(UnreadablePicture, match=r"a\.png and 1 more: do not show one view"):
        merge_series([one, other], ["a.png", "b.png"])
    with pytest.raises(UnreadablePicture, match="one size"):
        merge_series([one, one[:150]], ["a.png", "b.png"])


def test_more_frames_than_can_be_told_apart_are_an_error():
    one = np.zeros((20, 30, 3), np.uint8)
    with pytest.raises(UnreadablePicture, match="0.png and 300 more: .* at most"):
        merge_series([one] * 301, [f"{k}.png" for k in range(301)])


def test_the_sharpest_frames_of_a_film_are_taken(tmp_path, monkeypatch):
    path = tmp_path / "sweep.avi"
    film = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 25, HW[::-1])
    if not film.isOpened():
        pytest.skip("this OpenCV writes no films")
    for k in range(48):  # every second frame is shaken out
        rgb = frame(k / 47)
        film.write(np.ascontiguousarray((cv2.blur(rgb, (9, 9)) if k % 2 else rgb)[..., ::-1]))
    film.release()
    frames, names = sharp_frames(path)
    numbers = [int(name.rsplit(" ", 1)[1]) - 1 for name in names]
    assert numbers == list(range(0, 48, 2))
    merged = merge_series(frames, names)
    order = np.corrcoef(merged.depth_order[MARGIN].ravel(), DEPTH[MARGIN].ravel())[0, 1]
    assert order > 0.9
    (tmp_path / "broken.mp4").write_bytes(b"not a film")
    with pytest.raises(UnreadablePicture, match="no film"):
        sharp_frames(tmp_path / "broken.mp4")
    monkeypatch.setattr(moving_series, "LONGEST", 47)
    with pytest.raises(UnreadablePicture, match="more than 47 frames"):
        sharp_frames(path)
