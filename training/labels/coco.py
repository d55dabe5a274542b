"""COCO JSON: polygons and run lengths in, run lengths out (polygons would lose holes)."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, cast

import numpy as np

from ...model.kinds import KIND_NAMES
from ...model.surfaces import SURFACE_NAMES
from .label import Findings, PictureLabel
from .label_map import UNSURE, LabelMap
from .shapes import (
    Shape,
    mask_of_runs,
    painted,
    polygon_shape,
    runs_of,
    shape_of_mask,
    shapes_of,
    stated_size,
    unpacked_runs,
)

__all__ = ["is_coco", "read_coco", "write_coco"]


def is_coco(document: Any) -> bool:
    """Whether a JSON document looks like COCO's."""
    return isinstance(document, dict) and {"images", "annotations", "categories"} <= set(
        cast(dict[str, Any], document)
    )


def read_coco(
    document: dict[str, Any], where: str, names: LabelMap, findings: Findings
) -> list[PictureLabel]:
    """The labels of all pictures that the file lists, in its order.

    A listed picture without annotations is clean. where: the file's name, for messages.
    """
    try:
        categories = {int(row["id"]): str(row["name"]) for row in document["categories"]}
        pictures = [_Picture.of(row) for row in document["images"]]
        rows: dict[int, list[Any]] = {picture.id: [] for picture in pictures}
        if len(rows) < len(pictures):
            raise ValueError("two images of one id")
        for row in document["annotations"]:
            rows.setdefault(int(row["image_id"]), []).append(row)
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        findings.problem(where, "COCO's images, annotations and categories", f"{error!r} amiss")
        return []
    known = {picture.id for picture in pictures}
    lost = sum(len(each) for key, each in rows.items() if key not in known)
    if lost:
        findings.problem(where, "annotations of listed images", f"{lost} of images not listed")
    labels: list[PictureLabel] = []
    for picture in pictures:
        shapes = [_shape(row, picture, categories, findings) for row in rows[picture.id]]
        kept = (shape for shape in shapes if shape is not None)
        labels.append(painted(picture.name, picture.size_hw, kept, names, findings))
    findings.assume(f"{where}: pictures listed without annotations are clean")
    return labels


@dataclass(frozen=True)
class _Picture:
    id: int
    name: str
    size_hw: tuple[int, int]

    @classmethod
    def of(cls, row: Any) -> "_Picture":
        size = stated_size(row["height"], row["width"])
        return cls(int(row["id"]), str(row["file_name"]).replace("\\", "/"), size)


def _shape(
    row: Any, picture: _Picture, categories: dict[int, str], findings: Findings
) -> Shape | None:
    try:
        name = categories.get(int(row["category_id"]), f"category {row['category_id']}")
        segmentation = row.get("segmentation")
        if not segmentation:
            findings.problem(
                picture.name, "a segmentation per annotation", f"a {name!r} with a box only"
            )
            return None
        if isinstance(segmentation, list):
            return polygon_shape(name, cast(Any, segmentation), picture.size_hw)
        if tuple(segmentation["size"]) != picture.size_hw:
            raise ValueError(f"run lengths of size {segmentation['size']}")
        counts = segmentation["counts"]
        runs = cast(list[int], counts) if isinstance(counts, list) else unpacked_runs(str(counts))
        return shape_of_mask(name, mask_of_runs(runs, picture.size_hw))
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        height, width = picture.size_hw
        findings.problem(
            picture.name, f"polygons or run lengths of {width} x {height} px", f"{error}"
        )
        return None


def write_coco(labels: Iterable[PictureLabel], path: Path) -> None:
    """Write labels as one COCO file: a compressed run length per surface and per deposit."""
    kit: Any = import_module("pycocotools.mask")
    names = [*SURFACE_NAMES, *KIND_NAMES[1:], UNSURE]
    images: list[Any] = []
    rows: list[Any] = []
    for number, label in enumerate(labels, 1):
        height, width = label.size_hw
        images.append(
            {"id": number, "file_name": label.picture, "width": width, "height": height}
        )  # fmt: skip
        for shape in shapes_of(label):
            full = np.zeros((width, height), bool)  # run lengths go down the columns
            h, w = shape.mask.shape
            full[shape.x : shape.x + w, shape.y : shape.y + h] = shape.mask.T
            runs = {"size": [height, width], "counts": runs_of(full.ravel())}
            packed = kit.frPyObjects(runs, height, width)
            rows.append(
                {
                    "id": len(rows) + 1,
                    "image_id": number,
                    "category_id": names.index(shape.name) + 1,
                    "segmentation": {
                        "size": [height, width], "counts": packed["counts"].decode("ascii"),
                    },
                    "area": int(shape.mask.sum()),
                    "bbox": [shape.x, shape.y, w, h],
                    "iscrowd": 1,
                }
            )  # fmt: skip
    groups = {
        **dict.fromkeys(SURFACE_NAMES, "surface"),
        **dict.fromkeys(names[len(SURFACE_NAMES) :], "deposit"),
    }
    categories = [
        {"id": i, "name": name, "supercategory": groups[name]} for i, name in enumerate(names, 1)
    ]
    document = {"images": images, "annotations": rows, "categories": categories}
    path.write_text(json.dumps(document, ensure_ascii=False), encoding="utf-8")
