"""Which pictures belong to which connector, and what is said where that is not clear."""

import os
from pathlib import Path

import pytest

from fiberward.inference.see.connector_file import read_connector_file
from fiberward.inference.see.inputs import (
    ConnectorInput,
    Inputs,
    expand_inputs,
    natural_key,
)
from fiberward.model.errors import SettingsError, UnreadablePicture, UsageError


def make(root: Path, *names: str) -> None:
    """Empty files; a name that ends in a slash is a folder."""
    for name in names:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if name.endswith("/"):
            path.mkdir(exist_ok=True)
        else:
            path.touch()


def names_of(connector: ConnectorInput) -> list[str]:
    return [path.name for path in connector.pictures]


def only(inputs: Inputs) -> ConnectorInput:
    assert inputs.problems == ()
    [connector] = inputs.connectors
    return connector


def test_pictures_given_by_name_are_one_connector_in_the_given_order(tmp_path: Path):
    make(tmp_path, "b.png", "a.jpg")
    connector = only(expand_inputs([tmp_path / "b.png", tmp_path / "a.jpg"]))
    assert connector == ConnectorInput(None, (tmp_path / "b.png", tmp_path / "a.jpg"), (None, None))


def test_a_folder_of_pictures_is_one_connector_in_natural_order(tmp_path: Path):
    make(tmp_path, *(f"port/View {n}.JPG" for n in (10, 9, 1, 2)), "port/notes.txt")
    connector = only(expand_inputs([tmp_path / "port"]))
    assert connector.name == "port"
    assert names_of(connector) == ["View 1.JPG", "View 2.JPG", "View 9.JPG", "View 10.JPG"]


def test_a_folder_of_folders_is_many_connectors(tmp_path: Path):
    make(tmp_path, "lot/c10/a.png", "lot/c9/a.png", "lot/c9/b.tif", "lot/readme.txt")
    inputs = expand_inputs([tmp_path / "lot"])
    assert inputs.problems == ()
    assert [(each.name, names_of(each)) for each in inputs.connectors] == [
        ("c9", ["a.png", "b.tif"]),
        ("c10", ["a.png"]),
    ]


def test_several_folders_are_several_connectors(tmp_path: Path):
    make(tmp_path, "x/a.png", "y/a.png")
    inputs = expand_inputs([tmp_path / "y", tmp_path / "x"])
    assert [each.name for each in inputs.connectors] == ["y", "x"]


def test_the_folder_one_stands_in_has_its_real_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    make(tmp_path, "port 4/a.png")
    monkeypatch.chdir(tmp_path / "port 4")
    assert only(expand_inputs(["."])).name == "port 4"


OWN = (
    *("a.surfaces.png", "a.deposits.png", "a.overlay.png", "a.png.overlay.png"),
    *("A.OVERLAY.PNG", "travel-map.png", "a.instances.png", "inspection.json", "report.html"),
    *("travel-map.picture.jpg", "travel-map.limit.png", "comparison.png", "compare.json"),
    *("travel-map.front-picture.jpg", "travel-map.front-limit.png"),
)


def test_own_outputs_hidden_files_and_other_files_are_no_input(tmp_path: Path):
    make(tmp_path, "a.png", "._a.png", "a.json", "connector.txt", *OWN)
    assert names_of(only(expand_inputs([tmp_path]))) == ["a.png"]


def test_folders_that_hold_only_outputs_are_no_connectors(tmp_path: Path):
    make(tmp_path, "c1/a.png", *(f"out/c1/{name}" for name in OWN), "out2/inspection.json")
    assert only(expand_inputs([tmp_path])).name == "c1"


def test_outputs_in_a_folder_beside_the_pictures_do_not_matter(tmp_path: Path):
    make(tmp_path, "a.png", "out/a.overlay.png")
    assert names_of(only(expand_inputs([tmp_path]))) == ["a.png"]


def test_a_picture_of_a_kind_that_cannot_be_read_is_not_left_out_silently(tmp_path: Path):
    make(tmp_path, "a.png", "b.heic")
    assert names_of(only(expand_inputs([tmp_path]))) == ["a.png", "b.heic"]


@pytest.mark.parametrize(
    ("files", "given", "words"),
    [
        ((), (), "no pictures given"),
        (("a.png", "c/a.png"), ("a.png", "c"), "cannot be mixed"),
        (("a.png",), ("a.png", "a.png"), "given twice"),
        (("x/c/a.png", "y/c/a.png"), ("x", "y"), "two folders are called c"),
    ],
)
def test_what_is_not_clear_is_a_usage_error(
    files: tuple[str, ...], given: tuple[str, ...], words: str, tmp_path: Path
):
    make(tmp_path, *files)
    with pytest.raises(UsageError, match=words):
        expand_inputs([tmp_path / name for name in given])


