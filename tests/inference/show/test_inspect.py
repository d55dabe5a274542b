"""`fiberward inspect` end to end on drawn pictures: outputs, exit codes, bad input."""

import json
import os
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from PIL import Image, ImageFilter

from fiberward.inference import pipeline
from fiberward.inference.keep.inspection import INSPECTION_SCHEMA_FILE, read_inspection
from fiberward.inference.keep.map_files import MAP_FILES
from fiberward.inference.settings import Settings
from fiberward.inference.show.app import main
from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface

TURNS = "0,0,120,240"


@pytest.fixture(autouse=True)
def stand_in(monkeypatch, reads_drawings):
    """Drawn pictures are read back instead of segmented by the net; the map is small."""
    monkeypatch.setattr(pipeline, "Segmenter", lambda model, threads: reads_drawings)
    monkeypatch.setattr(pipeline, "Settings", lambda: Settings(map_px=120))


def run(*arguments, out):
    """The exit code and the record, None where none was written."""
    code = main(["inspect", *map(str, arguments), "--out", str(out)])
    path = out / "inspection.json"
    return code, read_inspection(path) if path.exists() else None


def test_a_dirty_connector_gives_all_files_and_exit_1(drawing, spot, tmp_path, capsys):
    paths = drawing.four((spot(600, 30, 60),))
    out = tmp_path / "out"
    code, inspection = run("--ferrule", "2.5", "--turn", TURNS, *paths, out=out)
    assert code == 1
    assert inspection.verdict == "clean-first"
    parts = ("surfaces", "deposits", "overlay")
    expected = {f"{path.stem}.{part}.png" for path in paths for part in parts}
    expected |= {"inspection.json", "travel-map.png", "travel-map.svg", "report.html", *MAP_FILES}
    assert {path.name for path in out.iterdir()} == expected
    document = json.loads((out / "inspection.json").read_text())
    schema = json.loads(INSPECTION_SCHEMA_FILE.read_text())
    Draft202012Validator(schema).validate(document)
    told = capsys.readouterr().out
    assert "Clean first" in told
    assert str(out / "report.html") in told


def test_a_spotless_connector_gives_mate_and_exit_0(drawing, tmp_path, capsys):
    code, inspection = run(
        "--ferrule", "2.5", "--turn", TURNS, *drawing.four(), out=tmp_path / "out"
    )
    assert code == 0
    assert inspection.verdict == "mate"
    assert "provided the graded zones pass under your own microscope" in capsys.readouterr().out


@pytest.mark.parametrize("turns", ["-,0,120,240", "-, -, 120, 240", "720,360,-240,600"])
def test_turns_may_be_left_to_be_found_or_go_round_more_than_once(drawing, tmp_path, turns):
    code, inspection = run("--turn", turns, *drawing.four(), out=tmp_path / "out")
    assert code in (0, 1)
    stated = [view.stated_turn_deg for view in inspection.views]
    assert stated[2:] == [120, 240]
    assert stated[0] in (None, 0)


def test_masks_are_8_bit_indices_in_the_picture_s_own_pixels(drawing, spot, tmp_path):
    paths = drawing.four((spot(600, 30, 60, Kind.FILM),))
    out = tmp_path / "out"
    run("--ferrule", "2.5", "--turn", TURNS, *paths, out=out)
    for path in paths:
        with Image.open(path) as picture:
            size = picture.size
        with Image.open(out / f"{path.stem}.surfaces.png") as surfaces:
            assert (surfaces.mode, surfaces.size) == ("L", size)
            assert set(np.unique(surfaces)) <= set(Surface)
        with Image.open(out / f"{path.stem}.deposits.png") as deposits:
            assert (deposits.mode, deposits.size) == ("L", size)
            assert set(np.unique(deposits)) == {Kind.CLEAN, Kind.FILM}


