"""What went wrong most, to look at: the largest deposits missed, the surest false alarms."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ..inference.see.pieces import ring_around
from ..inference.see.segment import Segmentation
from ..model.kinds import KIND_NAMES, Kind
from ..model.surfaces import SURFACE_NAMES
from .score_view import MIN_PX, TrueDeposit, Truth, ViewScore, false_pieces

__all__ = ["Exhibit", "Gallery"]

KEPT = 24
LEAST_SIDE_PX, MOST_SIDE_PX, SHOWN_PX = 72, 360, 216
TRUE_COLOR, ANSWER_COLOR = (0, 114, 178), (213, 94, 0)  # Okabe-Ito blue and vermilion

Bytes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Exhibit:
    """One miss or false alarm. `rank`: larger is worse. `picture` uint8 [h, 2 h, 3]: the place as
    pictured, and again with the truth's outline in blue and the answer's in vermilion.
    """

    name: str
    caption: str
    rank: float
    picture: Bytes

    def write(self, path: Path) -> None:
        """Write the picture as PNG."""
        from PIL import Image

        Image.fromarray(self.picture).save(path)


@dataclass
class Gallery:
    """The worst so far, worst first, at most `KEPT` of each."""

    missed: list[Exhibit] = field(default_factory=list[Exhibit])
    false: list[Exhibit] = field(default_factory=list[Exhibit])

    def add(self, truth: Truth, answer: Segmentation, score: ViewScore) -> None:
        """Take from one view what is worse than what is kept."""
        for deposit in score.deposits:
            if not deposit.found and deposit.kind != Kind.DAMAGE:
                self._take(self.missed, _missed(truth, answer, deposit))
        answered = answer.kind > 0
        pieces, labels = false_pieces(answered, truth.instance > 0)
        for label in labels:
            if pieces.area[label] >= MIN_PX:
                self._take(self.false, _false(truth, answer, pieces.labels == label))

    def _take(self, kept: list[Exhibit], one: Exhibit) -> None:
        kept.append(one)
        kept.sort(key=lambda e: -e.rank)
        del kept[KEPT:]


def _missed(truth: Truth, answer: Segmentation, deposit: TrueDeposit) -> Exhibit:
    where = truth.instance == deposit.number
    best = float(answer.deposit_p[where].max())
    size = (
        f"{deposit.size_px:.0f} px"
        if deposit.size_um is None
        else f"{deposit.size_um:.0f} um ({deposit.size_px:.0f} px)"
    )
    caption = (
        f"{KIND_NAMES[deposit.kind]} on {SURFACE_NAMES[deposit.surface]}, {size}; "
        f"highest probability there {best:.2f}"
    )
    rank = deposit.size_px if deposit.size_um is None else deposit.size_um
    return Exhibit(truth.name, caption, rank, _panels(truth, answer, where))


def _false(truth: Truth, answer: Segmentation, where: Mask) -> Exhibit:
    sure = float(answer.deposit_p[where].mean())
    surface = int(np.bincount(truth.surface[where]).argmax())
    kind = int(np.bincount(answer.kind[where]).argmax())
    caption = (
        f"called {KIND_NAMES[kind]} on {SURFACE_NAMES[surface]}, {int(where.sum())} px; "
        f"mean probability {sure:.2f}"
    )
    return Exhibit(truth.name, caption, sure, _panels(truth, answer, where))


def _panels(truth: Truth, answer: Segmentation, where: Mask) -> Bytes:
    import cv2

    cv: Any = cv2
    window = _window(where)
    plain = np.ascontiguousarray(truth.rgb[window])
    size_wh = (SHOWN_PX, SHOWN_PX)

    def enlarged(mask: Mask) -> Mask:
        grown: Any = cv.resize(mask.view(np.uint8), size_wh, interpolation=cv.INTER_NEAREST)
        return grown > 0

    shrink = plain.shape[0] > SHOWN_PX
    plain = cv.resize(plain, size_wh, interpolation=cv.INTER_AREA if shrink else cv.INTER_NEAREST)
    marked = plain.copy()
    for mask, color in (
        (np.ascontiguousarray(truth.instance[window] > 0), TRUE_COLOR),
        (np.ascontiguousarray(answer.kind[window] > 0), ANSWER_COLOR),
    ):
        marked[ring_around(enlarged(mask), 1)] = color
    return np.concatenate([plain, np.full((SHOWN_PX, 6, 3), 255, np.uint8), marked], axis=1)


def _window(where: Mask) -> tuple[slice, slice]:
    """A square around the mask, three times its extent within limits, inside the picture."""
    rows, cols = np.nonzero(where)
    height, width = where.shape
    extent = 3 * max(int(np.ptp(rows)), int(np.ptp(cols))) + 1
    side = min(max(extent, LEAST_SIDE_PX), MOST_SIDE_PX, height, width)
    spans: list[slice] = []
    for at, length in ((rows, height), (cols, width)):
        middle = (int(at.min()) + int(at.max())) // 2
        start = min(max(middle - side // 2, 0), length - side)
        spans.append(slice(start, start + side))
    return spans[0], spans[1]