def test_an_empty_folder_does_not_stop_the_others(tmp_path: Path):
    make(tmp_path, "c1/a.png", "c2/", "c3/a.png")
    inputs = expand_inputs([tmp_path])
    assert [each.name for each in inputs.connectors] == ["c1", "c3"]
    [problem] = inputs.problems
    assert isinstance(problem, UnreadablePicture)
    assert str(problem) == f"{tmp_path / 'c2'}: holds no pictures"


def test_a_folder_that_cannot_be_listed_does_not_stop_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    make(tmp_path, "c1/a.png", "c2/a.png")
    scandir = os.scandir

    # Root may list any folder, so the refusal is made here.
    def refuse(path: Path):
        if Path(path).name == "c1":
            raise PermissionError(13, "Permission denied")
        return scandir(path)

    monkeypatch.setattr("os.scandir", refuse)
    inputs = expand_inputs([tmp_path / "c1", tmp_path / "c2"])
    assert [each.name for each in inputs.connectors] == ["c2"]
    assert "cannot be listed (Permission denied)" in str(inputs.problems[0])


def test_pictures_beside_folders_of_pictures_are_not_guessed_about(tmp_path: Path):
    make(tmp_path, "a.png", "c1/a.png")
    inputs = expand_inputs([tmp_path])
    assert inputs.connectors == ()
    assert isinstance(inputs.problems[0], UsageError)


def test_connector_toml_states_facts_and_turns(tmp_path: Path):
    make(tmp_path, "front.png", "side 1.png", "side 2.png")
    (tmp_path / "connector.toml").write_text(
        'label = "rack 7, port 12"\nfamily = "2.5-apc"\nferrule_mm = 2.5\nfinish = "apc"\n'
        'fiber_mode = "single"\nend = "A"\nlot = "L1"\nstage = "cleaned"\nmethod = "dry stick"\n'
        'matings_so_far = 3\nkey_deg = 450\n[[picture]]\nfile = "side 2.png"\nturn_deg = -120\n'
        '[[picture]]\nfile = "front.png"\n'
    )
    connector = only(expand_inputs([tmp_path]))
    assert connector.turns_deg == (None, None, 240.0)
    facts = connector.facts
    assert (facts.label, facts.family, facts.ferrule_mm) == ("rack 7, port 12", "2.5-apc", 2.5)
    assert (facts.finish, facts.fiber_mode, facts.end) == ("apc", "single", "A")
    assert (facts.lot, facts.stage, facts.method) == ("L1", "cleaned", "dry stick")
    assert (facts.matings_so_far, facts.key_deg) == (3, 90.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('lable = "x"', "unknown key 'lable'"),
        ("label = 3", "label = 3: expected a text"),
        ('label = ""', "expected a text"),
        ('label = "two\\nlines"', "expected a text of one line"),
        ("ferrule_mm = 2.0", "ferrule_mm = 2.0: expected 2.5 or 1.25"),
        ("ferrule_mm = true", "expected a number"),
        ("key_deg = nan", "expected a number"),
        ('stage = "dirty"', "expected one of as-received, cleaned, mated"),
        ('family = "9"', "expected one of 2.5-pc"),
        ("matings_so_far = -1", "whole number"),
        ("matings_so_far = 1.5", "whole number"),
        ("picture = 1", r"\[\[picture\]\]"),
        ("picture = [1]", "expected a table"),
        ("[[picture]]\nturn_deg = 0", "has no file"),
        ('[[picture]]\nfile = "gone.png"', "no such picture"),
        ('[[picture]]\nfile = "../connector.toml"', "no such picture"),
        ('[[picture]]\nfile = "a.png"\nturn = 3', "unknown key 'turn'"),
        ("label = ", "is not TOML"),
        ("\xff", "is not TOML"),
    ],
)
def test_a_faulty_connector_toml_is_refused_in_one_line_that_names_it(
    text: str, words: str, tmp_path: Path
):
    make(tmp_path, "c1/a.png", "c2/a.png")
    path = tmp_path / "c1" / "connector.toml"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(SettingsError, match=words) as caught:
        read_connector_file(path)
    assert str(caught.value).startswith(str(path))
    inputs = expand_inputs([tmp_path])
    assert [each.name for each in inputs.connectors] == ["c2"]
    assert [str(problem) for problem in inputs.problems] == [str(caught.value)]


def test_natural_order_counts_numbers_and_copes_with_endless_ones():
    endless = "9" * 5000
    names = ["a10", "a9", "A1", "a", "b2", "10", "9", "a" + endless]
    ordered = ["9", "10", "a", "A1", "a9", "a10", "b2"]
    assert [name for name in sorted(names, key=natural_key) if len(name) < 9] == ordered
