"""Writing files so that a reader, or a power cut, never meets half of one."""

import os
import shutil
import tempfile
from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path

from ...model.errors import UsageError

__all__ = ["staged_folder", "write_atomically"]


def write_atomically(path: Path, data: bytes) -> None:
    """Write `data` to `path`: to a temporary name beside it, flushed to disk, then renamed."""
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".fiberward-", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
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


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
