"""A batch that was interrupted goes on where it stopped, and what is done is not done again."""

import json

import pytest

from fiberward.inference import pipeline
from fiberward.inference.keep.find_records import rows
from fiberward.inference.keep.records import Records
from fiberward.inference.settings import Settings
from fiberward.inference.show.app import main
from fiberward.inference.show.recorder import Recorder
from fiberward.model.errors import UsageError


class Counting:
    """A segmenter that counts the pictures it was given and may be interrupted at one."""

    def __init__(self, inner) -> None:
        self.inner, self.card, self.seen, self.stop_at = inner, inner.card, 0, None

    def __call__(self, rgb):
        if self.seen == self.stop_at:
            raise KeyboardInterrupt
        self.seen += 1
        return self.inner(rgb)

    def take_threads(self, threads):
        self.inner.take_threads(threads)


@pytest.fixture
def batch(monkeypatch, reads_drawings, tmp_path, drawing, spot):
    """Three labelled connectors of one picture each; the segmenter; and the command."""
    segmenter = Counting(reads_drawings)
    monkeypatch.setattr(pipeline, "Segmenter", lambda model, threads: segmenter)
    monkeypatch.setattr(pipeline, "Settings", lambda: Settings(map_px=60))
    monkeypatch.setenv("FIBERWARD_DB", str(tmp_path / "records.db"))
    for k in range(3):
        folder = tmp_path / "batch" / f"P{k}"
        folder.mkdir(parents=True)
        (folder / "connector.toml").write_text(f'label = "P{k}"\nferrule_mm = 2.5\n')
        drawing.view("front.png", 0, 0, (spot(600, 10 + 20 * k, 60),)).rename(folder / "front.png")
    out = tmp_path / "out"

    def run(*options) -> int:
        return main(["inspect", str(tmp_path / "batch"), "--out", str(out), *options])

    return segmenter, run, out


def test_what_an_interrupted_run_has_done_is_not_done_again(batch, capsys):
    segmenter, run, out = batch
    segmenter.stop_at = 2
    assert run() == 130
    assert "stopped after 2 of 3 connectors" in capsys.readouterr().err
    assert sorted(path.parent.name for path in out.glob("*/inspection.json")) == ["P0", "P1"]
    assert list(out.rglob("*.part")) == []

    segmenter.stop_at, segmenter.seen = None, 0
    first = (out / "P0" / "inspection.json").read_bytes()
    assert run("--resume", "--json") == 1
    assert segmenter.seen == 1
    assert (out / "P0" / "inspection.json").read_bytes() == first
    document = json.loads(capsys.readouterr().out)
    assert [each["connector"]["label"] for each in document["inspections"]] == ["P0", "P1", "P2"]
    with Records.open() as records:
        assert [row.label for row in rows(records)] == ["P0", "P1", "P2"]

    segmenter.seen = 0
    assert run("--resume") == 1
    assert segmenter.seen == 0
    assert capsys.readouterr().out.count("as inspected before") == 3


def test_what_is_no_longer_the_same_is_done_again(batch, tmp_path, drawing, spot):
    segmenter, run, out = batch
    run()
    folder = tmp_path / "batch"
    drawing.view("front.png", 0, 0, (spot(700, 50, 60),)).rename(folder / "P0" / "front.png")
    (folder / "P1" / "connector.toml").write_text('label = "P1"\nferrule_mm = 2.5\nlot = "L2"\n')
    (out / "P2" / "inspection.json").write_text("{")
    segmenter.seen = 0
    run("--resume")
    assert segmenter.seen == 3


def test_results_that_were_not_recorded_are_recorded(batch, capsys):
    segmenter, run, out = batch
    run("--no-record")
    segmenter.seen = 0
    run("--resume")
    assert segmenter.seen == 0
    with Records.open() as records:
        assert len(rows(records)) == 3


def test_a_comparison_that_fails_costs_a_finished_inspection_nothing(batch, monkeypatch, capsys):
    segmenter, run, _ = batch
    assert run() == 1
    segmenter.seen = 0
    capsys.readouterr()

    def refuse(*_what) -> None:
        raise UsageError("the two maps are of different ferrules")

    monkeypatch.setattr(Recorder, "compare", refuse)
    assert run("--resume", "--json") == 1
    assert segmenter.seen == 0
    found = capsys.readouterr()
    assert len(json.loads(found.out)["inspections"]) == 3
    assert found.err.count("not compared with the inspection before") == 3


def test_going_on_needs_to_know_where(batch, tmp_path, capsys):
    assert main(["inspect", str(tmp_path / "batch"), "--resume"]) == 2
    assert "name it with --out" in capsys.readouterr().err
