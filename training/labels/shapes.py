"""Labels as named shapes: what COCO, labelme and CVAT files hold.

Reading: shapes are painted in the file's own order, a later one over an earlier one. Pixels in no
surface's shape are not annotated; pixels in no deposit's shape are clean, since nobody draws those.
Writing: one shape per surface and one per deposit, as masks, so that holes and touching deposits
come back as they were. A polygon covers the pixels that COCO's own code gives it.
"""

import warnings
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.kinds import KIND_NAMES
from ...model.surfaces import SURFACE_NAMES
from .label import NOT_ANNOTATED, Findings, PictureLabel
from .label_map import UNSURE, LabelMap

__all__ = [
    "Shape",
    "decoded",
    "ellipse_shape",
    "mask_of_runs",
    "painted",
    "polygon_shape",
    "runs_of",
    "shape_of_mask",
    "shapes_of",
    "stated_size",
    "unpacked_runs",
]

Mask = npt.NDArray[np.bool_]
MOST_PX = 200_000_000  # nothing is set aside for a size beyond any picture that can be read
ASSUMED = (
    "pixels in no deposit's shape are clean, pixels in no surface's shape are not annotated; "
    "where shapes overlap, the later one counts"
)


@dataclass(frozen=True)
class Shape:
    """A named mask; mask[0, 0] is the picture's pixel (row y, column x)."""

    name: str
    y: int
    x: int
    mask: Mask


def stated_size(height: Any, width: Any) -> tuple[int, int]:
    """Rows and columns as a file states them; ValueError for no or an absurd size."""
    try:
        size = int(height), int(width)
    except OverflowError as error:  # JSON may hold 1e999
        raise ValueError(f"a picture of {width} x {height} px") from error
    if min(size) < 1 or size[0] * size[1] > MOST_PX:
        raise ValueError(f"a picture of {size[1]} x {size[0]} px")
    return size


def shape_of_mask(name: str, mask: Mask, y: int = 0, x: int = 0) -> Shape | None:
    """The shape of a mask, cut to what it covers; None for an empty one."""
    rows, cols = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    if not rows.size:
        return None
    top, left = int(rows[0]), int(cols[0])
    cut = mask[top : int(rows[-1]) + 1, left : int(cols[-1]) + 1]
    return Shape(name, y + top, x + left, cut.copy())


def polygon_shape(
    name: str, rings_xy: Sequence[Sequence[float]], size_hw: tuple[int, int]
) -> Shape | None:
    """The union of polygons, each x0, y0, x1, y1, ... in px; None if it covers no pixel.

    ValueError for a ring that is none, or whose points lie farther out than a picture's size.
    """
    for ring in rings_xy:
        refuse_odd_ring(name, ring, size_hw)
    kit: Any = import_module("pycocotools.mask")
    height, width = size_hw
    runs = kit.frPyObjects([list(map(float, ring)) for ring in rings_xy], height, width)
    return shape_of_mask(name, decoded(kit.merge(runs)))


def refuse_odd_ring(name: str, ring_xy: Sequence[float], size_hw: tuple[int, int]) -> None:
    """COCO's own code believes what it gets: it takes two points for a box, and a point that is no
    number, or is a million pixels away, ends the whole program.
    """
    if len(ring_xy) < 6 or len(ring_xy) % 2:
        raise ValueError(f"a {name!r} polygon of {len(ring_xy) / 2:g} points")
    for k, value in enumerate(ring_xy):
        side = size_hw[1 - k % 2]
        if not -side <= float(value) <= 2 * side:  # also true of what is no number
            raise ValueError(f"a {name!r} polygon with a point at {'yx'[(k + 1) % 2]} = {value}")


def mask_of_runs(runs: Sequence[int], size_hw: tuple[int, int]) -> Mask:
    """bool [H, W] of run lengths down the columns, beginning outside.

    ValueError unless they fill the picture: COCO's own code leaves the rest as memory had it.
    """
    height, width = size_hw
    if min(runs, default=-1) < 0 or sum(runs) != height * width:
        raise ValueError(f"run lengths of {sum(runs)} px for {width} x {height}")
    inside = np.arange(len(runs)) % 2 == 1
    return np.repeat(inside, runs).reshape(width, height).T


def unpacked_runs(text: str) -> list[int]:
    """COCO's compressed run lengths as numbers: 5 bits a letter, lowest first, each from the third
    on as its difference to the last but one. ValueError for text that is none.
    """
    runs: list[int] = []
    value = shift = 0
    for letter in text:
        bits = ord(letter) - 48
        if not 0 <= bits < 64 or shift > 60:
            raise ValueError(f"run lengths with {letter!r}")
        value |= (bits & 31) << shift
        shift += 5
        if not bits & 32:
            value -= (1 << shift) if bits & 16 else 0
            runs.append(value + (runs[-2] if len(runs) > 2 else 0))
            value = shift = 0
    if shift:
        raise ValueError("run lengths cut off")
    return runs


