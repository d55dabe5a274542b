"""Labels that a person paints: strokes in a journal, masks painted from them, files for retraining.

A picture's journal is one JSON line per stroke, each flushed to the disk before it is answered for;
masks are always painted anew from it, so nothing is lost with the page or the server. The page
paints with the same arithmetic (`static/paint.js`), so both come to the same pixels.

A pixel (column c, row r) belongs to a stroke where its centre (c + 0.5, r + 0.5) does: within
`radius` px of the line through `points` (brush), inside the closed line by the even-odd rule
(polygon), in the 4-connected area of what is shown round the point (flood), or wherever nothing is
annotated and the net says `value` (accept; null: whatever it says).
"""

import json
import math
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from ....model.errors import UsageError
from ....model.kinds import KIND_NAMES
from ....model.surfaces import SURFACE_NAMES
from .shelf import EXTRAS, Case

__all__ = [
    "NOT_ANNOTATED",
    "PLANES",
    "add_stroke",
    "checked_stroke",
    "paint",
    "read_strokes",
    "undone",
]

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float64]
NOT_ANNOTATED = 255
PLANES = {"deposits": KIND_NAMES, "surfaces": SURFACE_NAMES}
TOOLS = ("brush", "polygon", "flood", "accept", "undo")
MOST_POINTS, MOST_RADIUS_PX, MOST_STROKES = 20_000, 400.0, 20_000


def checked_stroke(given: Mapping[str, Any], size_hw: tuple[int, int]) -> dict[str, Any]:
    """A stroke as it is kept; raises UsageError for what is none on a picture of that size."""
    tool, plane = given.get("tool"), given.get("plane")
    if tool not in TOOLS or plane not in tuple(PLANES):
        raise UsageError(f"expected one of {', '.join(TOOLS)} on one of {', '.join(PLANES)}")
    stroke: dict[str, Any] = {"tool": tool, "plane": plane}
    if tool == "undo":
        return stroke
    value = given.get("value")
    known = (*range(len(PLANES[plane])), NOT_ANNOTATED, *([None] if tool == "accept" else []))
    if value not in known or isinstance(value, bool):
        raise UsageError(f"value: {value!r} is none of the plane's indices")
    stroke["value"] = value
    if tool != "accept":
        stroke["points"] = _points(given.get("points"), size_hw)
    if tool == "brush":
        radius = given.get("radius")
        if not isinstance(radius, int | float) or not 0 < radius <= MOST_RADIUS_PX:
            raise UsageError(f"radius: expected up to {MOST_RADIUS_PX:g} px")
        stroke["radius"] = float(radius)
    return stroke


def _points(given: Any, size_hw: tuple[int, int]) -> list[list[float]]:
    points = cast(Sequence[Any], given)
    if not isinstance(given, list) or not 0 < len(points) <= MOST_POINTS:
        raise UsageError(f"points: expected 1 to {MOST_POINTS}")
    height, width = size_hw
    kept: list[list[float]] = []
    for point in points:
        try:
            x, y = (float(each) for each in point)
        except (TypeError, ValueError, OverflowError) as error:
            raise UsageError("points: expected pairs of numbers") from error
        if not (-width <= x <= 2 * width and -height <= y <= 2 * height):
            raise UsageError("points: one lies far outside the picture")
        kept.append([x, y])
    return kept


def _journal(case: Case, index: int) -> Path:
    return case.folder / EXTRAS / f"labels-{index}.jsonl"


def read_strokes(case: Case, index: int) -> list[dict[str, Any]]:
    """All strokes of a picture, also those undone; a last line cut short by a crash is left out."""
    try:
        data = _journal(case, index).read_bytes()
    except OSError:
        return []
    return [json.loads(line) for line in data[: data.rfind(b"\n") + 1].splitlines()]


def add_stroke(case: Case, index: int, number: int, stroke: Mapping[str, Any]) -> int:
    """Add the stroke that is the `number`th (from 0); how many there are then.

    One that is there already (sent again after a cut connection) is left as it is. Raises
    UsageError where another page has painted meanwhile.
    """
    strokes = read_strokes(case, index)
    if number < len(strokes) and strokes[number] == stroke:
        return len(strokes)
    if number != len(strokes) or number >= MOST_STROKES:
        raise UsageError("another page has painted on this picture; load it again")
    path = _journal(case, index)
    kept = path.read_bytes() if path.exists() else b""
    with path.open("r+b" if kept else "wb") as file:
        file.truncate(kept.rfind(b"\n") + 1)
        file.seek(0, os.SEEK_END)
        file.write(json.dumps(stroke, separators=(",", ":")).encode() + b"\n")
        file.flush()
        os.fsync(file.fileno())
    return number + 1


