"""What we write, another library's readers understand alike: datumaro, where it is installed."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from fiberward.model.kinds import KIND_NAMES
from fiberward.training.labels.coco import write_coco
from fiberward.training.labels.cvat import write_cvat
from fiberward.training.labels.label import PictureLabel

from .made import picture_of, rich_label


def kinds_as_read(item: Any, categories: list[str], label: PictureLabel) -> np.ndarray:
    """The kind mask that the library's annotations of one picture make."""
    kind = np.zeros(label.size_hw, np.uint8)
    for annotation in item.annotations:
        name = categories[annotation.label]
        mask = getattr(annotation, "image", None)  # it adds a box to each mask of COCO's
        if name in KIND_NAMES and mask is not None:
            kind[mask.astype(bool)] = KIND_NAMES.index(name)
    return kind


@pytest.mark.parametrize("form", ["coco", "cvat"])
@pytest.mark.filterwarnings("ignore")
def test_another_reader_finds_the_same_deposits(form: str, tmp_path: Path) -> None:
    pytest.importorskip("datumaro")
    from datumaro.components.annotation import AnnotationType
    from datumaro.components.dataset import Dataset

    label = rich_label("a-0.png")
    if form == "coco":
        (tmp_path / "annotations").mkdir()
        write_coco([label], tmp_path / "annotations" / "instances_all.json")
    else:
        write_cvat([label], tmp_path / "annotations.xml")
    images = tmp_path / "images"
    images.mkdir(exist_ok=True)
    Image.fromarray(picture_of(label)).save(images / label.picture)
    found = Dataset.import_from(str(tmp_path), form)
    names = [category.name for category in found.categories()[AnnotationType.label]]
    (item,) = list(found)
    expected = np.where(label.kind < len(KIND_NAMES), label.kind, 0)
    np.testing.assert_array_equal(kinds_as_read(item, names, label), expected)
