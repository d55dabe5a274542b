"""A picture taken into a case, whether it was dropped, taken by the camera or found in a folder."""

import re
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

from starlette.exceptions import HTTPException

from .job import PICTURES, Shot, read_job, write_job
from .shelf import Case
from .uploads import MOST_PICTURES, TooLarge, take_in

__all__ = ["add_picture", "chunks_of", "harmless"]

CHUNK_BYTES = 1 << 20


def harmless(name: str) -> str:
    """A picture's name without folders and without what might mean something somewhere."""
    last = name.replace("\\", "/").rpartition("/")[2][:200] or "picture"
    return re.sub(r"[^\w .()+,;=@-]", "_", last)


async def add_picture(case: Case, chunks: AsyncIterator[bytes], name: str, turn: str = "-") -> str:
    """Take one picture in; its file's name in the case. Raises what `take_in` raises."""
    job = read_job(case.folder)
    if job is not None and len(job.shots) >= MOST_PICTURES:
        raise TooLarge(f"a connector may have {MOST_PICTURES} pictures at most")
    file = await take_in(chunks, harmless(name), case.folder / PICTURES)
    job = read_job(case.folder)  # another picture may have come in meanwhile
    if job is None or not job.open or len(job.shots) >= MOST_PICTURES:
        (case.folder / PICTURES / file).unlink()
        raise HTTPException(409, f"{name}: came too late; its inspection has begun")
    write_job(case.folder, replace(job, shots=(*job.shots, Shot(file, turn))))
    return file


async def chunks_of(source: Path | bytes) -> AsyncIterator[bytes]:
    """A file, or bytes, in pieces."""
    if isinstance(source, bytes):
        yield source
        return
    with source.open("rb") as file:
        while chunk := file.read(CHUNK_BYTES):
            yield chunk
