"""Outlines of the ferrule and the cavity's mouth in a mask of surfaces, as points in the picture.

An outline is taken where a slightly blurred mask crosses one half, so its points are good to a
fraction of a pixel; each point knows which surface lies just inside and just outside of it.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.surfaces import Surface
from .ellipse import robust_ellipse

__all__ = ["FiberDisc", "Outline", "ViewOutlines", "fiber_disc", "outlines_of"]

Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]

BLUR_PX = 1.5
STEP_PX = 3.0  # how far from the outline the surface inside and outside is looked up
POINTS = 160  # most points kept per outline
POINTS_FERRULE = 480  # of the ferrule's, whose foot may be a short piece of it
FEWEST_RING = 12  # border pixels of a piece that may be the fibre
FEWEST_PX = 300  # a smaller piece is no ferrule front


@dataclass(frozen=True)
class Outline:
    """Points px [n, 2] (x, y) of one outline, and the surfaces inside and outside, uint8 [n].

    Points within a few pixels of the frame are left out; `cut_share` is their share.
    """

    px: Floats
    inside: Bytes
    outside: Bytes
    cut_share: float


@dataclass(frozen=True)
class FiberDisc:
    """The fibre's disc as seen: centre px (x, y), area px, share of its outline on one ellipse.

    `flatness`: the ellipse's short over its long axis.
    """

    centre_px: tuple[float, float]
    area_px: float
    smooth_share: float
    flatness: float


@dataclass(frozen=True)
class ViewOutlines:
    """What one view's mask of surfaces gives to a fit.

    `endface`: outline of endface and fibre. `front`: of endface and chamfer. `ferrule`: with the
    barrel. `mouth`: of ferrule and cavity; None without a cavity. `size_hw`: the picture's size.
    """

    endface: Outline
    front: Outline
    ferrule: Outline
    mouth: Outline | None
    fiber: FiberDisc | None
    size_hw: tuple[int, int]


def _lookup(image: npt.NDArray[Any], px: Floats) -> npt.NDArray[Any]:
    """Nearest pixel of `image` under points px [n, 2], clipped to the frame."""
    height, width = image.shape
    column = np.clip(np.floor(px[:, 0]).astype(int), 0, width - 1)
    row = np.clip(np.floor(px[:, 1]).astype(int), 0, height - 1)
    return image[row, column]


def _bilinear(image: npt.NDArray[np.float32], px: Floats) -> Floats:
    """Image values at points px [n, 2] (pixel centres at i + 0.5)."""
    import cv2

    at = np.ascontiguousarray(px - 0.5, np.float32)
    values = cv2.remap(image, at[:, 0], at[:, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return values.reshape(-1).astype(np.float64)


def _outline(surface: Bytes, mask: Bytes, points: int = POINTS) -> Outline | None:
    """The outer outline of a mask's largest piece; None if that is too small for a ferrule."""
    import cv2

    ring = _contour(mask)
    if ring is None or cv2.contourArea(ring) < FEWEST_PX:
        return None
    height, width = surface.shape
    pad = int(4 * BLUR_PX)
    x0, y0 = (int(v) for v in np.maximum(ring.min(axis=0) - pad, 0))
    x1, y1 = (int(v) for v in np.minimum(ring.max(axis=0) + pad, [width, height]))
    filled = np.zeros((y1 - y0, x1 - x0), np.uint8)
    cv2.drawContours(filled, [ring], -1, 1, cv2.FILLED, offset=(-x0, -y0))
    soft = np.asarray(cv2.GaussianBlur(filled.astype(np.float32), (0, 0), BLUR_PX), np.float32)
    centres = ring.astype(np.float64) + 0.5
    inner = _within(centres, width, height)
    cut_share = float(1 - inner.mean())
    centres = centres[inner]
    if len(centres) < 12:
        return None
    centres = centres[np.linspace(0, len(centres) - 1, min(len(centres), points)).astype(int)]
    corner = np.array([x0, y0], np.float64)
    px, outward = _refine(soft, centres - corner)
    px = px + corner
    inside = _lookup(surface, px - STEP_PX * outward)
    return Outline(px, inside, _lookup(surface, px + STEP_PX * outward), cut_share)


