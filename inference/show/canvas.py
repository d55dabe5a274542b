"""A picture to draw on: antialiased lines, marks and legible text, with subpixel positions.

Positions are (x, y) in continuous pixels, pixel i covering [i, i+1). Text uses the font built into
Pillow, which has ASCII, the degree sign and the middle dot, and not much else.
"""

from collections.abc import Generator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.kinds import KINDS, Kind

__all__ = ["INK", "PAPER", "Canvas", "Color", "Points", "Text", "color_of", "text_size"]

Color = tuple[int, int, int]
Bytes = npt.NDArray[np.uint8]
Points = npt.ArrayLike

INK: Color = (28, 33, 40)
PAPER: Color = (252, 252, 250)
_SHIFT = 4  # OpenCV takes fixed-point positions with this many fractional bits


def color_of(kind: Kind) -> Color:
    """The kind's colour, RGB 0..255, from the table of kinds."""
    code = KINDS[kind].color
    return (int(code[1:3], 16), int(code[3:5], 16), int(code[5:7], 16))


@cache
def _font(size: int) -> Any:
    from PIL import ImageFont

    return ImageFont.load_default(size)


@dataclass(frozen=True)
class Text:
    """A text to be set last: `size` px high, its `anchor` (Pillow's two letters) at `xy`."""

    xy: tuple[float, float]
    text: str
    size: int
    color: Color
    halo: Color | None
    anchor: str

    @property
    def halo_px(self) -> int:
        """How far the outline reaches beyond the letters."""
        return 0 if self.halo is None else max(1, round(self.size / 8))