def test_originals_are_not_changed_even_when_results_go_beside_them(drawing, tmp_path):
    paths = drawing.four()
    before = {path.name: path.read_bytes() for path in paths}
    code, _ = run("--ferrule", "2.5", "--turn", TURNS, *paths, out=drawing.folder)
    assert code == 0
    assert {name: (drawing.folder / name).read_bytes() for name in before} == before


def test_results_that_would_overwrite_an_original_are_refused(drawing, tmp_path, capsys):
    paths = drawing.four()
    clash = paths[0].with_name("a.overlay.png")
    clash.write_bytes(paths[0].read_bytes() + b"\0")
    code, _ = run("--ferrule", "2.5", *paths, clash, out=drawing.folder)
    assert code == 2
    assert "would overwrite an original" in capsys.readouterr().err
    assert clash.read_bytes() == paths[0].read_bytes() + b"\0"


def test_results_in_the_folder_of_the_pictures_are_not_taken_as_pictures(drawing):
    drawing.four()
    arguments = ["inspect", str(drawing.folder), "--ferrule", "2.5", "--out", str(drawing.folder)]
    first, second = main(arguments), main(arguments)
    assert first == second
    assert len(read_inspection(drawing.folder / "inspection.json").views) == 4


def test_a_second_run_without_out_keeps_the_first_ones_results(drawing, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    paths = [str(path) for path in drawing.four()]
    arguments = ["inspect", "--ferrule", "2.5", "--connector", "rack 7: port/12", *paths]
    main(arguments)
    main(arguments)
    made = sorted(path.name for path in (tmp_path / "fiberward-inspections").iterdir())
    assert made == ["rack 7_ port_12", "rack 7_ port_12-2"]


def test_json_on_stdout_is_the_record_and_nothing_else(drawing, tmp_path, capsys):
    out = tmp_path / "out"
    main(["inspect", "--ferrule", "2.5", *map(str, drawing.four()), "--out", str(out), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert told == json.loads((out / "inspection.json").read_text())


def test_a_folder_of_folders_is_inspected_connector_by_connector(drawing, spot, tmp_path, capsys):
    shop = tmp_path / "shop"
    for name, spots in (("one", ()), ("two", (spot(600, 30, 60),))):
        type(drawing)(shop / name).four(spots)
        (shop / name / "connector.toml").write_text(
            f'label = "{name}"\nferrule_mm = 2.5\n'
            + "".join(
                f'[[picture]]\nfile = "{stem}.png"\nturn_deg = {turn}\n'
                for stem, turn in (("front", 0), ("a", 0), ("b", 120), ("c", 240))
            )
        )
    out = tmp_path / "out"
    assert main(["inspect", str(shop), "--out", str(out), "--json"]) == 1
    verdicts = {
        path.name: read_inspection(path / "inspection.json").verdict for path in out.iterdir()
    }
    assert verdicts == {"one": "mate", "two": "clean-first"}
    told = json.loads(capsys.readouterr().out)
    assert [each["connector"]["label"] for each in told["inspections"]] == ["one", "two"]


def test_a_stated_grade_of_the_zones_is_recorded_as_the_persons(drawing, tmp_path):
    stated = ["--in-zone", "within", "--in-zone-by", "N. N."]
    _, inspection = run(
        "--ferrule", "2.5", "--turn", TURNS, *stated, *drawing.four(), out=tmp_path / "out"
    )
    assert (inspection.in_zone.stated, inspection.in_zone.stated_by) == ("within", "N. N.")
    assert "stated within the limits by N. N." in inspection.in_zone.sentence


def test_a_stated_grade_outside_never_gives_mate(drawing, tmp_path):
    stated = ["--in-zone", "outside", "--in-zone-by", "N. N."]
    code, inspection = run(
        "--ferrule", "2.5", "--turn", TURNS, *stated, *drawing.four(), out=tmp_path / "out"
    )
    assert (code, inspection.verdict) == (1, "clean-first")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--ferrule", "3"], "--ferrule 3"),
        (["--ferrule", "1.25", "--turn", TURNS], "contradicts the pictures"),
        (["--turn", "0,120"], "2 turns for 4 pictures"),
        (["--turn", "0,0,120,240,300"], "5 turns for 4 pictures"),
        (["--turn", "0,0,half,240"], "'half' is no angle"),
        (["--turn", "0,0,nan,240"], "'nan' is no angle"),
        (["--turn", "0,0,,240"], "is no angle"),
        (["--stage", "dirty"], "--stage dirty"),
        (["--in-zone", "within"], "--in-zone-by"),
        (["--in-zone", "good", "--in-zone-by", "N. N."], "--in-zone good"),
        (["--threads", "0"], "threads"),
        (["--colour"], "colour"),
    ],
)
def test_wrong_options_end_in_one_line_and_exit_2(drawing, tmp_path, capsys, options, message):
    code, inspection = run(*options, *drawing.four(), out=tmp_path / "out")
    assert code == 2
    assert inspection is None
    told = capsys.readouterr().err.strip().splitlines()
    assert len(told) == 1
    assert message in told[0]


def test_a_missing_model_file_is_exit_4(drawing, tmp_path, monkeypatch, capsys):
    from fiberward.inference.see.segment import Segmenter

    monkeypatch.setattr(pipeline, "Segmenter", Segmenter)
    code, _ = run("--model", tmp_path / "none.onnx", *drawing.four(), out=tmp_path / "out")
    assert code == 4
    assert "none.onnx" in capsys.readouterr().err


# -- bad input: one of four pictures is bad, then all ----------------------------------------------


def _animated(path):
    frames = [Image.new("L", (40, 30), level) for level in (0, 200)]
    frames[0].save(path, "GIF", save_all=True, append_images=frames[1:])


UNDECODABLE = {
    "missing": lambda path: path.unlink(),
    "empty": lambda path: path.write_bytes(b""),
    "truncated": lambda path: path.write_bytes(path.read_bytes()[:2000]),
    "text": lambda path: path.write_text("not a picture\n" * 50),
    "animated": _animated,
    "a folder": lambda path: (path.unlink(), path.mkdir()),
}


@pytest.mark.parametrize("how", UNDECODABLE)
def test_an_undecodable_picture_is_named_the_rest_done_and_exit_is_3(
    drawing, spot, tmp_path, capsys, how
):
    paths = drawing.four((spot(600, 30, 60),))
    UNDECODABLE[how](paths[2])
    code, inspection = run("--ferrule", "2.5", "--turn", TURNS, *paths, out=tmp_path / "out")
    if how == "a folder":  # pictures and folders are not mixed
        assert (code, inspection) == (2, None)
        return
    assert code == 3
    assert inspection.verdict == "clean-first"
    assert [view.readable for view in inspection.views] == [True, True, False, True]
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert str(paths[2]) in line


@pytest.mark.parametrize("how", sorted(set(UNDECODABLE) - {"a folder"}))
def test_a_spotless_connector_with_an_undecodable_picture_is_no_mate_by_exit_code(
    drawing, tmp_path, how
):
    paths = drawing.four()
    UNDECODABLE[how](paths[0])
    code, inspection = run("--ferrule", "2.5", "--turn", TURNS, *paths, out=tmp_path / "out")
    assert code == 3
    assert inspection.verdict == "reshoot"


def test_a_picture_that_may_not_be_read_is_exit_3(drawing, tmp_path):
    paths = drawing.four()
    paths[1].chmod(0)
    if os.access(paths[1], os.R_OK):
        pytest.skip("this user may read everything")
    code, _ = run("--ferrule", "2.5", "--turn", TURNS, *paths, out=tmp_path / "out")
    assert code == 3


def _gray(level):
    return np.full((360, 480, 3), level, np.uint8)


def _noise(seed):
    return np.random.default_rng(seed).integers(0, 256, (360, 480, 3), np.uint8)


NOTHING_TO_JUDGE = {
    "black": lambda k: _gray(k % 2),
    "white": lambda k: _gray(255 - k % 2),
    "a blank": lambda k: _gray(120 + k),
    "noise": _noise,
    "one pixel": lambda k: np.full((1, 1, 3), 10 + k, np.uint8),
    "a ramp": lambda k: np.tile(np.linspace(0, 250 + k, 480, dtype=np.uint8)[:, None], (360, 1, 3)),
}


@pytest.mark.parametrize("what", NOTHING_TO_JUDGE)
def test_pictures_with_nothing_to_judge_say_why_and_end_in_reshoot(tmp_path, what):
    paths = []
    for k in range(4):
        paths.append(tmp_path / f"{k}.png")
        Image.fromarray(NOTHING_TO_JUDGE[what](k)).save(paths[-1])
    code, inspection = run("--ferrule", "2.5", "--turn", TURNS, *paths, out=tmp_path / "out")
    assert (code, inspection.verdict) == (1, "reshoot")
    assert all(not view.readable and view.why_not for view in inspection.views)
    assert (tmp_path / "out" / "report.html").exists()


def _sixteen_bit_gray(path):
    gray = np.asarray(Image.open(path).convert("L"))
    Image.fromarray(gray.astype(np.uint16) * 257).save(path)


def _float(path):
    import tifffile

    gray = np.asarray(Image.open(path).convert("L"), np.float32) / 255
    tifffile.imwrite(path, gray)


def _mode(mode):
    def convert(path):
        Image.open(path).convert(mode).save(path.with_suffix(".tif"))
        path.with_suffix(".tif").replace(path)

    return convert


ODD = {
    "16 bits": _sixteen_bit_gray,
    "floating point": _float,
    "CMYK": _mode("CMYK"),
    "palette": _mode("P"),
    "alpha": _mode("RGBA"),
    "grey": _mode("L"),
}


@pytest.mark.parametrize("how", ODD)
def test_an_odd_but_usable_picture_is_converted_and_judged(drawing, tmp_path, how):
    paths = drawing.four()
    ODD[how](paths[0])
    _, inspection = run("--ferrule", "2.5", "--turn", TURNS, *paths, out=tmp_path / "out")
    assert inspection.views[0].readable, inspection.views[0].why_not
    assert inspection.views[0].um_per_px == pytest.approx(8.0, rel=0.02)
    if how != "grey":
        assert inspection.views[0].notes


def test_1_bit_pictures_never_give_mate(drawing, tmp_path):
    paths = drawing.four()
    for path in paths:
        _mode("1")(path)
    code, inspection = run("--ferrule", "2.5", "--turn", TURNS, *paths, out=tmp_path / "out")
    assert code in (1, 3)
    assert inspection.verdict != "mate"


def test_out_of_focus_pictures_end_in_reshoot(drawing, tmp_path):
    import cv2

    paths = drawing.four()
    for path in paths:
        Image.fromarray(cv2.GaussianBlur(np.asarray(Image.open(path)), None, 9)).save(path)
    code, inspection = run("--ferrule", "2.5", "--turn", TURNS, *paths, out=tmp_path / "out")
    assert (code, inspection.verdict) == (1, "reshoot")


def test_a_bad_connector_does_not_stop_the_others_of_the_batch(drawing, spot, tmp_path, capsys):
    shop = tmp_path / "shop"
    for name in ("empty", "faulty", "good", "wrong"):
        if name != "empty":
            type(drawing)(shop / name).four((spot(600, 30, 60),))
    (shop / "empty").mkdir()
    (shop / "faulty" / "connector.toml").write_text("colour = 3")
    (shop / "wrong" / "connector.toml").write_text("ferrule_mm = 1.25")
    out = tmp_path / "out"
    code = main(["inspect", str(shop), "--out", str(out)])
    assert code == 2
    assert [path.name for path in out.iterdir()] == ["good"]
    told = capsys.readouterr().err
    for name in ("empty", "faulty"):
        assert str(shop / name) in told
    assert "contradicts the pictures" in told


def test_an_internal_error_in_one_connector_comes_after_the_others_are_done(
    drawing, spot, tmp_path, monkeypatch, capsys
):
    shop = tmp_path / "shop"
    for name in ("a", "b"):
        type(drawing)(shop / name).four((spot(600, 30, 60),))
    judge = pipeline.judge
    calls: list[int] = []

    def fails_once(*arguments):
        calls.append(1)
        if len(calls) == 1:
            raise RuntimeError("made to fail")
        return judge(*arguments)

    monkeypatch.setattr(pipeline, "judge", fails_once)
    out = tmp_path / "out"
    assert main(["inspect", str(shop), "--ferrule", "2.5", "--out", str(out)]) == 5
    assert [path.name for path in out.iterdir()] == ["b"]
    assert "made to fail" in capsys.readouterr().err


def test_a_failure_while_writing_leaves_no_half_of_a_result(drawing, tmp_path, monkeypatch, capsys):
    from fiberward.inference.show import outputs

    def fails(*_):
        raise RuntimeError("made to fail")

    monkeypatch.setattr(outputs, "report_page", fails)
    out = tmp_path / "out"
    code, inspection = run("--ferrule", "2.5", *drawing.four(), out=out)
    assert (code, inspection) == (5, None)
    assert list(out.iterdir()) == []


def test_names_in_other_scripts_with_spaces_and_long_ones_work(drawing, tmp_path):
    names = ["été 1.png", "日本.png", "a b  c.png", "x" * 120 + ".png"]
    paths = [
        path.rename(path.with_name(name)) for path, name in zip(drawing.four(), names, strict=True)
    ]
    out = tmp_path / "füür"
    code, _ = run("--ferrule", "2.5", "--turn", TURNS, *paths, out=out)
    assert code == 0
    assert all((out / f"{path.stem}.overlay.png").exists() for path in paths)


def test_the_default_folder_is_named_after_a_label_made_safe():
    from fiberward.inference.show.jobs import file_name

    # names that one system or another refuses
    assert file_name("a/b\\c:d") == "a_b_c_d"
    assert file_name("con") == "con_"
    assert file_name("...") == "connector"
    assert file_name("x" * 300) == "x" * 80
    assert Path(file_name("../../etc")).name == file_name("../../etc")


def test_a_focus_series_of_each_view_is_merged_and_inspected(drawing, spot, tmp_path):
    paths = drawing.four((spot(600, 30, 60),))
    for path in paths[1:]:  # the oblique views as folders: one half blurred, then the other
        sharp = np.asarray(Image.open(path))
        soft = np.asarray(Image.open(path).filter(ImageFilter.GaussianBlur(3)))
        rows = np.arange(sharp.shape[0])[:, None, None] < sharp.shape[0] // 2
        folder = path.with_suffix("")
        folder.mkdir()
        for name, half in (("1.png", rows), ("2.png", ~rows)):
            Image.fromarray(np.where(half, sharp, soft)).save(folder / name)
        path.unlink()
    views = [paths[0], *(path.with_suffix("") for path in paths[1:])]
    out = tmp_path / "out"
    code, inspection = run("--stack", "--ferrule", "2.5", "--turn", TURNS, *views, out=out)
    assert code == 1
    assert [view.picture for view in inspection.views[1:]] == [f"{k}.merged.png" for k in "abc"]
    assert any("merged from 2 pictures of a" in note for note in inspection.notes)
    (grain,) = inspection.deposits
    assert abs(grain.s_um - 600) < 30
    depth = np.asarray(Image.open(out / "merged" / "a.depth.png"))
    assert np.median(depth[:100]) < 50 < 200 < np.median(depth[-100:])


def test_a_series_of_one_picture_is_an_error_that_says_so(drawing, tmp_path, capsys):
    (tmp_path / "one").mkdir()
    drawing.four()[0].rename(tmp_path / "one" / "a.png")
    assert run("--stack", tmp_path / "one", out=tmp_path / "out")[0] == 3
    assert "two pictures or more" in capsys.readouterr().err
