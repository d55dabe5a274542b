"""The files of `fiberward render`."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image

from fiberward.model.errors import ModelError, UsageError
from fiberward.model.kinds import KIND_NAMES
from fiberward.model.surfaces import SURFACE_NAMES
from fiberward.synthetic import render_command
from fiberward.synthetic.connector_files import replace_file
from fiberward.synthetic.render_command import parse_size, render
from fiberward.synthetic.render_work import RenderItem, RenderWork, draw_item
from fiberward.synthetic.views import ConnectorPlan


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


def test_an_interrupted_set_goes_on_with_what_is_missing(folder: Path, tmp_path: Path):
    """Cut off before its truth was written, a connector is drawn again, to the same bytes."""
    copy = tmp_path / "set"
    shutil.copytree(folder, copy)
    (copy / "c8n00000.json").unlink()
    (copy / "c8n00000-2.jpg").unlink()
    options = {"count": 1, "seed": 8, "size": "160x120", "views": 3, "quiet": True}
    assert render(copy, resume=True, **options) == 0
    drawn = {path.name: path.read_bytes() for path in copy.iterdir()}
    assert drawn == {path.name: path.read_bytes() for path in folder.iterdir()}
    times = {path.name: path.stat().st_mtime_ns for path in copy.iterdir()}
    assert render(copy, resume=True, **options) == 0
    assert times == {path.name: path.stat().st_mtime_ns for path in copy.iterdir()}


def test_a_set_drawn_otherwise_is_not_gone_on_with(folder: Path):
    with pytest.raises(UsageError, match="drawn otherwise"):
        render(folder, count=1, seed=8, size="200x120", views=3, resume=True, quiet=True)


def test_a_worker_with_another_renderer_is_refused(tmp_path: Path):
    work = RenderWork(ConnectorPlan(2, (64, 64)), tmp_path, "cpu", renderer="0123456789ab")
    with pytest.raises(ModelError, match="same version"):
        draw_item(work, RenderItem("c1", 1))
    assert not list(tmp_path.iterdir())


def test_each_of_several_processes_draws_with_one_processor(tmp_path: Path, monkeypatch):
    def here(work: RenderWork, items: list[RenderItem], count: int, *_: object) -> int:
        assert count == 2
        before = torch.get_num_threads()
        try:
            for item in items:
                draw_item(work, item)
            used.append(torch.get_num_threads())
        finally:
            torch.set_num_threads(before)
        return len(items)

    used: list[int] = []
    monkeypatch.setattr(render_command, "on_processes", here)
    assert render(tmp_path, count=2, seed=5, size="64x64", views=2, jobs=2, quiet=True) == 0
    assert used == [1]


@pytest.mark.long
def test_two_processes_draw_what_one_draws(tmp_path: Path):
    options = {"count": 3, "seed": 5, "size": "320x240", "views": 2, "quiet": True}
    assert render(tmp_path / "one", **options) == 0
    assert render(tmp_path / "two", jobs=2, **options) == 0
    one, two = ({path.name: path.read_bytes() for path in (tmp_path / name).iterdir()}
                for name in ("one", "two"))  # fmt: skip
    assert len(one) == 3 * (1 + 2 * 4)
    assert one == two


@pytest.mark.long
@pytest.mark.filterwarnings("ignore")
def test_a_cluster_draws_what_one_process_draws(tmp_path: Path, cluster):
    """Scheduler and two workers as processes of their own."""
    pytest.importorskip("distributed")
    options = {"count": 3, "seed": 5, "size": "320x240", "views": 2, "quiet": True}
    assert render(tmp_path / "one", **options) == 0
    cluster.start_scheduler()
    workers = [cluster.start_worker() for _ in range(2)]
    assert render(tmp_path / "two", cluster=cluster.address, **options) == 0
    assert all(worker.poll() is None for worker in workers)
    one, two = ({path.name: path.read_bytes() for path in (tmp_path / name).iterdir()}
                for name in ("one", "two"))  # fmt: skip
    assert one == two
