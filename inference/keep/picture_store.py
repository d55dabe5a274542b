"""The folder that holds the records' pictures, each under the SHA-256 of its bytes.

A picture is on the disk before the row that names it is written: no row ever names a picture
that is not there. A note of intent lies in `incoming/` from before the first picture until after
the row's commit; one that is found later tells of an interruption.
"""

import hashlib
import json
import os
import tempfile
import time
from collections.abc import Generator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from ...model.errors import RecordsError

__all__ = ["Intent", "PictureStore"]

STALE_S = 3600.0


@dataclass(frozen=True)
class Intent:
    """What an interrupted run meant to record: the inspection's uid and some words on it."""

    uid: str
    about: str
    file: Path


class PictureStore:
    """Pictures by content hash under `folder`, which is made at the first write."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.incoming = folder / "incoming"

    def path(self, sha256: str, suffix: str) -> Path:
        """Where a picture lies, whether it is there or not."""
        return self.folder / sha256[:2] / f"{sha256}{suffix}"

    def put(self, data: bytes, suffix: str) -> str:
        """Keep a picture's bytes and return their SHA-256; once it returns, they are on the disk.

        Raises RecordsError where they cannot be written.
        """
        sha256 = hashlib.sha256(data).hexdigest()
        path = self.path(sha256, suffix)
        try:
            if path.exists() and path.stat().st_size == len(data):
                return sha256
            path.parent.mkdir(parents=True, exist_ok=True)
            self._write(path, data)
            _flush_folder(path.parent)
        except OSError as error:
            raise self._refused(error) from error
        return sha256

    def _write(self, path: Path, data: bytes) -> None:
        self.incoming.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=self.incoming, suffix=".part")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise

    @contextmanager
    def intent(self, uid: str, about: str) -> Generator[None]:
        """A note on the disk, for as long as the block runs, that this uid is being recorded."""
        note = self.incoming / f"{uid}.json"
        try:
            self.incoming.mkdir(parents=True, exist_ok=True)
            file = note.open("w", encoding="utf-8")
        except OSError as error:
            raise self._refused(error) from error
        with file:
            _lock(file)
            json.dump({"uid": uid, "about": about}, file)
            file.flush()
            os.fsync(file.fileno())
            try:
                yield
            finally:
                note.unlink(missing_ok=True)

    def interrupted(self) -> list[Intent]:
        """The intents that nobody is working on any more."""
        found: list[Intent] = []
        for note in sorted(self.incoming.glob("*.json")) if self.incoming.is_dir() else []:
            values = _left_behind(note)
            if values is not None:
                uid = str(values.get("uid", note.stem))
                found.append(Intent(uid, str(values.get("about", "an inspection")), note))
        return found

    def clear(self, intents: list[Intent]) -> None:
        """Forget intents that have been told of, and the half-written files beside them."""
        for intent in intents:
            intent.file.unlink(missing_ok=True)
        if not intents:
            return
        for part in self.incoming.glob("*.part"):
            if time.time() - part.stat().st_mtime > STALE_S:  # a running program may own the others
                part.unlink(missing_ok=True)

    def damage(self, sha256: str, suffix: str) -> str | None:
        """What is wrong with a kept picture, None if nothing."""
        try:
            data = self.path(sha256, suffix).read_bytes()
        except FileNotFoundError:
            return "is missing"
        except OSError as error:
            return f"cannot be read ({error.strerror})"
        return None if hashlib.sha256(data).hexdigest() == sha256 else "was changed"

    def _refused(self, error: OSError) -> RecordsError:
        reason = error.strerror or type(error).__name__
        return RecordsError(
            f"{self.folder}: a picture cannot be kept there ({reason}); nothing was recorded"
        )


def _left_behind(note: Path) -> Mapping[str, Any] | None:
    """What a note says if no running program holds it; None otherwise."""
    try:
        with note.open("r+", encoding="utf-8") as file:
            if not _lock(file):
                return None
            try:
                return json.load(file)
            except ValueError:  # cut off while the note itself was written
                return {}
    except OSError:
        return None


def _lock(file: IO[str]) -> bool:
    """Hold a file for as long as it is open; False if another program holds it."""
    try:
        import fcntl
    except ModuleNotFoundError:  # Windows: an open file cannot be removed there, which also tells
        return True
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _flush_folder(folder: Path) -> None:
    """Put a folder's own entries on the disk; not every system can."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
