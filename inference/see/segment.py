"""What each pixel shows: the net's surfaces and kinds, whole or in blended tiles, and its deposits.

A picture of at most `WHOLE_PX` pixels goes through the net in one piece. A larger one is cut into
overlapping tiles at full resolution, whose probabilities are blended; one more pass over the whole
picture, reduced to `WHOLE_PX`, says whether it shows a connector at all, has most of the say about
surfaces, which only the whole picture can tell apart, and the say about broad deposits off the
ferrule: a tile that holds nothing but a bare wall may take it for a film. Memory beyond the result
is that of one row of tiles. The same picture and model give the same bits, whatever the threads or
the order.
"""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.errors import ModelError
from ...model.kinds import KIND_NAMES, Kind
from ...model.surfaces import SURFACE_NAMES
from ...model.surfaces import SURFACES as SURFACE_ROWS
from .confidence import Calibration
from .model_file import ModelCard, Thresholds, allowed_threads, open_model
from .pieces import connected_pieces
from .settle_kinds import LikelyKinds, joined, settled_kinds
from .tiles import Span, blend_shares, tile_grid

__all__ = ["PLANES", "Segmentation", "Segmenter", "deposit_pieces", "whole_say_off_ferrule"]

WHOLE_PX = 1.6e6
WHOLE_SAY = 0.8  # of the reduced whole picture about surfaces, the tiles have the rest
BROAD_PX = 24  # of the reduced picture: side of the square whose share of deposit tells broad ones
BROAD_FROM, BROAD_ALL = 0.3, 0.6  # shares from which the whole picture speaks, and speaks alone
KIND_FROM = 0.1  # less likely deposits are never asked for their kind
SURFACES, KINDS = len(SURFACE_NAMES), len(KIND_NAMES)
OFF_FERRULE = tuple(i for i, row in enumerate(SURFACE_ROWS) if not row.on_ferrule)
PLANES = SURFACES + KINDS + 1  # surface, kind and unseen, stacked in this order

Floats = npt.NDArray[np.float32]
Bytes = npt.NDArray[np.uint8]
# probabilities of some rows of a picture: surface [7, h, W], kind [7, h, W], unseen [h, W]
Band = tuple[Floats, Floats, Floats]


@dataclass(frozen=True)
class Segmentation:
    """What the net says about one picture; arrays [H, W] in the picture's own pixels.

    `surface` uint8: the likeliest surface; below a deposit that of its host. `kind` uint8: the kind
    of each deposit's pixels, 0 elsewhere. `doubtful` uint8: the same for pieces that are unsure.
    `deposit_p` float32: probability of any deposit, 1 - P(clean). `unseen` float32: probability
    that the picture cannot show a deposit here. `unlike`: probability that the picture
    shows no connector. `min_px`: the smallest piece that counts, px. `calibration`: what makes a
    piece's mean probability its confidence, None for nothing. `likely`: the kinds' probabilities
    wherever `deposit_p` is not below `KIND_FROM`; None where nobody will ask.
    """

    surface: Bytes
    kind: Bytes
    deposit_p: Floats
    unseen: Floats
    unlike: float
    doubtful: Bytes | None = None
    min_px: int = 1
    calibration: Calibration | None = None
    likely: LikelyKinds | None = None


