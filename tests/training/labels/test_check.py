"""The check lists what is wrong with a shop's data: which file, what was expected, what found."""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fiberward.model.errors import SettingsError
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


def test_masks_whose_picture_was_left_behind_are_named(tmp_path: Path) -> None:
    shop(tmp_path, ("a-0.png", "b-0.png", "lot 3/c.1-0.png"))
    (tmp_path / "lot 3" / "c.1-0.png").unlink()
    report = check_folder(tmp_path)
    assert stopping(report) == [
        ("lot 3/c.1-0.deposits.png", "none"),
        ("lot 3/c.1-0.instances.png", "none"),
        ("lot 3/c.1-0.surfaces.png", "none"),
    ]
    assert report.problems[0].expected == "its picture c.1-0 beside it"
    assert len(report.data.views) == 2


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
        '{"images": [{"id": 1e999, "file_name": "a-0.png", "height": 1e999, "width": 9}], '
        '"annotations": [], "categories": []}',
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


RING = "10, 10, 20, 10, 20"
ROWS = f'{{"size": [{HEIGHT}, {WIDTH}], "counts": '
WHOLE = f"px for {WIDTH} x {HEIGHT}"
COCO_ROWS = [
    ('[[10, 10, 30, 20]]', "a 'particle' polygon of 2 points"),
    ('[[]]', "a 'particle' polygon of 0 points"),
    (f'[[{RING}, NaN]]', "a 'particle' polygon with a point at y = nan"),
    (f'[[{RING}, 1e12]]', "a 'particle' polygon with a point at y = 1000000000000.0"),
    (f'[[{RING}]]', "a 'particle' polygon of 2.5 points"),
    (ROWS + "[3, 4]}", f"run lengths of 7 {WHOLE}"),
    (ROWS + '""}', f"run lengths of 0 {WHOLE}"),
    (ROWS + '"\\u00e9"}', "run lengths with 'é'"),
    (ROWS + "[3, -4]}", f"run lengths of -1 {WHOLE}"),
]  # fmt: skip


@pytest.mark.parametrize(("segmentation", "found"), COCO_ROWS)
def test_a_shape_that_is_none_is_named_and_ends_nothing(
    segmentation: str, found: str, tmp_path: Path
) -> None:
    """Some of these end the program, or give whatever memory held, in COCO's own code."""
    Image.fromarray(np.zeros((HEIGHT, WIDTH, 3), np.uint8)).save(tmp_path / "a-0.png")
    (tmp_path / "labels.json").write_text(
        f'{{"images": [{{"id": 1, "file_name": "a-0.png", "height": {HEIGHT}, "width": {WIDTH}}}], '
        '"categories": [{"id": 1, "name": "particle"}], "annotations": '
        f'[{{"image_id": 1, "category_id": 1, "segmentation": {segmentation}}}]}}'
    )
    assert stopping(check_folder(tmp_path)) == [("a-0.png", found)]


@pytest.mark.parametrize(
    ("shape", "found"),
    [
        ('{"label": "film", "shape_type": "circle", "points": [[3, 4]]}', "unpack"),
        ('{"label": "film", "shape_type": "circle", "points": 7}', "iterable"),
        (
            '{"label": "film", "shape_type": "mask", "points": [[0, 0], [1, 1]], '
            '"mask": "iVBORw0KGgo="}',
            "",
        ),
        ('{"label": "film", "points": [[1, 2], [3, 4]]}', "polygon of 2 points"),
    ],
)  # fmt: skip
def test_a_labelme_shape_that_is_none_is_named(shape: str, found: str, tmp_path: Path) -> None:
    Image.fromarray(np.zeros((HEIGHT, WIDTH, 3), np.uint8)).save(tmp_path / "a-0.png")
    (tmp_path / "a-0.json").write_text(
        f'{{"imagePath": "a-0.png", "imageHeight": {HEIGHT}, "imageWidth": {WIDTH}, '
        f'"shapes": [{shape}]}}'
    )
    [(file, text)] = stopping(check_folder(tmp_path))
    assert file == "a-0.png"
    assert found in text


def test_a_turned_box_is_refused_not_read_upright(tmp_path: Path) -> None:
    Image.fromarray(np.zeros((HEIGHT, WIDTH, 3), np.uint8)).save(tmp_path / "a-0.png")
    (tmp_path / "a.xml").write_text(
        f'<annotations><image name="a-0.png" width="{WIDTH}" height="{HEIGHT}">'
        '<box label="film" xtl="1" ytl="1" xbr="9" ybr="5" rotation="30.0"/></image></annotations>'
    )
    [(_, text)] = stopping(check_folder(tmp_path))
    assert text.startswith("a 'film' box turned by 30.0 degrees")


def test_a_mask_of_one_bit_is_black_and_white_not_clean_and_particle(tmp_path: Path) -> None:
    Image.fromarray(np.zeros((HEIGHT, WIDTH, 3), np.uint8)).save(tmp_path / "a-0.png")
    mask = np.zeros((HEIGHT, WIDTH), bool)
    mask[5:9] = True
    Image.fromarray(mask).save(tmp_path / "a-0.deposits.png")
    report = check_folder(tmp_path)
    assert report.deposits == {}
    assert any("only 0 and 255" in problem.found for problem in report.problems)


def test_an_accented_name_is_one_name_however_it_is_spelled(tmp_path: Path) -> None:
    """An e with an accent as one character and as two, as some file systems have it."""
    Image.fromarray(np.zeros((HEIGHT, WIDTH, 3), np.uint8)).save(tmp_path / "prise\u0301-0.png")
    (tmp_path / "labels.json").write_text(
        f'{{"images": [{{"id": 1, "file_name": "pris\u00e9-0.png", "height": {HEIGHT}, '
        f'"width": {WIDTH}}}], "categories": [], "annotations": []}}'
    )
    (tmp_path / "connectors.csv").write_text("picture,connector\npris\u00e9-0.png,P1\n")
    report = check_folder(tmp_path)
    assert stopping(report) == []
    assert [view.connector for view in report.data.views] == ["P1"]


@pytest.mark.parametrize("value", ['["particle"]', "3", "{ a = 1 }"])
def test_a_label_map_that_names_no_name_is_refused(value: str, tmp_path: Path) -> None:
    Image.fromarray(np.zeros((HEIGHT, WIDTH, 3), np.uint8)).save(tmp_path / "a-0.png")
    (tmp_path / "label-map.toml").write_text(f"[names]\n'dust' = {value}\n")
    with pytest.raises(SettingsError, match="dust"):
        check_folder(tmp_path)
