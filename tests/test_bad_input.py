"""Whatever pictures come in, each gets a verdict or a plain line, and none without evidence a mate.

The pictures are made here or from the shipped demonstration, one folder per connector, and go
through the command line in one batch.
"""

import io
import json
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from fiberward.inference.show import app

ROOT = Path(__file__).resolve().parents[1]
DEMO = sorted((ROOT / "inference" / "show" / "demo").glob("*.jpg"))
SIZE_HW = (480, 640)
RNG = np.random.default_rng(20)

Bytes = npt.NDArray[np.uint8]


def encoded(rgb: Bytes, form: str = "PNG", mode: str | None = None) -> bytes:
    file = io.BytesIO()
    image = Image.fromarray(rgb)
    (image if mode is None else image.convert(mode)).save(file, form)
    return file.getvalue()


def flat(level: int) -> Bytes:
    return np.full((*SIZE_HW, 3), level, np.uint8)


def noise(scale: float) -> Bytes:
    values = RNG.normal(128, scale, (*SIZE_HW, 3))
    return np.clip(values, 0, 255).astype(np.uint8)


def face() -> Bytes:
    """An invented face, drawn: round things in it must not pass for a ferrule."""
    picture = flat(90)
    cv2.ellipse(picture, (320, 240), (140, 190), 0, 0, 360, (224, 172, 138), -1)
    for x in (270, 370):
        cv2.circle(picture, (x, 200), 24, (250, 250, 250), -1)
        cv2.circle(picture, (x, 200), 11, (60, 40, 20), -1)
    cv2.ellipse(picture, (320, 320), (60, 25), 0, 0, 180, (150, 60, 60), -1)
    return cv2.GaussianBlur(picture, (0, 0), 1.5)


def rings() -> Bytes:
    """Concentric circles, as on a target: no connector either."""
    y, x = np.mgrid[: SIZE_HW[0], : SIZE_HW[1]]
    radius = np.hypot(x - 320, y - 240)
    grey = (128 + 100 * np.sign(np.sin(radius / 12))).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2)


def ramp() -> Bytes:
    grey = np.broadcast_to(np.linspace(0, 255, SIZE_HW[1]).astype(np.uint8), SIZE_HW)
    return np.repeat(grey[..., None], 3, axis=2)


def demo_picture(index: int) -> Bytes:
    with Image.open(DEMO[index]) as image:
        return np.asarray(image.convert("RGB"))


def out_of_focus(rgb: Bytes) -> Bytes:
    return cv2.GaussianBlur(rgb, (0, 0), max(rgb.shape) / 40).astype(np.uint8)


def burnt_out(rgb: Bytes) -> Bytes:
    return np.clip(rgb.astype(np.int32) * 12, 0, 255).astype(np.uint8)


