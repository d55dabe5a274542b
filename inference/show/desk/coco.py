"""Labels as one COCO JSON file, for other people's programs; retraining takes the masks.

Run lengths down the columns, uncompressed, which every reader of the format takes; polygons would
lose holes. Pixels that nobody annotated are a category of their own: elsewhere the format takes
what has no annotation for clean.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from ....model.kinds import KIND_NAMES
from ....model.surfaces import SURFACE_NAMES
from ...see.pieces import connected_pieces
from .labels import NOT_ANNOTATED

__all__ = ["UNSURE", "CocoFile"]

Bytes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]
UNSURE = "not annotated"  # of deposits; as the label map of retraining calls it
NAMES = (*SURFACE_NAMES, *KIND_NAMES[1:], UNSURE)


class CocoFile:
    """Collects pictures and their labels."""

    def __init__(self) -> None:
        self._images: list[dict[str, Any]] = []
        self._annotations: list[dict[str, Any]] = []

    def add(self, file_name: str, surfaces: Bytes, deposits: Bytes) -> None:
        """One picture with its masks, uint8 [H, W], 255 where nobody said."""
        height, width = surfaces.shape
        size = {"width": width, "height": height}
        self._images.append({"id": len(self._images) + 1, "file_name": file_name, **size})
        for index, name in enumerate(SURFACE_NAMES):
            self._annotate(name, surfaces == index)
        for index, name in enumerate(KIND_NAMES[1:], 1):
            pieces = connected_pieces(deposits == index)
            for number in range(1, len(pieces.area)):
                self._annotate(name, pieces.labels == number)
        self._annotate(UNSURE, deposits == NOT_ANNOTATED)

    def document(self) -> dict[str, Any]:
        """The file's content as JSON values."""
        groups = ["surface"] * len(SURFACE_NAMES) + ["deposit"] * len(KIND_NAMES)
        categories = [
            {"id": number, "name": name, "supercategory": group}
            for number, (name, group) in enumerate(zip(NAMES, groups, strict=True), 1)
        ]
        parts = {"images": self._images, "annotations": self._annotations}
        return {**parts, "categories": categories}

    def _annotate(self, name: str, mask: Mask) -> None:
        rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
        if not rows.size:
            return
        x, y = int(columns[0]), int(rows[0])
        box = [x, y, int(columns[-1]) + 1 - x, int(rows[-1]) + 1 - y]
        self._annotations.append(
            {
                "id": len(self._annotations) + 1,
                "image_id": len(self._images),
                "category_id": NAMES.index(name) + 1,
                "segmentation": {"size": list(mask.shape), "counts": _runs(mask.T.ravel())},
                "area": int(np.count_nonzero(mask)),
                "bbox": box,
                "iscrowd": 1,  # so the format calls run lengths
            }
        )


def _runs(flat: Mask) -> list[int]:
    """Run lengths of a flat mask, beginning with the (perhaps no) pixels outside it."""
    edges = np.flatnonzero(np.diff(flat.view(np.uint8))) + 1
    runs = np.diff(np.concatenate([[0], edges, [flat.size]])).tolist()
    return [0, *runs] if flat[0] else runs
