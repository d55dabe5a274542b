"""One picture with its deposits outlined, numbered and sized."""

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.camera import Camera
from ...model.kinds import Kind
from .canvas import INK, PAPER, Canvas, color_of, text_size
from .labels import Box, draw_leader, place_labels

__all__ = ["DrawnDeposit", "draw_overlay", "round_length_um"]

GRADED_RADIUS_UM = 125.0
CROWDED = 40  # beyond this many deposits their labels carry no size
UNSEEN = 0.5


@dataclass(frozen=True)
class DrawnDeposit:
    """A deposit as one picture shows it: `mask` bool [h, w], its corner at pixel `xy` (x, y).

    `size_um`: the figure written beside it, None for none; `length` says that it is a length.
    """

    id: int
    kind: Kind
    size_um: float | None
    unsure: bool
    xy: tuple[int, int]
    mask: npt.NDArray[np.bool_]
    length: bool = False

    @property
    def box(self) -> Box:
        """Its bounding box, px."""
        x, y = self.xy
        height, width = self.mask.shape
        return (x, y, x + width, y + height)


def draw_overlay(
    rgb: npt.NDArray[np.uint8],
    deposits: Sequence[DrawnDeposit],
    camera: Camera | None,
    unseen: npt.NDArray[np.floating[Any]] | None = None,
    remark: str = "",
) -> npt.NDArray[np.uint8]:
    """The picture, uint8 [H, W, 3], with all that was found on it.

    camera: for the scale bar and the circle of the graded zones; None leaves them out. unseen
    [H, W]: where above 0.5 the picture shows nothing, hatched; NaN counts as not hatched.
    remark: written across the top.
    """
    canvas = Canvas(rgb)
    unit = max(1.0, min(canvas.size_hw) / 800)
    if unseen is not None:
        canvas.hatch(_smooth(unseen, round(10 * unit)) > UNSEEN, PAPER, 0.18, 12 * unit)
    if camera is not None:
        _draw_graded_zones(canvas, camera, unit)
        _draw_scale_bar(canvas, camera.um_per_px, unit)
    for deposit in deposits:
        style = [(INK, 3 * unit), (color_of(deposit.kind), 1.6 * unit)]
        canvas.outline(deposit.mask, deposit.xy, style, round(2 * unit))
    _draw_labels(canvas, deposits, _graded_box(camera), unit)
    _draw_remark(canvas, remark, unit)
    return canvas.finish()


def round_length_um(most_um: float) -> float:
    """The longest of 1, 2, 5, 10, 20, 50 ... um that is not above `most_um`."""
    decade = 10.0 ** np.floor(np.log10(most_um))
    return float(max(m * decade for m in (1.0, 2.0, 5.0) if m * decade <= most_um * (1 + 1e-9)))


def _smooth(unseen: npt.NDArray[np.floating[Any]], reach_px: int) -> npt.NDArray[Any]:
    """`unseen` without specks, which hatching would turn into noise."""
    import cv2

    side = 2 * reach_px + 1
    return cv2.blur(np.nan_to_num(unseen).astype(np.float32), (side, side))


def _draw_remark(canvas: Canvas, remark: str, unit: float) -> None:
    size = round(18 * unit)
    across = max(10, int(canvas.size_hw[1] / (0.55 * size)))
    for row, line in enumerate(wrap(remark, across)):
        canvas.text((14 * unit, (20 + 24 * row) * unit), line, size, INK, PAPER)


def _graded_ring(camera: Camera) -> npt.NDArray[np.float64]:
    """The edge of the graded zones in the picture, px [120, 2]."""
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    ring = GRADED_RADIUS_UM * np.stack([np.cos(turn), np.sin(turn), np.zeros_like(turn)], axis=1)
    return camera.project(ring)[0]


def _graded_box(camera: Camera | None) -> tuple[Box, ...]:
    """The box round the graded zones, which labels keep clear of."""
    ring = np.empty((0, 2)) if camera is None else _graded_ring(camera)
    if not len(ring) or not np.isfinite(ring).all():
        return ()
    (x0, y0), (x1, y1) = ring.min(axis=0), ring.max(axis=0)
    return ((float(x0), float(y0), float(x1), float(y1)),)


def _draw_graded_zones(canvas: Canvas, camera: Camera, unit: float) -> None:
    px = _graded_ring(camera)
    canvas.dashes(px, INK, 2 * unit, 5 * unit)
    canvas.dashes(px, PAPER, unit, 5 * unit)


def _draw_scale_bar(canvas: Canvas, um_per_px: float, unit: float) -> None:
    height, width = canvas.size_hw
    length_um = round_length_um(0.22 * width * um_per_px)
    x, y = 18 * unit, height - 18 * unit
    bar = [(x, y), (x + length_um / um_per_px, y)]
    canvas.line(bar, INK, 7 * unit)
    canvas.line(bar, PAPER, 3.5 * unit)
    label = f"{length_um:g} um at the fibre"
    canvas.text((x, y - 9 * unit), label, round(15 * unit), PAPER, INK, "ls")


def _draw_labels(
    canvas: Canvas, deposits: Sequence[DrawnDeposit], keep_clear: Sequence[Box], unit: float
) -> None:
    size, radius = round(16 * unit), 6 * unit
    texts = [_label(deposit, len(deposits) > CROWDED) for deposit in deposits]
    wide = [(text_size(text, size)[0] + 4 * radius, size * 1.25) for text in texts]
    boxes = place_labels([d.box for d in deposits], wide, canvas.size_hw, keep_clear)
    for deposit, box in zip(deposits, boxes, strict=True):
        draw_leader(canvas, deposit.box, box, unit)
    for deposit, text, box in zip(deposits, texts, boxes, strict=True):
        middle = (box[1] + box[3]) / 2
        canvas.marker(deposit.kind, (box[0] + 1.4 * radius, middle), radius)
        canvas.text((box[0] + 3.4 * radius, middle), text, size, INK, PAPER)


def _label(deposit: DrawnDeposit, crowded: bool) -> str:
    doubt = "?" if deposit.unsure else ""
    if crowded or deposit.size_um is None:
        return f"{deposit.id}{doubt}"
    return f"{deposit.id}{doubt} · {deposit.size_um:.0f} um{' long' if deposit.length else ''}"
