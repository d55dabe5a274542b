"""Where to write labels so that they hide neither each other nor what they name."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from .canvas import INK, PAPER, Canvas

__all__ = ["Box", "draw_leader", "place_labels"]

Box = tuple[float, float, float, float]  # x0, y0, x1, y1

_ANGLES = np.radians(np.array([-30, 30, -150, 150, -70, 70, -110, 110, 0, 180, -90, 90]))
_STEPS = np.array([0.0, 14.0, 30.0, 50.0, 80.0])


def place_labels(
    things: Sequence[Box],
    sizes: Sequence[tuple[float, float]],
    frame_hw: tuple[int, int],
    keep_clear: Sequence[Box] = (),
) -> list[Box]:
    """A box per thing, of the given (width, height) px, near it and inside the frame.

    Greedy, in the order given: of 60 places round each thing the first that is free, else the one
    that overlaps least. What must not be covered: things, labels placed before, `keep_clear`.
    """
    taken = np.array([*things, *keep_clear], np.float64).reshape(-1, 4)
    placed: list[Box] = []
    for thing, (width, height) in zip(things, sizes, strict=True):
        boxes = _candidates(thing, width, height)
        boxes = _shifted_inside(boxes, frame_hw)
        # farther places cost a little, so that of equal overlaps the nearest wins
        far = np.hypot(*(_centers(boxes) - _centers(np.array([thing]))).T)
        cost = _overlap(boxes, taken) + 1e-3 * far
        best = boxes[int(np.argmin(cost))]
        box = (float(best[0]), float(best[1]), float(best[2]), float(best[3]))
        placed.append(box)
        taken = np.concatenate([taken, best[None]])
    return placed


def _candidates(thing: Box, width: float, height: float) -> npt.NDArray[np.float64]:
    x0, y0, x1, y1 = thing
    angle, step = (grid.ravel() for grid in np.meshgrid(_ANGLES, _STEPS))
    x = (x0 + x1) / 2 + np.cos(angle) * ((x1 - x0) / 2 + width / 2 + 4 + step)
    y = (y0 + y1) / 2 + np.sin(angle) * ((y1 - y0) / 2 + height / 2 + 4 + step)
    return np.stack([x - width / 2, y - height / 2, x + width / 2, y + height / 2], axis=1)


def _shifted_inside(
    boxes: npt.NDArray[np.float64], frame_hw: tuple[int, int]
) -> npt.NDArray[np.float64]:
    height, width = frame_hw
    dx = np.maximum(2 - boxes[:, 0], 0) - np.maximum(boxes[:, 2] - (width - 2), 0)
    dy = np.maximum(2 - boxes[:, 1], 0) - np.maximum(boxes[:, 3] - (height - 2), 0)
    return boxes + np.stack([dx, dy, dx, dy], axis=1)


def _centers(boxes: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return (boxes[:, :2] + boxes[:, 2:]) / 2


def _overlap(
    boxes: npt.NDArray[np.float64], taken: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Area (px2) of each box that lies on what is taken."""
    low = np.maximum(boxes[:, None, :2], taken[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], taken[None, :, 2:])
    return np.prod(np.clip(high - low, 0, None), axis=2).sum(axis=1)


def draw_leader(canvas: Canvas, thing: Box, label: Box, unit: float) -> None:
    """A thin line from a label to its deposit, if they do not touch."""
    start = _nearest(label, thing)
    end = _nearest(thing, label)
    if np.hypot(start[0] - end[0], start[1] - end[1]) > 6 * unit:
        canvas.line([start, end], INK, 2.2 * unit)
        canvas.line([start, end], PAPER, unit)


def _nearest(box: Box, to: Box) -> tuple[float, float]:
    """The point of `box` nearest the middle of `to`."""
    x, y = (to[0] + to[2]) / 2, (to[1] + to[3]) / 2
    return min(max(x, box[0]), box[2]), min(max(y, box[1]), box[3])