def under_lit(rgb: Bytes) -> Bytes:
    return (rgb // 40).astype(np.uint8)


# Pictures that can be decoded and show no connector, or not well enough to judge it.
NOTHING_TO_JUDGE: dict[str, Callable[[], Bytes]] = {
    "black": lambda: flat(0),
    "white": lambda: flat(255),
    "grey": lambda: flat(128),
    "noise": lambda: noise(60),
    "faint noise": lambda: noise(3),
    "ramp": ramp,
    "face": face,
    "rings": rings,
    "one pixel": lambda: np.full((1, 1, 3), 90, np.uint8),
    "a line": lambda: RNG.integers(0, 256, (1, 900, 3), dtype=np.uint8),
    "out of focus": lambda: out_of_focus(demo_picture(0)),
    "burnt out": lambda: burnt_out(demo_picture(0)),
    "under-lit": lambda: under_lit(demo_picture(0)),
}
# Files that are no picture: name of the case, suffix, bytes.
NO_PICTURE = {
    "empty file": (".png", lambda: b""),
    "text": (".jpg", lambda: b"no picture at all\n" * 40),
    "cut short": (".jpg", lambda: DEMO[0].read_bytes()[:20_000]),
    "cut and closed": (".jpg", lambda: DEMO[0].read_bytes()[:40_000] + b"\xff\xd9"),
    "raw": (".dng", lambda: b"II*\0" + bytes(400)),
}
# The demonstration in other clothes: converted, noted and judged.
CLOTHES: dict[str, Callable[[Bytes], tuple[str, bytes]]] = {
    "as PNG": lambda rgb: (".png", encoded(rgb)),
    "with alpha": lambda rgb: (".png", encoded(rgb, mode="RGBA")),
    "as TIFF": lambda rgb: (".tif", encoded(rgb, "TIFF")),
    "as CMYK": lambda rgb: (".tif", encoded(rgb, "TIFF", "CMYK")),
    "as grey": lambda rgb: (".png", encoded(rgb, mode="L")),
    "with palette": lambda rgb: (".png", encoded(rgb, mode="P")),
    "16 bits": lambda rgb: (".png", deep(rgb)),
}


def deep(rgb: Bytes) -> bytes:
    ok, data = cv2.imencode(".png", rgb[..., ::-1].astype(np.uint16) * 257)
    assert ok
    return data.tobytes()


@pytest.fixture(scope="module")
def lot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one connector per case."""
    assert len(DEMO) == 4
    folder = tmp_path_factory.mktemp("lot")
    for name, make in NOTHING_TO_JUDGE.items():
        (folder / name).mkdir()
        (folder / name / "view.png").write_bytes(encoded(make()))
    for name, (suffix, data) in NO_PICTURE.items():
        (folder / name).mkdir()
        (folder / name / f"view{suffix}").write_bytes(data())
    (folder / "no pictures").mkdir()
    (folder / "faulty toml").mkdir()
    (folder / "faulty toml" / "view.png").write_bytes(encoded(flat(9)))
    (folder / "faulty toml" / "connector.toml").write_text("lable = 'x'")
    return folder


@pytest.fixture(scope="module")
def batch(lot: Path, tmp_path_factory: pytest.TempPathFactory) -> dict:
    """All of them inspected at once; exit code, document and stderr."""
    out = tmp_path_factory.mktemp("out")
    return inspect(lot, "--out", out)


def inspect(*arguments: object) -> dict:
    out, err = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.stdout", out)
        patch.setattr("sys.stderr", err)
        code = app.main(["inspect", "--json", *map(str, arguments)])
    document = json.loads(out.getvalue()) if out.getvalue() else {}
    found = document.get("inspections", [document] if document else [])
    return {
        "code": code,
        "stderr": err.getvalue(),
        "inspections": {each["connector"]["label"]: each for each in found},
    }


def test_nothing_of_it_is_a_mate(batch: dict):
    assert set(NOTHING_TO_JUDGE) | set(NO_PICTURE) == set(batch["inspections"])
    assert {each["verdict"] for each in batch["inspections"].values()} <= {"reshoot"}


@pytest.mark.parametrize("name", NOTHING_TO_JUDGE)
def test_a_picture_with_nothing_to_judge_says_why_not(name: str, batch: dict):
    [view] = batch["inspections"][name]["views"]
    assert view["readable"] is False
    assert view["why_not"]


@pytest.mark.parametrize("name", NO_PICTURE)
def test_a_file_that_is_no_picture_is_named_in_one_line_and_the_rest_is_done(
    name: str, batch: dict
):
    suffix, _ = NO_PICTURE[name]
    lines = [line for line in batch["stderr"].splitlines() if f"/{name}/view{suffix}" in line]
    assert len(lines) == 1


def test_a_faulty_folder_is_named_and_the_rest_is_done(batch: dict):
    assert "no pictures: holds no pictures" in batch["stderr"]
    assert "unknown key 'lable'" in batch["stderr"]


def test_no_traceback_and_no_internal_error(batch: dict):
    assert "Traceback" not in batch["stderr"]
    assert "internal error" not in batch["stderr"]
    # The faulty connector.toml (2) comes before what could not be read (3).
    assert batch["code"] == 2


@pytest.mark.parametrize("name", ["empty file", "text", "cut short"])
def test_a_file_that_is_no_picture_exits_with_3(name: str, lot: Path, tmp_path: Path):
    suffix, _ = NO_PICTURE[name]
    assert inspect("--out", tmp_path / "out", lot / name / f"view{suffix}")["code"] == 3


@pytest.mark.parametrize("name", ["black", "noise", "face"])
def test_a_picture_with_nothing_to_judge_exits_with_1(name: str, lot: Path, tmp_path: Path):
    assert inspect("--out", tmp_path / "out", lot / name / "view.png")["code"] == 1


def test_a_missing_file_exits_with_3(tmp_path: Path):
    done = inspect("--out", tmp_path / "out", tmp_path / "gone.png")
    assert done["code"] == 3
    assert "no such file" in done["stderr"]


@pytest.mark.parametrize(
    "options",
    [
        ["--turn", "0,120"],
        ["--turn", "0,a,120,240"],
        ["--ferrule", "2"],
        ["--stage", "dirty"],
        ["--in-zone", "within"],
    ],
)
def test_options_that_cannot_be_carried_out_exit_with_2(options: list[str], tmp_path: Path):
    done = inspect("--out", tmp_path / "out", *options, *DEMO)
    assert done["code"] == 2
    assert done["stderr"].count("\n") == 1


def test_a_wrong_ferrule_is_contradicted_by_the_fibre(tmp_path: Path):
    facts = inspect("--out", tmp_path / "a", DEMO[0].parent)
    [right] = facts["inspections"].values()
    wrong = "1.25" if right["connector"]["ferrule_mm"] == 2.5 else "2.5"
    done = inspect("--out", tmp_path / "b", "--ferrule", wrong, DEMO[0].parent)
    verdicts = {each["verdict"] for each in done["inspections"].values()}
    assert "mate" not in verdicts
    assert done["code"] in (1, 2)


@pytest.fixture(scope="module")
def wardrobe(tmp_path_factory: pytest.TempPathFactory) -> dict:
    """One view of the demonstration, at half its size, in each of the clothes and as it is."""
    folder = tmp_path_factory.mktemp("wardrobe")
    (folder / "as it is").mkdir()
    Image.fromarray(demo_picture(1)).reduce(2).save(folder / "as it is" / "view.jpg", quality=95)
    with Image.open(folder / "as it is" / "view.jpg") as image:
        rgb = np.asarray(image.convert("RGB"))
    for clothes, make in CLOTHES.items():
        suffix, data = make(rgb)
        (folder / clothes).mkdir()
        (folder / clothes / f"view{suffix}").write_bytes(data)
    out = tmp_path_factory.mktemp("worn")
    return inspect("--ferrule", "2.5", "--out", out, folder)["inspections"]


@pytest.mark.parametrize("clothes", CLOTHES)
def test_odd_but_usable_pictures_are_converted_and_judged_alike(clothes: str, wardrobe: dict):
    plain, result = wardrobe["as it is"], wardrobe[clothes]
    assert [view["readable"] for view in result["views"]] == [True]
    assert result["verdict"] == plain["verdict"]


@pytest.mark.parametrize("clothes", ["as PNG", "with alpha", "as TIFF", "16 bits"])
def test_a_lossless_change_of_clothes_changes_no_deposit(clothes: str, wardrobe: dict):
    def sizes(name: str) -> list[float]:
        return [deposit["size_um"] for deposit in wardrobe[name]["deposits"]]

    assert sizes(clothes) == sizes("as it is")


def test_one_bad_view_among_good_ones_does_not_stop_them(tmp_path: Path):
    bad = tmp_path / "bad.png"
    bad.write_bytes(b"nothing")
    done = inspect("--out", tmp_path / "out", bad, *DEMO)
    [result] = done["inspections"].values()
    assert done["code"] == 3
    assert [view["readable"] for view in result["views"]] == [False, True, True, True, True]