class Segmenter:
    """Runs one model file on pictures.

    `threads` None takes as many as the process may use. Raises ModelError for a file that is
    missing, damaged or of another schema. A picture of more than `whole_px` pixels is cut into
    tiles of at most `tile_px`.
    """

    card: ModelCard

    def __init__(
        self,
        model_path: str | os.PathLike[str],
        threads: int | None = None,
        whole_px: float = WHOLE_PX,
        tile_px: float = WHOLE_PX,
    ) -> None:
        self._path, self._threads = model_path, threads or allowed_threads()
        self._session, self.card = open_model(model_path, self._threads)
        self._whole_px, self._tile_px = whole_px, tile_px

    def take_threads(self, threads: int) -> None:
        """Look with so many threads from now on; no picture may be in hand.

        Raises ModelError where the file is no longer the one that was opened.
        """
        if threads == self._threads:
            return
        session, card = open_model(self._path, threads)
        if card != self.card:
            raise ModelError(f"{self._path}: the model file has changed meanwhile; start again")
        self._session, self._threads = session, threads

    def __call__(self, rgb: Bytes) -> Segmentation:
        """Segment one picture, uint8 [H, W, 3] RGB, any H and W >= 1."""
        if rgb.dtype != np.uint8 or rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.size == 0:
            raise ValueError(f"rgb: expected uint8 [H, W, 3], got {rgb.dtype} {list(rgb.shape)}")
        size_hw = rgb.shape[:2]
        surface, likely = np.empty(size_hw, np.uint8), list[LikelyKinds]()
        unseen, deposit_p = np.empty(size_hw, np.float32), np.empty(size_hw, np.float32)
        thresholds = self.card.thresholds
        unlike, bands = self._planes(rgb)
        top = 0
        for surface_p, kind_p, unseen_p in bands:
            rows = slice(top, top + unseen_p.shape[0])
            surface[rows] = _likeliest(surface_p)
            deposit_p[rows] = np.clip(1 - kind_p[0], 0, 1)
            likely.append(_likely_kinds(kind_p, deposit_p[rows], top, thresholds))
            unseen[rows] = unseen_p
            top = rows.stop
        sure, unsure = deposit_pieces(deposit_p, thresholds)
        min_px, worth = thresholds.min_px, self.card.confidence
        kinds = joined(likely)
        kind, doubtful = (settled_kinds(mask, kinds, min_px) for mask in (sure, unsure))
        return Segmentation(
            surface, kind, deposit_p, unseen, unlike, doubtful, min_px, worth, kinds
        )

    def _planes(self, rgb: Bytes) -> tuple[float, Iterator[Band]]:
        """`unlike`, and the bands of rows, top to bottom, that make up the picture."""
        height, width = rgb.shape[:2]
        if height * width <= self._whole_px:
            band, unlike = self._run(rgb)
            return unlike, iter([band])
        import cv2

        shrink = (self._whole_px / (height * width)) ** 0.5
        size_wh = max(1, int(width * shrink)), max(1, int(height * shrink))
        cv: Any = cv2
        whole, unlike = self._run(cv.resize(rgb, size_wh, interpolation=cv.INTER_AREA))
        return unlike, self._blended(rgb, whole)

    def _run(self, rgb: Bytes) -> tuple[Band, float]:
        """The net's probabilities and `unlike` for one piece."""
        wanted = ["surface", "kind", "unseen", "unlike"]
        feed = {"picture": np.ascontiguousarray(rgb)[None]}
        surface, kind, unseen, unlike = self._session.run(wanted, feed)
        return (surface[0], kind[0], unseen[0, 0]), float(unlike[0])

    def _blended(self, rgb: Bytes, whole: Band) -> Iterator[Band]:
        """Bands of the picture's tiles, blended, with the reduced whole picture's say."""
        whole_surface, whole_kind, _ = whole
        side_px = round(BROAD_PX * rgb.shape[1] / whole_kind.shape[2])
        rows, cols = tile_grid(rgb.shape[:2], self._tile_px)
        carried = np.zeros((PLANES, 0, rgb.shape[1]), np.float32)
        for row, after, share in zip(rows, (*rows[1:], None), blend_shares(rows), strict=True):
            band = self._row(rgb, (row, share), cols)
            band[:, : carried.shape[1]] += carried
            done = (after.start if after else row.stop) - row.start
            carried = band[:, done:].copy()
            planes = band[:, :done]
            span = slice(row.start, row.start + done)
            planes[:SURFACES] *= 1 - WHOLE_SAY
            for plane, large in zip(
                planes, _enlarged(whole_surface, rgb.shape[:2], span), strict=False
            ):
                plane += WHOLE_SAY * large
            say = whole_say_off_ferrule(planes, side_px)
            if say.any():
                kind_p = planes[SURFACES:-1]
                for plane, large in zip(
                    kind_p, _enlarged(whole_kind, rgb.shape[:2], span), strict=True
                ):
                    plane += say * (large - plane)
            yield planes[:SURFACES], planes[SURFACES:-1], planes[-1]

    def _row(self, rgb: Bytes, row: tuple[Span, Floats], cols: tuple[Span, ...]) -> Floats:
        """One row of tiles, blended sideways and weighted by the row's share: [PLANES, h, W]."""
        at, row_share = row
        total = np.zeros((PLANES, at.stop - at.start, rgb.shape[1]), np.float32)
        for col, share in zip(cols, blend_shares(cols), strict=True):
            (surface_p, kind_p, unseen_p), _ = self._run(
                rgb[at.start : at.stop, col.start : col.stop]
            )
            weight, of_tile = share * row_share[:, None], total[:, :, col.start : col.stop]
            # plane by plane, for the memory
            for plane, p in zip(of_tile, (*surface_p, *kind_p, unseen_p), strict=True):
                plane += p * weight
        return total


