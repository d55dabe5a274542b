"""labelme JSON, one file per picture: polygons, rectangles, circles and masks in, masks out."""

import base64
import io
import json
import math
from pathlib import Path, PureWindowsPath
from typing import Any, cast

import numpy as np

from .label import Findings, PictureLabel
from .label_map import LabelMap
from .shapes import (
    Shape,
    ellipse_shape,
    painted,
    polygon_shape,
    shape_of_mask,
    shapes_of,
    stated_size,
)

# what numbers, Pillow and base64 raise for a shape that is none
AMISS = KeyError, TypeError, ValueError, OverflowError, OSError, SyntaxError

__all__ = ["is_labelme", "read_labelme", "write_labelme"]


def is_labelme(document: Any) -> bool:
    """Whether a JSON document looks like labelme's."""
    return isinstance(document, dict) and {"shapes", "imagePath"} <= set(
        cast(dict[str, Any], document)
    )


def picture_of(document: dict[str, Any], file: str) -> str:
    """The picture's path from the label file's own folder; only its name is believed.

    Both kinds of slashes occur: files written on one system are read on another.
    """
    name = PureWindowsPath(str(document["imagePath"])).name
    folder = file.rpartition("/")[0]
    return f"{folder}/{name}" if folder else name


def read_labelme(
    document: dict[str, Any], file: str, names: LabelMap, findings: Findings
) -> PictureLabel | None:
    """The label of one picture; None (and a problem noted) where the file is amiss.

    file: its path relative to the data's folder.
    """
    picture = picture_of(document, file)
    try:
        size = stated_size(document["imageHeight"], document["imageWidth"])
        rows: list[Any] = list(document["shapes"])
    except (KeyError, TypeError, ValueError) as error:
        findings.problem(file, "shapes, imageHeight and imageWidth", f"{error!r} amiss")
        return None
    shapes: list[Shape] = []
    for row in rows:
        try:
            shape = _shape(row, size)
        except AMISS as error:
            findings.problem(picture, "polygon, rectangle, circle or mask shapes", str(error))
            continue
        if shape is not None:
            shapes.append(shape)
    return painted(picture, size, shapes, names, findings)


def _shape(row: Any, size_hw: tuple[int, int]) -> Shape | None:
    name, form = str(row["label"]), str(row.get("shape_type") or "polygon")
    points = [(float(x), float(y)) for x, y in row["points"]]
    if form == "polygon":
        return polygon_shape(name, [[v for point in points for v in point]], size_hw)
    if form == "rectangle":
        (x0, y0), (x1, y1) = points
        return polygon_shape(name, [[x0, y0, x1, y0, x1, y1, x0, y1]], size_hw)
    if form == "circle":
        centre, rim = points
        radius = math.dist(centre, rim)
        return ellipse_shape(name, centre, (radius, radius), size_hw)
    if form == "mask":
        return _mask(name, points, str(row["mask"]))
    raise ValueError(f"a {name!r} of the form {form!r}, which covers no area")


def _mask(name: str, points: list[tuple[float, float]], text: str) -> Shape | None:
    """A mask shape: the corner pixels (both inside) and a picture of the mask between them."""
    from PIL import Image

    (x0, y0), (x1, y1) = ((round(x), round(y)) for x, y in points)
    try:
        with Image.open(io.BytesIO(base64.b64decode(text, validate=True))) as picture:
            mask = np.asarray(picture).astype(bool)
    except Image.DecompressionBombError as error:
        raise ValueError(str(error)) from error
    if mask.shape != (y1 - y0 + 1, x1 - x0 + 1):
        raise ValueError(f"a {name!r} mask of {mask.shape} between {points}")
    return shape_of_mask(name, mask, y0, x0)


def write_labelme(label: PictureLabel, folder: Path) -> Path:
    """Write STEM.json beside where the picture lies in `folder`; gives its path."""
    from PIL import Image

    rows: list[Any] = []
    for shape in shapes_of(label):
        buffer = io.BytesIO()
        Image.fromarray(shape.mask.astype(np.uint8)).save(buffer, format="PNG")
        h, w = shape.mask.shape
        corners = [[shape.x, shape.y], [shape.x + w - 1, shape.y + h - 1]]
        rows.append(
            {
                "label": shape.name,
                "points": corners,
                "group_id": None,
                "shape_type": "mask",
                "flags": {},
                "mask": base64.b64encode(buffer.getvalue()).decode("ascii"),
            }
        )
    picture = folder / label.picture
    document: dict[str, Any] = {
        "version": "5.4.1",
        "flags": {},
        "shapes": rows,
        "imagePath": picture.name,
        "imageData": None,
        "imageHeight": label.size_hw[0],
        "imageWidth": label.size_hw[1],
    }
    path = picture.with_suffix(".json")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(document, ensure_ascii=False), encoding="utf-8")
    return path
