"""How small a deposit a camera's picture can show right now, fast enough to focus by.

The figure is the one of an inspection (`quality.py`, `pose.py`): blur, noise and contrast are
measured in the picture's own pixels. Only the net, which says where the ferrule is, looks at a
reduced copy.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.errors import UsageError
from ...model.surfaces import SURFACES
from .pose import fit_connector
from .quality import measure_quality
from .segment import Segmentation

__all__ = ["FocusAid", "aid_of", "best_of"]

Bytes = npt.NDArray[np.uint8]
Segments = Callable[[Bytes], Segmentation]

NET_PX = 0.35e6  # pixels of the copy that the net looks at; a quarter of an inspection's time
EXPOSURE_SHARE = 0.01  # of the ferrule burnt out or black: worth a word (no source: judgement)
SIZE_UNKNOWN = "no fibre to take the scale from: state the ferrule's size"
FERRULE = np.array([row.on_ferrule for row in SURFACES])


@dataclass(frozen=True)
class FocusAid:
    """What a picture can show.

    `limit_um`: the smallest deposit, at the fibre; None where `why_not` says why none can be told.
    `burnt_share`, `black_share`: of the ferrule's pixels (0..1), None where there is no ferrule.
    """

    limit_um: float | None
    why_not: str | None
    burnt_share: float | None = None
    black_share: float | None = None

    @property
    def exposure(self) -> str | None:
        """What to do about the exposure; None where nothing needs doing."""
        if self.burnt_share is not None and self.burnt_share >= EXPOSURE_SHARE:
            return f"{self.burnt_share:.0%} of the ferrule is burnt out: expose less"
        if self.black_share is not None and self.black_share >= EXPOSURE_SHARE:
            return f"{self.black_share:.0%} of the ferrule is black: give it more light"
        return None


def aid_of(rgb: Bytes, segments: Segments, ferrule_mm: float | None) -> FocusAid:
    """What one picture, uint8 [H, W, 3] RGB, can show. `ferrule_mm` None: told from the fibre."""
    return _aid(rgb, _seen(rgb, segments), ferrule_mm)


def best_of(
    frames: Sequence[Bytes],
    segments: Segments,
    ferrule_mm: float | None,
    follow: Callable[[Iterable[Bytes]], Iterable[Bytes]] = iter,
) -> tuple[int | None, FocusAid]:
    """Which of the frames of one held view shows the smallest deposit, and what it can show.

    None where none can be used; the reason is that of the best. The net looks at the first frame
    for all, and at the best once more by itself. `follow` is handed the frames while each is
    measured, and may report progress.
    """
    first = _seen(frames[0], segments)
    limits = [
        measure_quality(frame, first).detection_limit_px or np.inf for frame in follow(frames)
    ]
    best = int(np.argmin(limits))
    found = aid_of(frames[best], segments, ferrule_mm)
    return (None if found.limit_um is None else best), found


def _aid(rgb: Bytes, segmentation: Segmentation, ferrule_mm: float | None) -> FocusAid:
    ferrule = FERRULE[segmentation.surface]
    burnt, black = _ends(rgb, ferrule) if ferrule.any() else (None, None)
    quality = measure_quality(rgb, segmentation)
    if not quality.readable:
        return FocusAid(None, quality.why_not, burnt, black)
    try:
        fit = fit_connector([segmentation], ferrule_mm, [None])
    except UsageError as error:  # the ferrule that was stated contradicts the fibre
        return FocusAid(None, str(error), burnt, black)
    pose = fit.poses[0]
    if pose is None:
        why_not = SIZE_UNKNOWN if ferrule_mm is None else fit.why_not[0]
        return FocusAid(None, why_not, burnt, black)
    return FocusAid(quality.detection_limit_um(pose.camera.um_per_px), None, burnt, black)


def _seen(rgb: Bytes, segments: Segments) -> Segmentation:
    """What the net sees in a reduced copy, in the picture's own pixels."""
    import cv2

    height, width = rgb.shape[:2]
    shrink = min(1.0, (NET_PX / (height * width)) ** 0.5)
    if shrink == 1.0:
        return segments(rgb)
    size = (max(1, int(width * shrink)), max(1, int(height * shrink)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    seen = segments(np.asarray(small, np.uint8))

    def full(plane: npt.NDArray[Any]) -> npt.NDArray[Any]:
        return np.asarray(cv2.resize(plane, (width, height), interpolation=cv2.INTER_NEAREST))

    planes = {
        name: full(getattr(seen, name)) for name in ("surface", "kind", "deposit_p", "unseen")
    }
    return replace(seen, **planes, doubtful=None, likely=None)


def _ends(rgb: Bytes, ferrule: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Shares of the ferrule's pixels at the upper and at the lower end in all three colours."""
    pixels = rgb[ferrule]
    return float((pixels.min(axis=1) >= 254).mean()), float((pixels.max(axis=1) <= 1).mean())
