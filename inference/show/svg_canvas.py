"""A canvas that draws SVG 1.1: lines, marks and text as vectors over layers of pixels.

The layers are groups with names, so that an editor can hide one: `ground` (paper, surface, unseen
hatched), `scan` (the fused picture), `tint` (deposits' areas) and `drawing` (all vectors).
"""

import base64
from collections.abc import Generator
from contextlib import contextmanager
from html import escape

import numpy as np
import numpy.typing as npt

from .canvas import Canvas, Color, Points, Text
from .pictures_out import png_bytes

__all__ = ["SvgCanvas"]

Bytes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]
# Pillow's two letters for where a text is held -> SVG's
ANCHORS = {"l": "start", "m": "middle", "r": "end"}


class SvgCanvas(Canvas):
    """Draws on a copy of `rgb`, uint8 [H, W, 3]; `svg` gives the whole as text."""

    def __init__(self, rgb: Bytes) -> None:
        super().__init__(rgb)
        self._scan: Bytes = np.zeros((*self.size_hw, 4), np.uint8)
        self._tint: Bytes = np.zeros((*self.size_hw, 4), np.uint8)
        self._parts: list[str] = []

    def texture(self, at: tuple[slice, slice], mask: Mask, rgb: Bytes) -> None:
        """Put the pixels of `rgb` [h, w, 3] under `mask` [h, w] on the layer `scan`."""
        part = self._scan[at]
        part[mask, :3] = rgb[mask]
        part[mask, 3] = 255

    def blend(self, mask: Mask, color: Color, opacity: float) -> None:
        """Tint the pixels of `mask` [H, W] by `color`, opacity in 0..1."""
        if opacity >= 1:
            super().blend(mask, color, opacity)
            return
        self._tint.reshape(-1, 4)[np.flatnonzero(mask)] = (*color, round(255 * opacity))

    def line(self, points: Points, color: Color, width: float = 1, closed: bool = False) -> None:
        """A line through `points` [n, 2]; NaN points are left out."""
        path = _path(points, closed)
        if path:
            self._parts.append(
                f'<path d="{path}" fill="none" stroke="{_hex(color)}" stroke-width="{width:g}"/>'
            )

    def dashes(self, points: Points, color: Color, width: float, dash_px: float) -> None:
        """A closed dashed line through `points` [n, 2], dash and gap of equal length."""
        path = _path(points, closed=True)
        if path:
            self._parts.append(
                f'<path d="{path}" fill="none" stroke="{_hex(color)}" stroke-width="{width:g}" '
                f'stroke-dasharray="{dash_px:g}"/>'
            )

    @contextmanager
    def faded(self, opacity: float) -> Generator[None]:
        """What is drawn within the block is laid on with this opacity, 0..1 (not text)."""
        self._parts.append(f'<g opacity="{opacity:g}">')
        yield
        self._parts.append("</g>")

    def fill(self, points: Points, color: Color) -> None:
        """A filled polygon [n, 2]."""
        path = _path(points, closed=True)
        if path:
            self._parts.append(f'<path d="{path}" fill="{_hex(color)}"/>')

    def svg(self, title: str) -> str:
        """The whole picture as an SVG document that needs no other file."""
        height, width = self.size_hw
        layers = {"ground": self.rgb, "scan": self._scan, "tint": self._tint}
        drawn = [
            f'<g id="{name}"><image width="{width}" height="{height}" '
            f'xlink:href="data:image/png;base64,{_png(plane)}"/></g>'
            for name, plane in layers.items()
        ]
        return "\n".join(
            [
                '<svg xmlns="http://www.w3.org/2000/svg" '
                'xmlns:xlink="http://www.w3.org/1999/xlink" version="1.1" '
                f'width="{width}" height="{height}" viewBox="0 0 {width} {height}" role="img">',
                f"<title>{escape(title)}</title>",
                *drawn,
                '<g id="drawing" font-family="sans-serif" stroke-linejoin="round">',
                *self._parts,
                *(_text(each) for each in self.texts),
                "</g>",
                "</svg>\n",
            ]
        )


def _path(points: Points, closed: bool) -> str:
    found = np.asarray(points, np.float64).reshape(-1, 2)
    found = found[np.isfinite(found).all(axis=1)]
    if len(found) < 2:
        return ""
    pattern = " ".join(["%.1f,%.1f"] * len(found))  # filled at once: a map has 30,000 points
    return "M" + pattern % tuple(found.ravel().tolist()) + ("Z" if closed else "")


def _text(text: Text) -> str:
    around = ""
    if text.halo is not None:
        stroke = f'stroke="{_hex(text.halo)}" stroke-width="{2 * text.halo_px}"'
        around = f' {stroke} paint-order="stroke"'
    x, y = text.xy
    # a third of their height below the middle is the baseline
    return (
        f'<text x="{x:.1f}" y="{y + 0.35 * text.size:.1f}" font-size="{text.size}" '
        f'text-anchor="{ANCHORS[text.anchor[0]]}" fill="{_hex(text.color)}"{around}>'
        f"{escape(text.text)}</text>"
    )


def _hex(color: Color) -> str:
    return "#" + "".join(f"{part:02x}" for part in color)


def _png(plane: Bytes) -> str:
    return base64.b64encode(png_bytes(plane)).decode()
