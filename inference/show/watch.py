"""A folder that is looked at again and again: each new connector in it is inspected once.

Polled, since network drives tell nobody what changed. A connector is a sub-folder with pictures. It
is taken when the names, sizes and times of its files have stayed the same for `settle_s`, so that
no half-copied file is read. What was done is kept by the pictures' content in `watched.jsonl`: the
same pictures give one result, also after a restart and under another folder's name.
"""

import hashlib
import json
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path

from ...model.errors import FiberwardError, UsageError
from ..see.connector_file import CONNECTOR_FILE
from ..see.inputs import PICTURE_SUFFIXES, is_own_output

__all__ = ["Done", "FolderWatch", "content_key"]

DONE_FILE = "watched.jsonl"
INTERNAL = 5
TRIES = 10  # how often what cannot be read is waited for
Signature = tuple[tuple[str, int, int], ...]


@dataclass(frozen=True)
class Done:
    """One inspected picture set. key: of its content; code: the inspection's exit code."""

    key: str
    connector: str
    results: str
    code: int
    at: str


@dataclass
class _Seen:
    """A sub-folder as last seen, since when, whether that state was dealt with, and how often it
    could not be read.
    """

    signature: Signature
    since_s: float
    dealt_with: bool = False
    refused: int = 0


@dataclass
class FolderWatch:
    """Watches `folder`; results go to sub-folders of `out`.

    inspect(connector's folder, folder for results) -> exit code. say: tells a line. clock: seconds.
    """

    folder: Path
    out: Path
    inspect: Callable[[Path, Path], int]
    say: Callable[[str], None]
    settle_s: float = 5.0
    clock: Callable[[], float] = time.monotonic
    now: Callable[[], str] = lambda: time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
    seen: dict[str, _Seen] = field(default_factory=dict[str, _Seen])
    done: dict[str, Done] = field(default_factory=dict[str, Done])
    blind: int = 0  # how often in a row something could not be looked into

    def __post_init__(self) -> None:
        if not self.folder.is_dir():
            raise UsageError(f"{self.folder}: is no folder; give the one to watch")
        if self.out.resolve() == self.folder.resolve():
            raise UsageError(
                f"{self.out}: results cannot go where pictures come from; change --out"
            )
        rows, damaged = read_done(self.out / DONE_FILE)
        self.done = {row.key: row for row in rows}
        if damaged:
            self.say(f"{self.out / DONE_FILE}: {damaged} lines are damaged and passed over")

    def poll(self) -> list[Done]:
        """Look once; inspect what has settled. Gives what was inspected."""
        found: list[Done] = []
        present = dict(self._present())
        for name in [name for name in self.seen if name not in present]:
            del self.seen[name]
        for name, signature in present.items():
            last = self.seen.get(name)
            if last is None or last.signature != signature:
                self.seen[name] = _Seen(signature, self.clock())
            elif not last.dealt_with and self.clock() - last.since_s >= self.settle_s:
                result = self._take(name, last)
                if result is not None:
                    found.append(result)
        return found

    def waiting(self) -> bool:
        """Whether something is there, or may be, that has not been dealt with.

        What could not be read `TRIES` times is not waited for, though it goes on being tried.
        """
        refused = (each.refused for each in self.seen.values() if not each.dealt_with)
        return 0 < self.blind < TRIES or any(times < TRIES for times in refused)

    def unread(self) -> bool:
        """Whether something is there, or may be, that could not be read the last time."""
        return self.blind > 0 or any(s.refused and not s.dealt_with for s in self.seen.values())

    def _present(self) -> Iterator[tuple[str, Signature]]:
        """Sub-folders with pictures, and what their files look like from outside."""
        skip = self.out.resolve()
        before, self.blind = self.blind, 0
        try:
            folders = sorted(path for path in self.folder.iterdir() if path.is_dir())
        except OSError as error:
            self._cannot_look(self.folder, error, before)
            return
        for path in folders:
            if path.name.startswith(".") or path.resolve() == skip:
                continue
            try:
                files = _files(path)
                stats = [(file.name, *_size_and_time(file)) for file in files]
            except FileNotFoundError:
                continue  # vanished while it was looked at; the next look tells
            except OSError as error:
                self._cannot_look(path, error, before)
                continue
            if any(Path(name).suffix.casefold() in PICTURE_SUFFIXES for name, _, _ in stats):
                yield path.name, tuple(stats)

    def _cannot_look(self, path: Path, error: OSError, before: int) -> None:
        self.blind = before + 1
        if not before:
            self.say(f"{path}: cannot be listed now ({error.strerror}); trying again")

    def _take(self, name: str, seen: _Seen) -> Done | None:
        """Inspect one settled folder, unless these pictures were inspected before."""
        source = self.folder / name
        try:
            key = content_key(source)
        except OSError as error:
            if not seen.refused:
                file = error.filename or source
                self.say(f"{file}: cannot be read now ({error.strerror}); trying again")
            seen.refused += 1
            return None
        seen.dealt_with = True
        before = self.done.get(key)
        if before is not None:
            if before.connector != name:
                self.say(f"{name}: the same pictures as {before.connector}, in {before.results}")
            return None
        results = self._free(name)
        try:
            code = self.inspect(source, results)
        except FiberwardError as error:
            if error.exit_code == 4:
                raise  # no model, no records: nothing after it could be done either
            self.say(f"{name}: {error}")
            code = error.exit_code
        except Exception as error:
            self.say(
                f"{name}: internal error ({type(error).__name__}); the others go on; "
                f"fiberward inspect {source} tells more"
            )
            return Done(key, name, results.name, INTERNAL, self.now())  # tried again after a start
        row = Done(key, name, results.name, code, self.now())
        append_done(self.out / DONE_FILE, row)
        self.done[key] = row
        return row

    def _free(self, name: str) -> Path:
        """A folder for results that holds none of another picture set."""
        taken = {row.results for row in self.done.values()}
        free, number = name, 2
        while free in taken:
            free, number = f"{name}-{number}", number + 1
        return self.out / free


def _files(folder: Path) -> list[Path]:
    """What decides an inspection: the pictures and connector.toml."""
    return sorted(
        path
        for path in folder.iterdir()
        if path.is_file()
        and not path.name.startswith(".")
        and (path.name == CONNECTOR_FILE or path.suffix.casefold() in PICTURE_SUFFIXES)
        and not is_own_output(path)
    )


def _size_and_time(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_size, status.st_mtime_ns


def content_key(folder: Path) -> str:
    """SHA-256 over the contents of a connector's files, in the order of their names."""
    digest = hashlib.sha256()
    for path in _files(folder):
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def read_done(path: Path) -> tuple[list[Done], int]:
    """What was done before, and how many lines a kill left half written: those are done again."""
    rows: list[Done] = []
    damaged = 0
    for line in path.read_text(encoding="utf-8").splitlines() if path.exists() else ():
        try:
            rows.append(Done(**json.loads(line)))
        except (ValueError, TypeError):
            damaged += 1
    return rows, damaged


def append_done(path: Path, row: Done) -> None:
    """One line more, on the disk before it counts."""
    path.parent.mkdir(parents=True, exist_ok=True)
    begun = path.exists() and not path.read_bytes().endswith(b"\n") and path.stat().st_size > 0
    with path.open("a", encoding="utf-8") as stream:
        stream.write(("\n" if begun else "") + json.dumps(asdict(row), ensure_ascii=False) + "\n")
        stream.flush()
        os.fsync(stream.fileno())
