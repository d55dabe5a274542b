"""COCO files of labels, held against COCO's own code (pycocotools) and retraining's reader."""

import json

import numpy as np
import pytest

from fiberward.inference.show.desk.coco import UNSURE, CocoFile
from fiberward.model.kinds import KIND_NAMES
from fiberward.model.surfaces import SURFACE_NAMES

coco_mask = pytest.importorskip("pycocotools.mask")


@pytest.fixture
def masks() -> tuple[np.ndarray, np.ndarray]:
    """Surfaces, a part of them not annotated; a ring, grains that touch at a corner, lint."""
    surfaces = np.repeat(np.array([0, 3, 4, 5], np.uint8), 15)[:, None].repeat(70, 1)
    surfaces[:9, :9] = 255
    deposits = np.zeros((60, 70), np.uint8)
    y, x = np.mgrid[:60, :70]
    away = np.hypot(y - 30, x - 30)
    deposits[(away < 12) & (away > 7)] = 3
    deposits[2:5, 40:43] = deposits[5:8, 43:46] = 1
    deposits[50, 3:60] = 2
    deposits[0:4, 60:70] = 255
    deposits[59, 69] = 1
    return surfaces, deposits


def document(masks) -> dict:
    file = CocoFile()
    file.add("plug 5/é.png", *masks)
    return json.loads(json.dumps(file.document()))


# its compiled part has not heard of numpy 2's `copy`
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_coco_s_own_code_gives_every_pixel_back(masks):
    surfaces, deposits = masks
    found = document(masks)
    names = {row["id"]: row["name"] for row in found["categories"]}
    back = {"surface": np.full((60, 70), 255, np.uint8), "deposit": np.zeros((60, 70), np.uint8)}
    for row in found["annotations"]:
        runs = coco_mask.frPyObjects(row["segmentation"], 60, 70)
        mask = coco_mask.decode(runs).astype(bool)
        assert mask.sum() == row["area"] == coco_mask.area(runs)
        assert list(coco_mask.toBbox(runs)) == row["bbox"]
        name = names[row["category_id"]]
        if name in SURFACE_NAMES:
            back["surface"][mask] = SURFACE_NAMES.index(name)
        else:
            back["deposit"][mask] = 255 if name == UNSURE else KIND_NAMES.index(name)
    assert np.array_equal(back["surface"], surfaces)
    assert np.array_equal(back["deposit"], deposits)


def test_there_is_one_annotation_for_each_deposit(masks):
    found = document(masks)
    names = {row["id"]: row["name"] for row in found["categories"]}
    kinds = [names[row["category_id"]] for row in found["annotations"]]
    # corners touch: the two grains are one piece, as everywhere here (8 neighbours)
    assert [kinds.count(name) for name in ("particle", "lint", "film", UNSURE)] == [2, 1, 1, 1]
    assert len({row["id"] for row in found["annotations"]}) == len(found["annotations"])


def test_retraining_reads_the_same_labels_from_it(masks):
    from fiberward.training.labels.coco import read_coco
    from fiberward.training.labels.label import Findings
    from fiberward.training.labels.label_map import LabelMap

    findings = Findings()
    [label] = read_coco(document(masks), "labels-coco.json", LabelMap(), findings)
    assert findings.problems == []
    assert label.picture == "plug 5/é.png"
    assert np.array_equal(label.surface, masks[0])
    assert np.array_equal(label.kind, masks[1])
