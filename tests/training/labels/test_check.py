"""The check lists what is wrong with a shop's data: which file, what was expected, what found."""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fiberward.training.labels.check import CheckReport, check_folder
from fiberward.training.labels.index_masks import write_masks
from fiberward.training.labels.label import NOT_ANNOTATED, PictureLabel

from .made import HEIGHT, WIDTH, picture_of, rich_label


def shop(folder: Path, names: tuple[str, ...] = ("a-0.png", "b-0.png")) -> Path:
    for k, name in enumerate(names):
        label = rich_label(name)
        picture = picture_of(label)
        picture[:, :, k % 3] //= 2  # so that no two pictures have the same bytes
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        Image.fromarray(picture).save(folder / name)
        write_masks(label, folder)
    return folder


def stopping(report: CheckReport) -> list[tuple[str, str]]:
    return [(problem.file, problem.found) for problem in report.problems if problem.stops]


def test_good_data_has_no_problem_and_says_what_it_assumed(tmp_path: Path) -> None:
    report = check_folder(shop(tmp_path))
    assert stopping(report) == []
    assert len(report.data.views) == 2
    assert {view.connector for view in report.data.views} == {"a", "b"}
    assert any("share their name" in text for text in report.assumed)


def test_a_mask_of_another_size_is_named_with_both_sizes(tmp_path: Path) -> None:
    shop(tmp_path)
    Image.fromarray(np.zeros((20, 30), np.uint8)).save(tmp_path / "a-0.deposits.png")
    report = check_folder(tmp_path)
    assert stopping(report) == [("a-0.deposits.png", "30 x 20")]
    assert f"{WIDTH} x {HEIGHT}" in report.problems[0].expected
    assert [view.name for view in report.data.views] == ["b-0.png"]


def test_unknown_numbers_are_listed_with_their_pixels(tmp_path: Path) -> None:
    shop(tmp_path)
    mask = np.zeros((HEIGHT, WIDTH), np.uint8)
    mask[0, :7], mask[1, :3] = 77, 12
    Image.fromarray(mask).save(tmp_path / "a-0.deposits.png")
    assert stopping(check_folder(tmp_path)) == [("a-0.deposits.png", "12 on 3 px, 77 on 7 px")]


def test_a_lossy_mask_is_refused(tmp_path: Path) -> None:
    shop(tmp_path)
    with Image.open(tmp_path / "a-0.deposits.png") as mask:
        Image.fromarray(np.asarray(mask)).save(tmp_path / "a-0.deposits.jpg", quality=60)
    (tmp_path / "a-0.deposits.png").unlink()
    (file, found), *others = stopping(check_folder(tmp_path))
    assert file == "a-0.deposits.jpg"
    assert found.startswith("a lossy jpg with ")
    assert others == []


def test_a_coloured_mask_is_refused(tmp_path: Path) -> None:
    shop(tmp_path)
    Image.fromarray(np.zeros((HEIGHT, WIDTH, 3), np.uint8)).save(tmp_path / "a-0.surfaces.png")
    assert stopping(check_folder(tmp_path)) == [
        ("a-0.surfaces.png", "3 channels: a coloured picture")
    ]


def test_a_palette_mask_is_read_by_its_indices(tmp_path: Path) -> None:
    shop(tmp_path)
    label = rich_label("a-0.png")
    palette = Image.fromarray(label.kind, mode="P")
    palette.putpalette([(i * 37) % 256 for i in range(768)])
    palette.save(tmp_path / "a-0.deposits.png")
    report = check_folder(tmp_path)
    assert stopping(report) == []
    np.testing.assert_array_equal(report.data.views[0].label.kind, label.kind)


def test_a_missing_mask_means_not_annotated_and_is_said(tmp_path: Path) -> None:
    shop(tmp_path)
    (tmp_path / "a-0.surfaces.png").unlink()
    report = check_folder(tmp_path)
    assert (report.data.views[0].label.surface == NOT_ANNOTATED).all()
    assert "surfaces of 1 of 2 pictures are not annotated" in report.assumed


def test_a_picture_without_any_annotated_pixel_is_refused(tmp_path: Path) -> None:
    shop(tmp_path)
    blank = np.full((HEIGHT, WIDTH), NOT_ANNOTATED, np.uint8)
    write_masks(PictureLabel("a-0.png", blank, blank, np.zeros(blank.shape, np.int32)), tmp_path)
    assert stopping(check_folder(tmp_path)) == [("a-0.png", "all pixels not annotated")]


def test_the_same_picture_under_two_connectors_is_found(tmp_path: Path) -> None:
    shop(tmp_path, ("a-0.png", "b-0.png"))
    (tmp_path / "b-0.png").write_bytes((tmp_path / "a-0.png").read_bytes())
    assert stopping(check_folder(tmp_path)) == [
        ("b-0.png", "the same bytes as a-0.png, of another")
    ]


@pytest.mark.parametrize("shift", [0, 15])
def test_a_label_that_lies_beside_its_picture_is_found(shift: int, tmp_path: Path) -> None:
    """A large label, so that its outlines tell; the picture is drawn from the unshifted one."""
    y, x = np.mgrid[:240, :320]
    surface = np.where(np.hypot(y - 120, x - 160) < 90, 5, 1).astype(np.uint8)
    kind = np.where(np.hypot(y - 100, x - 150) < 12, 1, 0).astype(np.uint8)
    none = np.zeros(surface.shape, np.int32)
    Image.fromarray(picture_of(PictureLabel("a-0.png", surface, kind, none))).save(
        tmp_path / "a-0.png"
    )
    moved = PictureLabel("a-0.png", np.roll(surface, shift, 1), np.roll(kind, shift, 1), none)
    write_masks(moved, tmp_path)
    found = [text for file, text in stopping(check_folder(tmp_path)) if file == "a-0.png"]
    assert [f"moved by ({-shift}, 0) px" in text for text in found] == ([True] if shift else [])


@pytest.mark.parametrize(
    "text",
    [
        '{"images": [{"id": 1, "file_name": "a-0.png", "height": 9999999, "width": 9999999}], '
        '"annotations": [], "categories": []}',
        '{"shapes": [], "imagePath": "a-0.png", "imageHeight": 0, "imageWidth": 5}',
        '{"images": 5, "annotations": [], "categories": []}',
        '{"images": [], "annotations": [{"image_id": "x"}], "categories": [{"id": 1}]}',
    ],
)
def test_an_absurd_label_file_is_a_problem_not_a_crash(text: str, tmp_path: Path) -> None:
    Image.fromarray(np.zeros((HEIGHT, WIDTH, 3), np.uint8)).save(tmp_path / "a-0.png")
    (tmp_path / "labels.json").write_text(text)
    report = check_folder(tmp_path)
    assert [problem.file for problem in report.problems] == ["labels.json"]
    assert report.data.views == ()


def test_xml_with_entities_is_refused(tmp_path: Path) -> None:
    Image.fromarray(np.zeros((HEIGHT, WIDTH, 3), np.uint8)).save(tmp_path / "a-0.png")
    (tmp_path / "a.xml").write_text('<!DOCTYPE a [<!ENTITY b "c">]><annotations>&b;</annotations>')
    assert stopping(check_folder(tmp_path)) == [("a.xml", "a DOCTYPE")]