class Canvas:
    """Draws on a copy of `rgb`, uint8 [H, W, 3]. Texts are drawn last, over everything else."""

    def __init__(self, rgb: Bytes) -> None:
        self.rgb: Bytes = np.array(rgb, np.uint8, order="C", copy=True)
        self.texts: list[Text] = []

    @property
    def size_hw(self) -> tuple[int, int]:
        """Height and width, px."""
        return self.rgb.shape[0], self.rgb.shape[1]

    def line(self, points: Points, color: Color, width: float = 1, closed: bool = False) -> None:
        """A line through `points` [n, 2]; NaN points are left out."""
        import cv2

        fixed = _fixed(points)
        if len(fixed) >= 2:
            px = max(1, round(width))
            cv2.polylines(self.rgb, [fixed], closed, color, px, cv2.LINE_AA, _SHIFT)

    def dashes(self, points: Points, color: Color, width: float, dash_px: float) -> None:
        """A closed dashed line through `points` [n, 2], dash and gap of equal length."""
        ring = np.asarray(points, np.float64)
        ring = ring[np.isfinite(ring).all(axis=1)]
        if len(ring) < 3:
            return
        ring = np.concatenate([ring, ring[:1]])
        length = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
        count = max(6, round(length[-1] / (2 * dash_px)))
        for k in range(count):
            at = np.linspace(k, k + 0.5, 8) * length[-1] / count
            piece = np.empty((len(at), 2))
            for axis in (0, 1):
                piece[:, axis] = np.interp(at, length, ring[:, axis])
            self.line(piece, color, width)

    @contextmanager
    def faded(self, opacity: float) -> Generator[None]:
        """What is drawn within the block is laid on with this opacity, 0..1 (not text)."""
        import cv2

        before = self.rgb.copy()
        yield
        mixed = cv2.addWeighted(self.rgb, opacity, before, 1 - opacity, 0)
        self.rgb = mixed.astype(np.uint8, copy=False)

    def fill(self, points: Points, color: Color) -> None:
        """A filled polygon [n, 2]."""
        import cv2

        fixed = _fixed(points)
        if len(fixed) >= 3:
            cv2.fillPoly(self.rgb, [fixed], color, cv2.LINE_AA, _SHIFT)

    def texture(self, at: tuple[slice, slice], mask: npt.NDArray[np.bool_], rgb: Bytes) -> None:
        """Put the pixels of `rgb` [h, w, 3] under `mask` [h, w] at a window of the picture."""
        self.rgb[at][mask] = rgb[mask]

    def blend(self, mask: npt.NDArray[np.bool_], color: Color, opacity: float) -> None:
        """Tint the pixels of `mask` [H, W] by `color`, opacity in 0..1."""
        at, flat = np.flatnonzero(mask), self.rgb.reshape(-1, 3)
        part = flat[at].astype(np.float32)
        flat[at] = np.round(part + (np.array(color) - part) * opacity).astype(np.uint8)

    def hatch(
        self, mask: npt.NDArray[np.bool_], color: Color, opacity: float, pitch_px: float = 9
    ) -> None:
        """Diagonal hatching on the pixels of `mask` [H, W]."""
        height, width = self.size_hw
        # an antialiased stripe, a third of the pitch wide; the same along each diagonal
        across = (np.arange(height + width) / 2**0.5 % pitch_px).astype(np.float32)
        stripe = np.clip(pitch_px / 6 + 0.5 - np.abs(across - pitch_px / 2), 0, 1)
        share_of = (stripe * np.float32(opacity)).astype(np.float32)
        at = np.flatnonzero(mask)
        share = share_of[at // width + at % width]
        at, share = at[share > 0], share[share > 0][:, None]
        flat = self.rgb.reshape(-1, 3)
        part = flat[at].astype(np.float32)
        flat[at] = np.round(part + (np.array(color, np.float32) - part) * share).astype(np.uint8)

    def outline(
        self,
        mask: npt.NDArray[np.bool_],
        xy: tuple[int, int],
        style: Sequence[tuple[Color, float]],
        gap_px: int = 0,
    ) -> None:
        """The outline of `mask` [h, w] at pixel (x, y), `gap_px` outside it, each style in turn."""
        import cv2

        margin = gap_px + 1
        grown = np.pad(mask, margin).astype(np.uint8)
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * gap_px + 1, 2 * gap_px + 1))
        found = cv2.findContours(cv2.dilate(grown, disc), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[
            0
        ]
        for color, width in style:
            for contour in found:
                ring = contour.reshape(-1, 2) + (xy[0] - margin + 0.5, xy[1] - margin + 0.5)
                self.line(ring, color, width, closed=True)

    def text(
        self,
        xy: tuple[float, float],
        text: str,
        size: int,
        color: Color = INK,
        halo: Color | None = None,
        anchor: str = "lm",
    ) -> None:
        """Text, `size` px high, its `anchor` (Pillow's two letters) at `xy`; halo: its outline."""
        self.texts.append(Text(xy, text, size, color, halo, anchor))

    def marker(self, kind: Kind, xy: tuple[float, float], radius_px: float) -> None:
        """The kind's shape in its colour with a dark and a light rim, legible on any ground."""
        shape = KINDS[kind].marker
        color = color_of(kind)
        for strokes, fill in _marker_strokes(shape, xy, radius_px):
            if fill:
                self._rimmed_fill(strokes, color)
            else:
                widths = (max(5.0, radius_px * 0.95), max(4.0, radius_px * 0.75), radius_px * 0.45)
                for ink, width in zip((PAPER, INK, color), widths, strict=True):
                    self.line(strokes, ink, max(2, width))

    def _rimmed_fill(self, points: Points, color: Color) -> None:
        self.line(points, PAPER, 4, closed=True)
        self.line(points, INK, 2, closed=True)
        self.fill(points, color)

    def finish(self) -> Bytes:
        """The picture with all texts on it, uint8 [H, W, 3]."""
        from PIL import Image, ImageDraw

        image = Image.fromarray(self.rgb)
        draw = ImageDraw.Draw(image)
        for each in self.texts:
            draw.text(
                each.xy,
                each.text,
                each.color,
                _font(each.size),
                each.anchor,
                stroke_width=each.halo_px,
                stroke_fill=each.halo,
            )
        return np.asarray(image)


def text_size(text: str, size: int) -> tuple[float, float]:
    """Width and height (px) that `text` takes."""
    left, top, right, bottom = _font(size).getbbox(text)
    return right - left, bottom - top


def _fixed(points: Points) -> npt.NDArray[np.int32]:
    """Positions in OpenCV's fixed point [n, 1, 2]; its pixel centres are at whole numbers."""
    found = np.asarray(points, np.float64).reshape(-1, 2)
    found = found[np.isfinite(found).all(axis=1)]
    limit = 1 << 24
    return np.clip(np.round((found - 0.5) * (1 << _SHIFT)), -limit, limit).astype(np.int32)[:, None]


def _marker_strokes(
    shape: str, xy: tuple[float, float], r: float
) -> list[tuple[npt.NDArray[np.float64], bool]]:
    """The lines that make up a marker: (points [n, 2], filled or not)."""
    turn = np.linspace(0, 2 * np.pi, 33)
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    if shape == "disc":
        parts: Sequence[tuple[Any, bool]] = [(circle[:-1] * r, True)]
    elif shape == "square":
        parts = [(np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * 0.9 * r, True)]
    elif shape == "ring":
        parts = [(circle * r, False)]
    elif shape == "drop":
        body = circle[:-1] * 0.85 + (0, 0.25)
        tip = np.array([[0, -1.35]])
        keep = body[np.abs(np.degrees(np.arctan2(body[:, 0], -(body[:, 1] - 0.25)))) > 40]
        order = np.argsort(np.arctan2(keep[:, 0], -(keep[:, 1] - 0.25)) % (2 * np.pi))
        parts = [(np.concatenate([tip, keep[order]]) * r, True)]
    elif shape == "wave":
        x = np.linspace(-1.3, 1.3, 25)
        parts = [(np.stack([x, 0.6 * np.sin(x * np.pi / 0.87)], axis=1) * r, False)]
    else:  # cross
        parts = [
            (np.array([[-1, -1], [1, 1]]) * r, False),
            (np.array([[-1, 1], [1, -1]]) * r, False),
        ]
    return [(np.asarray(points, np.float64) + xy, fill) for points, fill in parts]