def undone(strokes: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The strokes that hold: each undo takes back the last one of its plane."""
    kept: list[Mapping[str, Any]] = []
    for stroke in strokes:
        if stroke["tool"] != "undo":
            kept.append(stroke)
            continue
        for at in range(len(kept) - 1, -1, -1):
            if kept[at]["plane"] == stroke["plane"]:
                del kept[at]
                break
    return kept


def paint(strokes: Sequence[Mapping[str, Any]], plane: str, net: Bytes) -> Bytes:
    """A plane's mask, uint8 [H, W], 255 where nothing is annotated; `net`: what the net says."""
    mask = np.full(net.shape, NOT_ANNOTATED, np.uint8)
    for stroke in undone(strokes):
        if stroke["plane"] == plane:
            _PAINT[stroke["tool"]](mask, stroke, net)
    return mask


def _brush(mask: Bytes, stroke: Mapping[str, Any], net: Bytes) -> None:
    points: list[list[float]] = stroke["points"]
    radius: float = stroke["radius"]
    for k in range(max(1, len(points) - 1)):
        x0, y0 = points[k]
        x1, y1 = points[min(k + 1, len(points) - 1)]
        left = max(0, math.floor(min(x0, x1) - radius))
        top = max(0, math.floor(min(y0, y1) - radius))
        right = min(mask.shape[1], math.ceil(max(x0, x1) + radius))
        bottom = min(mask.shape[0], math.ceil(max(y0, y1) + radius))
        if right <= left or bottom <= top:
            continue
        px: Floats = np.arange(left, right, dtype=np.float64) + 0.5
        py: Floats = np.arange(top, bottom, dtype=np.float64)[:, None] + 0.5
        dx, dy = x1 - x0, y1 - y0
        length = dx * dx + dy * dy
        along: Floats = np.zeros((bottom - top, right - left))
        if length > 0:
            along = np.clip(((px - x0) * dx + (py - y0) * dy) / length, 0.0, 1.0)
        away_x, away_y = px - (x0 + along * dx), py - (y0 + along * dy)
        hit = away_x * away_x + away_y * away_y <= radius * radius
        mask[top:bottom, left:right][hit] = stroke["value"]


def _polygon(mask: Bytes, stroke: Mapping[str, Any], net: Bytes) -> None:
    points: list[list[float]] = stroke["points"]
    height, width = mask.shape
    top = max(0, math.floor(min(y for _, y in points)))
    bottom = min(height, math.ceil(max(y for _, y in points)))
    for row in range(top, bottom):
        y = row + 0.5
        crossings: list[float] = []
        for (x0, y0), (x1, y1) in zip(points, [*points[1:], points[0]], strict=True):
            if (y0 <= y) != (y1 <= y):
                crossings.append(x0 + ((y - y0) / (y1 - y0)) * (x1 - x0))
        crossings.sort()
        for a, b in zip(crossings[::2], crossings[1::2], strict=True):
            start, end = max(0, math.ceil(a - 0.5)), min(width, math.ceil(b - 0.5))
            if end > start:
                mask[row, start:end] = stroke["value"]


def _flood(mask: Bytes, stroke: Mapping[str, Any], net: Bytes) -> None:
    import cv2

    x, y = (math.floor(each) for each in stroke["points"][0])
    if not (0 <= x < mask.shape[1] and 0 <= y < mask.shape[0]):
        return
    shown = np.where(mask == NOT_ANNOTATED, net, mask)
    same = (shown == shown[y, x]).astype(np.uint8)
    labels = cast(npt.NDArray[np.int32], cv2.connectedComponents(same, connectivity=4)[1])
    mask[labels == labels[y, x]] = stroke["value"]


def _accept(mask: Bytes, stroke: Mapping[str, Any], net: Bytes) -> None:
    free = mask == NOT_ANNOTATED
    if stroke["value"] is not None:
        free &= net == stroke["value"]
    mask[free] = net[free]


_PAINT = {"brush": _brush, "polygon": _polygon, "flood": _flood, "accept": _accept}
