"""Reading people's text, and writing files so that a reader, or a power cut, never meets half."""

import os
import shutil
import tempfile
from collections.abc import Generator, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from ...model.errors import UsageError

__all__ = [
    "only_writer",
    "read_text",
    "staged_folder",
    "text_lines",
    "write_atomically",
    "written_whole",
]


def read_text(path: Path, hint: str = "") -> str:
    """A file's text, UTF-8 with or without its mark; `hint`: what to do where it is not UTF-8.

    Raises UsageError with file, line and column.
    """
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        column = error.start - error.object.rfind(b"\n", 0, error.start)
        raise UsageError(f"{path}, line {line}: is not UTF-8 at column {column}{hint}") from error


def text_lines(path: Path) -> Iterator[tuple[int, str]]:
    """Number, from 1, and text of each line of a UTF-8 file that is not blank, one at a time.

    Raises UsageError as read_text does.
    """
    try:
        with path.open("rb") as file:
            for number, raw in enumerate(file, 1):
                try:
                    line = raw.decode("utf-8-sig" if number == 1 else "utf-8")
                except UnicodeDecodeError as error:
                    where = f"{path}, line {number}: is not UTF-8 at column {error.start + 1}"
                    raise UsageError(where) from error
                if line.strip():
                    yield number, line
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror})") from error


def write_atomically(path: Path, data: bytes) -> None:
    """Write `data` to `path`, whole or not at all (see written_whole)."""
    with written_whole(path) as file:
        file.write(data)


@contextmanager
def written_whole(path: Path) -> Generator[IO[bytes]]:
    """A file to write to: under a temporary name beside `path`, flushed to disk, then renamed.

    If the block raises, `path` is as it was.
    """
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".fiberward-", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o666 & ~_umask())  # mkstemp makes files that only the owner may read
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


@contextmanager
def staged_folder(folder: Path, last: str) -> Generator[Path]:
    """A temporary folder inside `folder`; what was written there moves out when the block ends.

    The file named `last` moves last, so that its presence says that the others are complete. If
    the block raises, nothing of `folder` has changed. Raises UsageError where nothing can be
    written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(dir=folder, prefix=".fiberward-", suffix=".part"))
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise UsageError(
            f"{folder}: cannot write there ({reason}); name another folder with --out"
        ) from error
    try:
        yield staging
        for path in sorted(staging.iterdir(), key=lambda file: file.name == last):
            os.replace(path, folder / path.name)
    finally:
        shutil.rmtree(staging, ignore_errors=True)


@contextmanager
def only_writer(path: Path) -> Generator[None]:
    """Hold `path` while the block reads and replaces it; other programs that ask wait their turn.

    By a lock on a file beside it, which stays: the file itself is replaced, and with it a lock on
    it would go. The system lets go of it however this program ends. Raises OSError.
    """
    with path.with_name(f".{path.name}.lock").open("a+b") as file:
        _wait_for(file)
        yield


def _wait_for(file: IO[bytes]) -> None:
    """Lock an open file for as long as it stays open."""
    try:
        import fcntl
    except ModuleNotFoundError:  # Windows
        import msvcrt

        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)  # type: ignore[attr-defined]
        return
    fcntl.flock(file, fcntl.LOCK_EX)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
