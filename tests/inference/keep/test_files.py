"""Files appear whole or not at all."""

import os
import stat
from pathlib import Path

import pytest

from fiberward.inference.keep.files import staged_folder, write_atomically
from fiberward.model.errors import UsageError


def test_a_file_is_replaced_whole_and_nothing_else_is_left(tmp_path: Path) -> None:
    path = tmp_path / "été 日本.json"
    write_atomically(path, b"one")
    write_atomically(path, b"two")
    assert path.read_bytes() == b"two"
    assert list(tmp_path.iterdir()) == [path]


def test_a_written_file_has_the_permissions_of_any_new_file(tmp_path: Path) -> None:
    (tmp_path / "plain").write_bytes(b"")
    write_atomically(tmp_path / "ours", b"")
    modes = {stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir()}
    assert len(modes) == 1


def test_a_failed_write_keeps_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "record"
    write_atomically(path, b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_staged_folder_moves_its_files_out_with_the_named_one_last(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    moved: list[str] = []
    replace = os.replace

    def record(source: Path, target: Path) -> None:
        moved.append(target.name)
        replace(source, target)

    with staged_folder(tmp_path / "out", "b.json") as staging:
        for name in ("a.png", "b.json", "c.png"):
            (staging / name).write_bytes(name.encode())
        assert list((tmp_path / "out").iterdir()) == [staging]
        monkeypatch.setattr(os, "replace", record)
    assert moved == ["a.png", "c.png", "b.json"]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "a.png",
        "b.json",
        "c.png",
    ]


def test_a_failure_while_staging_changes_nothing(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(b"old")

    def work() -> None:
        with staged_folder(tmp_path, "b.json") as staging:
            (staging / "a.png").write_bytes(b"new")
            raise RuntimeError("in the middle")

    with pytest.raises(RuntimeError, match="in the middle"):
        work()
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"a.png": b"old"}


def test_a_folder_that_cannot_be_made_ends_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with (
        pytest.raises(UsageError, match="cannot write there"),
        staged_folder(tmp_path / "file", "x"),
    ):
        pass
