"""Pictures of one view at different focus, merged into one that is sharp all over.

Each frame is laid on the sharpest one (focusing changes the scale a little, and hands shake), then
every place is taken from the frame in which its detail is strongest. Which frame that is, in their
order, is the depth order.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.errors import UnreadablePicture

__all__ = ["FocusSeries", "merge_series"]

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]
Affine = npt.NDArray[np.float64]

MOST_FRAMES = 200  # their numbers must fit into a byte
ALIGN_PX = 400  # longest side on which frames are laid on each other
ALIGN_BLUR_PX = 2.5  # so that sharp and blurred frames look alike
LEAST_LIKENESS = 0.8  # correlation of a frame with the sharpest one, to be taken
MOST_SCALE, MOST_SHIFT = 0.08, 0.1  # from frame to frame: of 1, of the picture's side
DETAIL_PX = 1.0  # of the finest detail that counts,
AROUND_PX = 5.0  # summed over this around a place
WIDE_PX = 24.0  # and over this where there is hardly any detail
FAINT = 0.02  # of the picture's strongest detail
FEATHER_PX = 2.0


@dataclass(frozen=True)
class FocusSeries:
    """The merged picture.

    `rgb` uint8 [H, W, 3]. `depth_order` uint8 [H, W]: 0 where the first frame is the sharpest, 255
    where the last one is. `used`: how many frames; `left_out`: names of those that do not fit.
    """

    rgb: Bytes
    depth_order: Bytes
    used: int
    left_out: tuple[str, ...]


def merge_series(frames: Sequence[Bytes], names: Sequence[str]) -> FocusSeries:
    """Merge frames, uint8 [H, W, 3] of one size, in the order in which they were focused.

    Raises UnreadablePicture for frames of different sizes, for more than `MOST_FRAMES`, or where
    fewer than two fit together.
    """
    if len(frames) > MOST_FRAMES:
        raise UnreadablePicture(
            f"{names[0]} and {len(names) - 1} more: too many for one focus series; give "
            f"{MOST_FRAMES} at most"
        )
    sizes = {frame.shape for frame in frames}
    if len(sizes) > 1:
        raise UnreadablePicture(
            f"{names[0]} and {len(names) - 1} more: a focus series needs pictures of one size"
        )
    laid = _laid_on_sharpest(frames)
    kept = [k for k, each in enumerate(laid) if each is not None]
    if len(kept) < 2:
        raise UnreadablePicture(
            f"{names[0]} and {len(names) - 1} more: do not show one view; give one focus series"
        )
    aligned = [each for each in laid if each is not None]
    best = _sharpest_frame([_detail(rgb, inside) for rgb, inside in aligned])
    order = _full_size(np.round(best * (255.0 / (len(aligned) - 1))), frames[0].shape)
    left_out = tuple(name for k, name in enumerate(names) if k not in kept)
    return FocusSeries(_blended(aligned, best), order, len(kept), left_out)


def _full_size(half: npt.NDArray[Any], shape: tuple[int, ...]) -> Bytes:
    import cv2

    size = (shape[1], shape[0])
    return np.asarray(
        cv2.resize(half.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST), np.uint8
    )


def _grey(rgb: Bytes) -> Floats:
    return rgb.mean(axis=2, dtype=np.float32)


def _laid_on_sharpest(frames: Sequence[Bytes]) -> list[tuple[Bytes, Floats] | None]:
    """Each frame turned onto the sharpest one, with where it holds (0 or 1); None: not the view."""
    import cv2

    cv: Any = cv2
    height, width = frames[0].shape[:2]
    reduction = max(1.0, max(height, width) / ALIGN_PX)
    size = (round(width / reduction), round(height / reduction))
    small = [np.asarray(cv.resize(_grey(f), size, interpolation=cv.INTER_AREA)) for f in frames]
    sharpest = int(np.argmax([np.var(cv.Laplacian(each, cv.CV_32F)) for each in small]))
    soft = [np.asarray(cv.GaussianBlur(each, (0, 0), ALIGN_BLUR_PX)) for each in small]
    out: list[tuple[Bytes, Floats] | None] = [None] * len(frames)
    # outwards from the sharpest one: each begins where its neighbour lies
    for way in (range(sharpest, len(frames)), range(sharpest - 1, -1, -1)):
        start: Affine = np.eye(2, 3)
        for number in way:
            found = _warp(soft[sharpest], soft[number], start)
            if found is not None:
                start = found
                out[number] = _laid(frames[number], found, reduction)
    return out


def _laid(frame: Bytes, found: Affine, reduction: float) -> tuple[Bytes, Floats]:
    """A frame moved by a map between reduced pictures, and where it holds (0 or 1)."""
    import cv2

    cv: Any = cv2
    height, width = frame.shape[:2]
    # what holds for pixel centres of the small pictures holds for those of the large ones
    offset = (reduction - 1) / 2
    warp = found.copy()
    warp[:, 2] = warp[:, 2] * reduction + offset - warp[:, :2] @ np.array([offset, offset])
    how = cv.INTER_LINEAR | cv.WARP_INVERSE_MAP
    size = (width, height)
    moved = cv.warpAffine(frame, warp, size, flags=how, borderMode=cv.BORDER_REFLECT)
    inside = cv.warpAffine(np.ones((height, width), np.float32), warp, size, flags=how)
    return np.asarray(moved, np.uint8), (np.asarray(inside) > 0.999).astype(np.float32)


def _warp(fixed: Floats, moving: Floats, start: Affine) -> Affine | None:
    """The affine map [2, 3] from `fixed` to `moving`; None where they do not show the same."""
    import cv2

    cv: Any = cv2
    stop = (cv.TERM_CRITERIA_EPS | cv.TERM_CRITERIA_COUNT, 40, 1e-4)
    begin = start.astype(np.float32)
    try:
        likeness, warp = cv.findTransformECC(fixed, moving, begin, cv.MOTION_AFFINE, stop, None, 5)
    except cv.error:  # it did not converge
        return None
    found = np.asarray(warp, np.float64)
    scale_off = float(np.abs(found[:, :2] - np.eye(2)).max())
    shift = float(np.abs(found[:, 2] / np.array(fixed.shape[::-1])).max())
    fits = likeness >= LEAST_LIKENESS and scale_off <= MOST_SCALE and shift <= MOST_SHIFT
    return found if fits else None


def _detail(rgb: Bytes, inside: Floats) -> Floats:
    """Strength of fine detail around each pixel of every second row and column."""
    import cv2

    cv: Any = cv2
    smooth = cv.GaussianBlur(_grey(rgb), (0, 0), DETAIL_PX)
    edge = np.asarray(cv.Laplacian(smooth, cv.CV_32F)) ** 2 * inside
    return np.asarray(cv.GaussianBlur(edge, (0, 0), AROUND_PX), np.float32)[::2, ::2]


def _sharpest_frame(details: Sequence[Floats]) -> npt.NDArray[np.int64]:
    """Per pixel of every second row and column, the frame whose detail is strongest."""
    import cv2

    cv: Any = cv2
    volume = np.stack(details)
    blurred = [cv.GaussianBlur(each, (0, 0), WIDE_PX / 2) for each in details]
    wide = np.stack([np.asarray(each, np.float32) for each in blurred])
    strongest = volume.max(axis=0)
    faint = strongest < FAINT * float(np.quantile(strongest, 0.99))
    best: Bytes = volume.argmax(axis=0).astype(np.uint8)
    best[faint] = wide.argmax(axis=0).astype(np.uint8)[faint]
    return np.asarray(cv.medianBlur(best, 5), np.int64)


def _blended(frames: Sequence[tuple[Bytes, Floats]], best: npt.NDArray[np.int64]) -> Bytes:
    """Each pixel from its best frame, with soft seams."""
    import cv2

    cv: Any = cv2
    height, width = frames[0][0].shape[:2]
    total = np.zeros((height, width, 1), np.float32)
    colour = np.zeros((height, width, 3), np.float32)
    for number, (rgb, inside) in enumerate(frames):
        mine = (best == number).astype(np.float32)
        if not mine.any():
            continue
        large = cv.resize(mine, (width, height), interpolation=cv.INTER_LINEAR)
        weight = np.asarray(cv.GaussianBlur(large, (0, 0), FEATHER_PX)) * inside
        colour += weight[..., None] * rgb
        total += weight[..., None]
    # where no chosen frame reaches, near the border, the middle frame stands in
    middle = frames[len(frames) // 2][0]
    mixed = np.where(total > 1e-3, colour / np.maximum(total, 1e-3), middle)
    return np.clip(np.round(mixed), 0, 255).astype(np.uint8)
