"""Cutting a large picture into overlapping tiles, and the weights that blend them back.

All tiles of a picture have one shape (the last of a row or column may be up to 31 px shorter) and
start at multiples of 32 px, the net's deepest stride, so that a tile sees the same sampling phase
as the whole picture. In an overlap the weights are ramps that sum to 1, and a tile's outermost
`MARGIN_PX`, where its context is cut, has weight 0.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Span", "blend_shares", "spans", "tile_grid"]

STRIDE_PX = 32
OVERLAP_PX = 192
MARGIN_PX = 32
MOST_TILES = 64  # per side; 64 tiles of 1,000 px span any picture that fits in memory
MOST_OBLONG = 2.0


@dataclass(frozen=True)
class Span:
    """The half-open range [start, stop) of one tile along one side of `length` px."""

    start: int
    stop: int
    length: int

    def weight(self) -> npt.NDArray[np.float32]:
        """The blending weight of each pixel of the span, float32 in 0..1."""
        at = np.arange(self.stop - self.start, dtype=np.float32) + np.float32(0.5)
        rise, ramp = np.ones_like(at), np.float32(OVERLAP_PX - 2 * MARGIN_PX)
        if self.start > 0:
            rise = np.clip((at - MARGIN_PX) / ramp, 0, 1)
        if self.stop < self.length:
            left = np.float32(self.stop - self.start) - at
            rise = np.minimum(rise, np.clip((left - MARGIN_PX) / ramp, 0, 1))
        return rise.astype(np.float32)


def _up(value: float) -> int:
    return int(-(-value // STRIDE_PX)) * STRIDE_PX


def _side(length: int, count: int) -> int:
    """The side of `count` equal tiles that cover `length` with at least OVERLAP_PX in common."""
    if count == 1:
        return length
    return _up((length + (count - 1) * OVERLAP_PX) / count + STRIDE_PX)


def spans(length: int, count: int) -> tuple[Span, ...]:
    """`count` overlapping spans that cover 0..length."""
    side = _side(length, count)
    if count == 1:
        return (Span(0, length, length),)
    last = _up(max(length - side, 0))
    starts = [round(i * last / (count - 1) / STRIDE_PX) * STRIDE_PX for i in range(count)]
    return tuple(Span(start, min(start + side, length), length) for start in starts)


def blend_shares(along: tuple[Span, ...]) -> list[npt.NDArray[np.float32]]:
    """Each span's weights, scaled so that they sum to 1 at every pixel."""
    total = np.zeros(along[-1].stop, np.float32)
    for span in along:
        total[span.start : span.stop] += span.weight()
    return [span.weight() / total[span.start : span.stop] for span in along]


def tile_grid(
    size_hw: tuple[int, int], most_px: float
) -> tuple[tuple[Span, ...], tuple[Span, ...]]:
    """The rows and columns of the cheapest grid whose tiles hold at most `most_px` pixels.

    Tiles more oblong than 2:1 are avoided: the net needs context on all sides. A strip-like picture
    that allows no other grid gets them all the same.
    """
    height, width = size_hw
    best: tuple[float, int, int] | None = None
    for rows in range(1, MOST_TILES + 1):
        for cols in range(1, MOST_TILES + 1):
            h, w = _side(height, rows), _side(width, cols)
            if h * w > most_px:
                continue
            oblong = max(h, w) / min(h, w) > MOST_OBLONG
            cost = rows * cols * h * w * (4.0 if oblong else 1.0)
            if best is None or cost < best[0]:
                best = (cost, rows, cols)
            break  # more columns only cost more
    if best is None:
        raise ValueError(f"expected a picture that {MOST_TILES}^2 tiles can cover, got {size_hw}")
    return spans(height, best[1]), spans(width, best[2])