def _contour(mask: Bytes) -> npt.NDArray[np.int32] | None:
    """The outer contour [n, 2] (x, y) of the piece of largest area; None for an empty mask."""
    import cv2

    cv: Any = cv2
    found = cv.findContours(mask, cv.RETR_EXTERNAL, cv.CHAIN_APPROX_NONE)[0]
    largest = max(found, key=cv.contourArea, default=None)
    return None if largest is None else np.asarray(largest, np.int32).reshape(-1, 2)


def _within(px: Floats, width: int, height: int) -> npt.NDArray[np.bool_]:
    """Which points keep clear of the frame."""
    margin = 2 * BLUR_PX
    return np.all((px > margin) & (px < np.array([width, height]) - margin), axis=1)


def _refine(soft: npt.NDArray[np.float32], px: Floats) -> tuple[Floats, Floats]:
    """Points moved along the slope of a blurred mask to where it is one half; outward normals."""
    outward = np.zeros_like(px)
    for _ in range(3):
        dx = _bilinear(soft, px + [1, 0]) - _bilinear(soft, px - [1, 0])
        dy = _bilinear(soft, px + [0, 1]) - _bilinear(soft, px - [0, 1])
        slope = np.stack([dx, dy], axis=1) / 2
        steep = np.maximum(np.linalg.norm(slope, axis=1), 0.02)
        step = np.clip((0.5 - _bilinear(soft, px)) / steep, -1.5, 1.5)
        outward = -slope / steep[:, None]
        px = px - step[:, None] * outward
    return px, outward


def fiber_disc(surface: Bytes, near_px: Floats | None = None) -> FiberDisc | None:
    """The fibre's disc: an ellipse through most of its outline; None when nothing is labelled so.

    Dirt that hides a part of the disc, or is taken for it, bends a part of the outline only. Of
    several pieces the one nearest to `near_px` (x, y), the endface's middle, is the fibre; without
    it the largest.
    """
    import cv2

    cv: Any = cv2
    mask = (surface == Surface.FIBER).view(np.uint8)
    found = cv.findContours(mask, cv.RETR_EXTERNAL, cv.CHAIN_APPROX_NONE)[0]
    pieces = [np.asarray(c, np.int32).reshape(-1, 2) for c in found if len(c) >= FEWEST_RING]
    if not pieces:
        return None
    if near_px is None:
        contour = max(pieces, key=cv.contourArea)
    else:
        contour = min(pieces, key=lambda c: float(np.hypot(*(c.mean(axis=0) + 0.5 - near_px))))
    ring = contour.astype(np.float64) + 0.5
    ellipse = robust_ellipse(ring)
    if ellipse is None:
        return None
    # the outline runs through the centres of the disc's own border pixels, half a pixel inside
    long_px, short_px = ellipse.long_px + 0.5, ellipse.short_px + 0.5
    x, y = ellipse.centre
    return FiberDisc(
        centre_px=(float(x), float(y)),
        area_px=float(np.pi * long_px * short_px),
        smooth_share=ellipse.inlier_share,
        flatness=short_px / long_px,
    )


def outlines_of(surface: Bytes) -> ViewOutlines | str:
    """The outlines in a mask of surfaces uint8 [H, W], or why there are none, in plain words."""
    face = np.isin(surface, (Surface.ENDFACE, Surface.FIBER))
    front = face | (surface == Surface.CHAMFER)
    ferrule = front | (surface == Surface.BARREL)
    endface_line = _outline(surface, face.view(np.uint8))
    if endface_line is None:
        return "no endface found"
    front_line = _outline(surface, front.view(np.uint8))
    ferrule_line = _outline(surface, ferrule.view(np.uint8), POINTS_FERRULE)
    if front_line is None or ferrule_line is None:
        return "no ferrule rim found"
    ellipse = robust_ellipse(endface_line.px)
    fiber = fiber_disc(surface, None if ellipse is None else ellipse.centre)
    cavity = surface == Surface.CAVITY
    mouth = _outline(surface, (ferrule | cavity).view(np.uint8)) if cavity.any() else None
    height, width = surface.shape
    return ViewOutlines(endface_line, front_line, ferrule_line, mouth, fiber, (height, width))