def whole_say_off_ferrule(planes: Floats, side_px: int) -> Floats:
    """The whole picture's say about kinds [h, W] in 0..1, from a band's blended planes.

    It is as large as the tiles call much of the square of `side_px` about a pixel a deposit. Where
    the ferrule is likelier than surround, housing and cavity the tiles alone speak.
    """
    import cv2

    cv: Any = cv2
    dirt = 1 - planes[SURFACES]
    broad = cv.blur(dirt, (side_px, side_px), borderType=cv.BORDER_REPLICATE)
    say = np.clip((broad - BROAD_FROM) / (BROAD_ALL - BROAD_FROM), 0, 1)
    return say * (planes[list(OFF_FERRULE)].sum(0) > 0.5)


def _likeliest(planes: Floats) -> Bytes:
    """The index of the largest of [C, h, w], the first where equal; faster than argmax."""
    index = np.zeros(planes.shape[1:], np.uint8)
    best = planes[0].copy()
    for number in range(1, len(planes)):
        np.maximum(index, (planes[number] > best).view(np.uint8) * np.uint8(number), out=index)
        np.maximum(best, planes[number], out=best)
    return index


def _enlarged(planes: Floats, size_hw: tuple[int, int], rows: slice) -> Iterator[Floats]:
    """The given rows of each of `planes` [C, h, w], one by one, enlarged to `size_hw`.

    Bilinear, pixel areas aligned.
    """
    import cv2

    _, h, w = planes.shape
    height, width = size_hw
    y = (np.arange(rows.start, rows.stop, dtype=np.float32) + 0.5) * (h / height) - 0.5
    x = (np.arange(width, dtype=np.float32) + 0.5) * (w / width) - 0.5
    cv: Any = cv2
    at = (
        np.broadcast_to(x, (y.size, width)).copy(),
        np.broadcast_to(y[:, None], (y.size, width)).copy(),
    )
    edge = cv.BORDER_REPLICATE
    return (cv.remap(p, *at, cv.INTER_LINEAR, borderMode=edge) for p in planes)


def deposit_pieces(
    deposit_p: Floats, thresholds: Thresholds
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Masks [H, W] of the pixels in deposits and in unsure pieces (see `Thresholds`)."""
    grown = deposit_p >= thresholds.grow
    pieces = connected_pieces(grown)
    large = pieces.area >= thresholds.min_px
    piece, p = pieces.labels[grown], deposit_p[grown]

    def reaching(level: float) -> npt.NDArray[np.bool_]:
        reached = np.zeros(large.size, bool)
        reached[piece[p >= level]] = True
        return reached & large

    def mask_of(wanted: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
        mask = np.zeros(deposit_p.shape, bool)
        mask[grown] = wanted[piece]
        return mask

    seeded = reaching(thresholds.seed)
    return mask_of(seeded), mask_of(reaching(thresholds.floor) & ~seeded)


def _likely_kinds(kind_p: Floats, deposit_p: Floats, top: int, limits: Thresholds) -> LikelyKinds:
    """The kinds of a band that begins at row `top`, where some threshold may ask for them.

    Half precision, so that kinds as good as equally likely go to the first of them everywhere.
    """
    rows, cols = np.nonzero(deposit_p >= min(KIND_FROM, limits.grow))
    dirt_p = kind_p[int(Kind.PARTICLE) :, rows, cols].astype(np.float16)
    return LikelyKinds((rows + top) * deposit_p.shape[1] + cols, dirt_p)