def decoded(runs: Any) -> Mask:
    """bool [H, W] of COCO's compressed run lengths, as its own code made them."""
    kit: Any = import_module("pycocotools.mask")
    with warnings.catch_warnings():  # its compiled part has not heard of numpy 2's `copy`
        warnings.simplefilter("ignore", DeprecationWarning)
        return kit.decode(runs).astype(bool)


def ellipse_shape(
    name: str, centre_xy: tuple[float, float], radii_xy: tuple[float, float], size_hw: Any
) -> Shape | None:
    """Pixels whose centre lies in an ellipse along the axes."""
    y, x = np.mgrid[: size_hw[0], : size_hw[1]] + 0.5
    (cx, cy), (rx, ry) = centre_xy, radii_xy
    inside = ((x - cx) / max(rx, 1e-9)) ** 2 + ((y - cy) / max(ry, 1e-9)) ** 2 <= 1
    return shape_of_mask(name, inside)


def runs_of(flat: npt.NDArray[np.bool_]) -> list[int]:
    """Run lengths of a flat mask, beginning with the (perhaps no) pixels outside it."""
    edges = np.flatnonzero(np.diff(flat.view(np.uint8))) + 1
    bounds = np.concatenate([[0], edges, [flat.size]])
    runs = np.diff(bounds).tolist()
    return [0, *runs] if flat.size and flat[0] else runs


def shapes_of(label: PictureLabel) -> Iterator[Shape]:
    """A label's surfaces, then its deposits, then where deposits are not annotated."""
    for index, name in enumerate(SURFACE_NAMES):
        yield from _one(name, label.surface == index)
    for number in (int(n) for n in np.unique(label.instance) if n):
        mask = label.instance == number
        for index in (int(k) for k in np.unique(label.kind[mask])):
            if 0 < index < len(KIND_NAMES):
                yield from _one(KIND_NAMES[index], mask & (label.kind == index))
    yield from _one(UNSURE, label.kind == NOT_ANNOTATED)


def _one(name: str, mask: Mask) -> Iterator[Shape]:
    shape = shape_of_mask(name, mask)
    if shape is not None:
        yield shape


def painted(
    picture: str,
    size_hw: tuple[int, int],
    shapes: Iterable[Shape],
    names: LabelMap,
    findings: Findings,
) -> PictureLabel:
    """The label that the shapes make; unknown names are noted and left out."""
    surface = np.full(size_hw, NOT_ANNOTATED, np.uint8)
    kind = np.zeros(size_hw, np.uint8)
    instance = np.zeros(size_hw, np.int32)
    unknown: dict[str, int] = {}
    for number, shape in enumerate(shapes, 1):
        if shape.name not in names.names:
            unknown[shape.name] = unknown.get(shape.name, 0) + int(shape.mask.sum())
            continue
        meaning = names.names[shape.name]
        if meaning is None:
            continue
        window, mask = _cut(shape, size_hw, picture, findings)
        if meaning.layer == "surface":
            surface[window][mask] = meaning.index
        else:
            kind[window][mask] = meaning.index
            is_deposit = 0 < meaning.index < len(KIND_NAMES)
            instance[window][mask] = number if is_deposit else 0
    for name, pixels in unknown.items():
        known = ", ".join(names.names)
        findings.problem(
            picture, f"labels among {known}, or an entry in label-map.toml",
            f"{name!r} on {pixels} px",
        )  # fmt: skip
    findings.assume(ASSUMED)
    return PictureLabel(picture, surface, kind, instance)


def _cut(
    shape: Shape, size_hw: tuple[int, int], picture: str, findings: Findings
) -> tuple[Any, Mask]:
    """Where the shape lies in the picture, and its mask there; what sticks out is noted."""
    h, w = shape.mask.shape
    y0, x0 = max(shape.y, 0), max(shape.x, 0)
    y1, x1 = min(shape.y + h, size_hw[0]), min(shape.x + w, size_hw[1])
    mask = shape.mask[y0 - shape.y : max(y1 - shape.y, 0), x0 - shape.x : max(x1 - shape.x, 0)]
    lost = int(shape.mask.sum()) - int(mask.sum())
    if lost:
        findings.problem(
            picture,
            f"shapes within {size_hw[1]} x {size_hw[0]} px",
            f"{lost} px of a {shape.name!r} outside",
        )
    return np.s_[y0 : y0 + mask.shape[0], x0 : x0 + mask.shape[1]], mask
