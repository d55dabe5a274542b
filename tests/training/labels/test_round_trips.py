"""Every form of label gives back what was written to it, and reads what others write."""

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface
from fiberward.training.labels.check import check_folder
from fiberward.training.labels.coco import write_coco
from fiberward.training.labels.cvat import write_cvat
from fiberward.training.labels.folder import read_shop_data
from fiberward.training.labels.index_masks import write_masks
from fiberward.training.labels.label import NOT_ANNOTATED, Findings, PictureLabel
from fiberward.training.labels.labelme import write_labelme

from .made import HEIGHT, WIDTH, clean_label, picture_of, rich_label, same_deposits

NAMES = ("prise é 7-0.png", "コネクタ-1.png")


def write(form: str, labels: list[PictureLabel], folder: Path) -> None:
    if form == "COCO JSON":
        write_coco(labels, folder / "labels.json")
    elif form == "CVAT XML":
        write_cvat(labels, folder / "annotations.xml")
    for label in labels:
        if form == "labelme JSON":
            write_labelme(label, folder)
        elif form == "index masks":
            write_masks(label, folder)
        Image.fromarray(picture_of(label)).save(folder / label.picture)


@pytest.mark.parametrize("form", ["index masks", "COCO JSON", "labelme JSON", "CVAT XML"])
def test_masks_come_back_identical_rings_touching_and_empty_ones_too(
    form: str, tmp_path: Path
) -> None:
    labels = [rich_label(NAMES[0]), clean_label(NAMES[1])]
    write(form, labels, tmp_path)
    findings = Findings()
    data = read_shop_data(tmp_path, findings)
    assert findings.problems == []
    assert data.forms == {form: 2}
    found = {view.name: view.label for view in data.views}
    for label in labels:
        back = found[label.picture]
        np.testing.assert_array_equal(back.surface, label.surface)
        np.testing.assert_array_equal(back.kind, label.kind)
        assert same_deposits(back, label)


# What other programs write, by hand after their published descriptions.
SQUARE = [10, 5, 20, 5, 20, 15, 10, 15]  # x 10..20, y 5..15: pixel i covers [i, i + 1)


def one_picture(folder: Path) -> None:
    Image.fromarray(np.full((HEIGHT, WIDTH, 3), 90, np.uint8)).save(folder / "a-0.png")


def only_view(folder: Path) -> PictureLabel:
    report = check_folder(folder)
    assert [p for p in report.problems if p.stops] == []
    return report.data.views[0].label


def expected_square() -> np.ndarray:
    mask = np.zeros((HEIGHT, WIDTH), bool)
    mask[5:15, 10:20] = True
    return mask


def test_coco_polygons_and_plain_run_lengths_are_read(tmp_path: Path) -> None:
    one_picture(tmp_path)
    runs = [0, 3, HEIGHT * WIDTH - 3]  # down the first column, from the corner: COCO's order
    document = {
        "images": [{"id": 3, "file_name": "a-0.png", "height": HEIGHT, "width": WIDTH}],
        "categories": [{"id": 1, "name": "particle"}, {"id": 2, "name": "barrel"}],
        "annotations": [
            {"id": 1, "image_id": 3, "category_id": 1, "segmentation": [SQUARE]},
            {
                "id": 2,
                "image_id": 3,
                "category_id": 2,
                "segmentation": {"size": [HEIGHT, WIDTH], "counts": runs},
            },
        ],
    }
    (tmp_path / "instances.json").write_text(json.dumps(document))
    label = only_view(tmp_path)
    np.testing.assert_array_equal(label.kind == Kind.PARTICLE, expected_square())
    barrel = np.argwhere(label.surface == Surface.BARREL)
    assert barrel.tolist() == [[0, 0], [1, 0], [2, 0]]
    assert (label.surface == NOT_ANNOTATED).sum() == HEIGHT * WIDTH - 3


def test_labelme_polygons_are_read_wherever_the_file_was_written(tmp_path: Path) -> None:
    one_picture(tmp_path)
    points = [SQUARE[i : i + 2] for i in range(0, 8, 2)]
    document = {
        "shapes": [{"label": "lint", "points": points, "shape_type": "polygon"}],
        "imagePath": "..\\photos\\a-0.png",
        "imageHeight": HEIGHT,
        "imageWidth": WIDTH,
    }
    (tmp_path / "a-0.json").write_text(json.dumps(document))
    np.testing.assert_array_equal(only_view(tmp_path).kind == Kind.LINT, expected_square())


def test_cvat_polygons_boxes_and_order_are_read(tmp_path: Path) -> None:
    one_picture(tmp_path)
    (tmp_path / "job.xml").write_text(
        f"""<annotations><version>1.1</version>
        <image id="0" name="a-0.png" width="{WIDTH}" height="{HEIGHT}">
          <polygon label="film" points="10,5;20,5;20,15;10,15" z_order="1"/>
          <box label="endface" xtl="0" ytl="0" xbr="30" ybr="30" z_order="0"/>
          <mask label="liquid" rle="1, 2, 1" left="40" top="20" width="2" height="2" z_order="2"/>
          <polyline label="lint" points="1,1;5,5"/>
        </image></annotations>"""
    )
    report = check_folder(tmp_path)
    assert [p.found for p in report.problems if p.stops] == ["a polyline, which covers no area"]
    findings = Findings()
    from fiberward.training.labels.cvat import read_cvat
    from fiberward.training.labels.label_map import LabelMap

    text = (tmp_path / "job.xml").read_text()
    label = (read_cvat(text, "job.xml", LabelMap(), findings) or [])[0]
    np.testing.assert_array_equal(label.kind == Kind.FILM, expected_square())
    assert (label.surface == Surface.ENDFACE).sum() == 30 * 30
    assert np.argwhere(label.kind == Kind.LIQUID).tolist() == [[20, 41], [21, 40]]


def test_a_declared_label_map_translates_names_and_numbers(tmp_path: Path) -> None:
    one_picture(tmp_path)
    mask = np.zeros((HEIGHT, WIDTH), np.uint8)
    mask[:4] = 40
    Image.fromarray(mask).save(tmp_path / "a-0.deposits.png")
    (tmp_path / "label-map.toml").write_text("[deposit_ids]\n40 = 'lint'\n")
    assert (only_view(tmp_path).kind == Kind.LINT).sum() == 4 * WIDTH
