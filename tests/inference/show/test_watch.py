"""A watched folder: each picture set once, when it is whole, also after a restart."""

import json
from pathlib import Path

import pytest

from fiberward.inference.show.app import main
from fiberward.inference.show.watch import TRIES, FolderWatch
from fiberward.model.errors import ModelError, UnreadablePicture, UsageError


class Bench:
    """A folder to watch, a clock to turn, and a stand-in for the inspection that counts."""

    def __init__(self, folder: Path) -> None:
        self.drop, self.out = folder / "drop", folder / "out"
        self.drop.mkdir(exist_ok=True)
        self.time_s, self.inspected, self.said = 0.0, list[str](), list[str]()
        self.fails: dict[str, Exception] = {}

    def inspect(self, source: Path, results: Path) -> int:
        if source.name in self.fails:
            raise self.fails[source.name]
        self.inspected.append(f"{source.name} -> {results.name}")
        return 1

    def watch(self) -> FolderWatch:
        return FolderWatch(
            self.drop, self.out, self.inspect, self.said.append, 5.0, lambda: self.time_s
        )

    def put(self, name: str, data: bytes = b"picture", file: str = "a.jpg") -> None:
        (self.drop / name).mkdir(exist_ok=True)
        (self.drop / name / file).write_bytes(data)

    def look(self, watch: FolderWatch, seconds: float) -> list[str]:
        self.time_s += seconds
        return [row.connector for row in watch.poll()]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def test_a_folder_is_inspected_once_it_has_stopped_growing(bench: Bench) -> None:
    watch = bench.watch()
    bench.put("p1", b"half")
    assert bench.look(watch, 0) == []
    bench.put("p1", b"half and more")  # still being copied
    assert bench.look(watch, 4) == []
    bench.put("p1", b"the other view", "b.jpg")
    assert bench.look(watch, 4) == []
    assert bench.look(watch, 4) == []
    assert bench.look(watch, 2) == ["p1"]
    assert bench.look(watch, 99) == []
    assert bench.inspected == ["p1 -> p1"]


def settled(bench: Bench, watch: FolderWatch) -> list[str]:
    return bench.look(watch, 0) + bench.look(watch, 6)


def test_a_restart_inspects_nothing_twice(bench: Bench) -> None:
    bench.put("p1")
    assert settled(bench, bench.watch()) == ["p1"]
    bench.put("p2", b"another")
    assert settled(bench, bench.watch()) == ["p2"]
    assert bench.inspected == ["p1 -> p1", "p2 -> p2"]


def test_a_kill_while_the_list_is_written_costs_one_inspection_at_most(bench: Bench) -> None:
    bench.put("p1")
    bench.put("p2", b"another")
    assert settled(bench, bench.watch()) == ["p1", "p2"]
    file = bench.out / "watched.jsonl"
    file.write_bytes(file.read_bytes()[:-20])
    assert settled(bench, bench.watch()) == ["p2"]
    assert settled(bench, bench.watch()) == []
    assert len(file.read_text().splitlines()) == 3
    assert json.loads(file.read_text().splitlines()[0])["connector"] == "p1"


def test_new_pictures_of_a_known_connector_get_results_of_their_own(bench: Bench) -> None:
    watch = bench.watch()
    bench.put("p1")
    settled(bench, watch)
    bench.put("p1", b"after cleaning")
    assert settled(bench, watch) == ["p1"]
    assert bench.inspected == ["p1 -> p1", "p1 -> p1-2"]


def test_the_same_pictures_under_another_name_are_told_not_inspected(bench: Bench) -> None:
    watch = bench.watch()
    bench.put("p1")
    settled(bench, watch)
    bench.put("copy of p1")
    assert settled(bench, watch) == []
    assert bench.said == ["copy of p1: the same pictures as p1, in p1"]


