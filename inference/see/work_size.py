"""How large a picture is worked on: no larger than the net has learnt to see a ferrule.

The net has met ferrules of up to about a thousand pixels across. In a picture of many megapixels
the ferrule may be three times as wide: a tile of it then shows a bare wall without any context, and
twenty tiles cost twenty times one. Such a picture is reduced until its ferrule is as wide as the
net knows, everything is found and measured in it, and only what is written about pixels is told in
the picture's own. What it can show is stated for the reduced picture, so nothing is promised that
only the full one would show.

Every large picture is first looked at in reduced size. Pictures of one connector that have one size
are taken to come from one camera and are reduced alike, so that a speck on its lens stays at its
pixel.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from .picture import Picture
from .quality import front_box_px
from .segment import WHOLE_PX, Segmentation

__all__ = ["LEARNT_FERRULE_PX", "finer_shares", "first_size", "reduced"]

LEARNT_FERRULE_PX = 1000.0  # diameter; wider ones were rare in training
EDGE_PX = 3
WORTH = 0.9  # a reduction by less is not worth it

Seen = tuple[Picture, Segmentation]


def first_size(picture: Picture) -> Picture:
    """The picture for a first look: reduced to `WHOLE_PX` pixels if it has more."""
    height, width = picture.rgb.shape[:2]
    pixels = height * width
    return picture if pixels <= WHOLE_PX else reduced(picture, (WHOLE_PX / pixels) ** 0.5)


def finer_shares(first: Sequence[Seen | None]) -> list[float | None]:
    """The share of the own pixels along a side, 0 to 1, at which to look at each picture again.

    None where the first look is fine enough, or shows no ferrule: more pixels will not make it one.
    A close-up, whose ferrule runs out of the picture on both sides, is looked at as it is.
    """
    return [None if seen is None else _finer_share(seen, first) for seen in first]


def _finer_share(seen: Seen, first: Sequence[Seen | None]) -> float | None:
    picture, segmentation = seen
    if picture.stored_hw is None or front_box_px(segmentation.surface) is None:
        return None
    if _is_close_up(segmentation):
        return 1.0
    alike = [each for each in first if each is not None and each[0].own_hw == picture.own_hw]
    across_px = [_across_own_px(*each) for each in alike if not _is_close_up(each[1])]
    wanted = LEARNT_FERRULE_PX / float(np.median([px for px in across_px if px > 0]))
    if wanted > WORTH:
        return 1.0
    return wanted if wanted * WORTH > 1 / picture.own_px else None


def _across_own_px(picture: Picture, segmentation: Segmentation) -> float:
    """The ferrule's diameter in the file's own pixels; 0 without a ferrule."""
    box = front_box_px(segmentation.surface)
    return 0.0 if box is None else max(box[2:]) * picture.own_px


def _is_close_up(segmentation: Segmentation) -> bool:
    """Whether the ferrule's front reaches two opposite edges of the picture."""
    box = front_box_px(segmentation.surface)
    if box is None:
        return False
    (left, top, wide, high), (height, width) = box, segmentation.surface.shape
    tall = top <= EDGE_PX and top + high >= height - EDGE_PX
    return tall or (left <= EDGE_PX and left + wide >= width - EDGE_PX)


def reduced(picture: Picture, share: float) -> Picture:
    """The picture with `share` (0 to 1) of its pixels along each side, by area averages."""
    import cv2

    cv: Any = cv2
    height, width = picture.rgb.shape[:2]
    size_wh = max(1, round(width * share)), max(1, round(height * share))
    rgb: Any = cv.resize(picture.rgb, size_wh, interpolation=cv.INTER_AREA)
    rgb.setflags(write=False)
    note = (
        f"worked on at {size_wh[0]} x {size_wh[1]} px of its {width} x {height}: as fine as the "
        "net has learnt to look"
    )
    return replace(picture, rgb=rgb, notes=(*picture.notes, note), stored_hw=picture.own_hw)
