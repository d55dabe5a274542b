"""Deposits by local contrast alone: what OpenCV gives without any training, to hold nets against.

A pixel stands out by |L - m| / s, L its brightness, m the mean and s the standard deviation of a
square around it (at least one grey level). Its probability is that over twice the threshold, so
that 0.5 is the threshold itself; the threshold is the one with the best IoU on renders. It tells no
surface, no kind and no wrong subject.
"""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ..inference.see.model_file import ModelCard, Thresholds
from ..inference.see.segment import Segmentation, deposit_pieces
from ..model.kinds import Kind
from .score_view import MIN_PX, Truth

__all__ = ["LocalContrast", "fitted_contrast"]

SIDE_PX = 41
LEVELS = (2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 8.0)
AT = Thresholds(seed=0.5, grow=0.5, min_px=MIN_PX, floor=0.5)
CARD = ModelCard("local-contrast", "0" * 64, (0.0, 1e9), AT, None, None, "", "", "")

Floats = npt.NDArray[np.float32]


class LocalContrast:
    """In a segmenter's place. `level`: how many standard deviations count as a deposit."""

    def __init__(self, level: float) -> None:
        self.level = level
        self.card = replace(CARD, id=f"local-contrast-{level:g}")

    def __call__(self, rgb: npt.NDArray[np.uint8]) -> Segmentation:
        """The deposits of a picture, uint8 [H, W, 3]; all of them particles, on no surface."""
        share = np.minimum(standing_out(rgb) / np.float32(2 * self.level), np.float32(1))
        sure, _ = deposit_pieces(share, AT)
        plain, nothing = np.zeros(rgb.shape[:2], np.uint8), np.zeros(rgb.shape[:2], np.float32)
        kind = np.where(sure, np.uint8(Kind.PARTICLE), np.uint8(0))
        return Segmentation(
            surface=plain, kind=kind, deposit_p=share, unseen=nothing, unlike=0.0, min_px=MIN_PX
        )


def standing_out(rgb: npt.NDArray[np.uint8]) -> Floats:
    """How many standard deviations of its surroundings each pixel stands out, float32 [H, W]."""
    import cv2

    cv: Any = cv2
    light = cv.cvtColor(rgb, cv.COLOR_RGB2GRAY).astype(np.float32)
    square = (SIDE_PX, SIDE_PX)
    mean = cv.boxFilter(light, cv.CV_32F, square)
    spread = cv.sqrBoxFilter(light, cv.CV_32F, square) - mean * mean
    return np.abs(light - mean) / np.sqrt(np.maximum(spread, 1.0))


def fitted_contrast(views: Iterable[Truth]) -> LocalContrast:
    """The level with the best IoU of deposit pixels over the views."""
    hit, union = np.zeros(len(LEVELS)), np.zeros(len(LEVELS))
    for view in views:
        away, true = standing_out(view.rgb), view.instance > 0
        for k, level in enumerate(LEVELS):
            answered = away >= level
            hit[k] += (answered & true).sum()
            union[k] += (answered | true).sum()
    return LocalContrast(LEVELS[int(np.argmax(hit / np.maximum(union, 1)))])
