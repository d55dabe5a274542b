"""The files of `fiberward render`."""

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fiberward.model.errors import UsageError
from fiberward.model.kinds import KIND_NAMES
from fiberward.model.surfaces import SURFACE_NAMES
from fiberward.synthetic.connector_files import replace_file
from fiberward.synthetic.render_command import parse_size, render


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("render") / "set"
    assert render(out, count=1, seed=8, size="160x120", views=3, quiet=True) == 0
    return out


def read_plane(path: Path):
    with Image.open(path) as picture:
        return np.array(picture)


def test_truth_pictures_and_masks_fit_together(folder: Path):
    """Keys and file names as in other sets of drawn connectors, so one scorer serves all."""
    truth = json.loads((folder / "c8n00000.json").read_text())
    assert truth["connector"] == "c8n00000"
    assert truth["surfaces"] == list(SURFACE_NAMES)
    assert truth["kinds"] == list(KIND_NAMES)
    assert [row["view"] for row in truth["views"]] == ["front", "oblique", "oblique"]
    ends = list(truth["um"].values())
    assert ends == sorted(ends)
    for row in truth["views"]:
        with Image.open(folder / row["picture"]) as picture:
            assert picture.size == (160, 120)
            assert b"invented" in picture.info["comment"]
        stem = row["picture"].removesuffix(".jpg")
        planes = {
            part: read_plane(folder / f"{stem}.{part}.png")
            for part in ("surfaces", "deposits", "instances")
        }
        assert planes["instances"].dtype == np.uint16
        assert planes["surfaces"].max() < len(SURFACE_NAMES)
        ids, counts = np.unique(planes["instances"], return_counts=True)
        seen = {str(i): int(n) for i, n in zip(ids, counts, strict=True) if i}
        assert seen == row["visible"]
        assert ((planes["deposits"] > 0) == (planes["instances"] > 0)).all()
    assert not list(folder.glob(".*"))


def test_files_are_never_replaced_without_force(folder: Path):
    before = (folder / "c8n00000-0.jpg").read_bytes()
    with pytest.raises(UsageError, match="--force"):
        render(folder, count=1, seed=8, size="160x120", views=3, quiet=True)
    assert render(folder, count=1, seed=8, size="160x120", views=3, force=True, quiet=True) == 0
    assert (folder / "c8n00000-0.jpg").read_bytes() == before


@pytest.mark.parametrize("text", ["", "640", "640x", "x480", "-640x480", "640x480x2", "8x8", "²x4"])
def test_an_impossible_size_is_refused(text: str):
    with pytest.raises(UsageError, match="--size"):
        parse_size(text)


def test_a_size_is_width_by_height():
    assert parse_size("1280x960") == (960, 1280)


def test_a_write_that_fails_leaves_the_old_file_and_nothing_else(tmp_path: Path):
    path = tmp_path / "truth.json"
    path.write_bytes(b"old")
    with pytest.raises(TypeError):
        replace_file(path, "text is no bytes")  # type: ignore[arg-type]
    assert [each.name for each in tmp_path.iterdir()] == ["truth.json"]
    assert path.read_bytes() == b"old"