def test_one_bad_folder_does_not_stop_the_others_but_a_missing_net_does(bench: Bench) -> None:
    watch = bench.watch()
    bench.fails = {"p1": UnreadablePicture("p1/a.jpg: is cut short")}
    bench.put("p1")
    bench.put("p2", b"good")
    assert settled(bench, watch) == ["p1", "p2"]
    assert bench.said == ["p1: p1/a.jpg: is cut short"]
    bench.fails["p3"] = ModelError("the active model's file is gone")
    bench.put("p3", b"good too")
    with pytest.raises(ModelError):
        settled(bench, watch)
    bench.fails = {}
    assert settled(bench, bench.watch()) == ["p3"]


def test_results_hidden_and_foreign_files_are_not_taken_as_connectors(bench: Bench) -> None:
    watch = bench.watch()
    bench.put("p1", b"text", "notes.txt")
    bench.put(".hidden")
    bench.put("p2", b"mask", "a.surfaces.png")
    assert settled(bench, watch) == []
    with pytest.raises(UsageError, match="results cannot go where pictures come from"):
        FolderWatch(bench.drop, bench.drop, bench.inspect, bench.said.append)


def test_a_folder_that_vanishes_is_forgotten_and_may_come_again(bench: Bench) -> None:
    watch = bench.watch()
    bench.put("p1")
    bench.look(watch, 0)
    (bench.drop / "p1" / "a.jpg").unlink()
    assert bench.look(watch, 6) == []
    assert not watch.waiting()
    bench.put("p1")
    assert settled(bench, watch) == ["p1"]


def test_an_internal_error_over_one_connector_does_not_end_the_watch(bench: Bench) -> None:
    watch = bench.watch()
    bench.fails = {"p1": ZeroDivisionError("in some rule")}
    bench.put("p1")
    bench.put("p2", b"good")
    bench.look(watch, 0)
    bench.time_s += 6
    assert [(row.connector, row.code) for row in watch.poll()] == [("p1", 5), ("p2", 1)]
    assert not watch.waiting()
    assert "p1: internal error (ZeroDivisionError)" in bench.said[0]
    bench.fails = {}
    assert settled(bench, bench.watch()) == ["p1"]


@pytest.mark.parametrize("what", ["all", "one"])
def test_a_folder_that_cannot_be_listed_is_waited_for(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    """Else `--once` would end with exit code 0: every connector may be mated."""
    watch = bench.watch()
    bench.put("p1")
    hidden = bench.drop if what == "all" else bench.drop / "p1"
    real = Path.iterdir

    def refusing(path: Path):
        if path == hidden:
            raise PermissionError(13, "Permission denied")
        return real(path)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "iterdir", refusing)
        assert bench.look(watch, 0) == []
        assert watch.waiting()
        assert bench.said == [f"{hidden}: cannot be listed now (Permission denied); trying again"]
    assert settled(bench, watch) == ["p1"]
    assert not watch.waiting()


def refuse_reading(patch: pytest.MonkeyPatch, file: Path) -> None:
    real = Path.read_bytes

    def refusing(path: Path) -> bytes:
        if path == file:
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    patch.setattr(Path, "read_bytes", refusing)


def test_a_picture_that_cannot_be_read_is_waited_for_but_not_for_ever(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    watch = bench.watch()
    bench.put("p1")
    bench.put("p2", b"good")
    file = bench.drop / "p1" / "a.jpg"
    with monkeypatch.context() as patch:
        refuse_reading(patch, file)
        assert settled(bench, watch) == ["p2"]
        for _ in range(TRIES - 1):
            assert watch.waiting()
            assert bench.look(watch, 2) == []
        assert not watch.waiting()
        assert watch.unread()
        assert bench.said == [f"{file}: cannot be read now (Permission denied); trying again"]
    assert bench.look(watch, 2) == ["p1"]  # it is still tried
    assert not watch.unread()


def test_once_ends_with_code_3_where_a_picture_cannot_be_read(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """3: a picture cannot be read; 0 would say that every connector may be mated."""
    bench.put("p1")
    refuse_reading(monkeypatch, bench.drop / "p1" / "a.jpg")
    quick = ["--once", "--every", "0.05", "--settle", "0"]
    assert main(["watch", str(bench.drop), "--out", str(bench.out), *quick]) == 3
    assert "could not be read was left out" in capsys.readouterr().err
