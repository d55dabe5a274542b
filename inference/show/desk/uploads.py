"""Pictures taken in from the page: streamed to disk within limits, and known by their content."""

import asyncio
import secrets
import shutil
import struct
import warnings
from collections.abc import AsyncIterator
from pathlib import Path

from ....model.errors import UnreadablePicture, UsageError
from ...see.decoded import check_size
from ...see.inputs import is_own_output
from ..jobs import file_name

__all__ = [
    "CHUNK_WAIT_S",
    "MOST_PICTURES",
    "MOST_PICTURE_BYTES",
    "TooLarge",
    "TooSlow",
    "check_length",
    "take_in",
]

MOST_PICTURE_BYTES = 400 << 20  # 60 megapixels of 16 bits in three colours, with room to spare
MOST_PICTURES = 24
LEAST_FREE_BYTES = 256 << 20
CHUNK_WAIT_S = 20.0
# What a file of each kind that can be read begins with.
BEGINNINGS = {
    b"\x89PNG\r\n\x1a\n": ".png",
    b"\xff\xd8\xff": ".jpg",
    b"GIF87a": ".gif",
    b"GIF89a": ".gif",
    b"BM": ".bmp",
    b"II*\0": ".tif",
    b"MM\0*": ".tif",
    b"II+\0": ".tif",
    b"MM\0+": ".tif",
    **{b"P%d" % n: ".ppm" for n in range(1, 7)},
}


class TooLarge(UsageError):
    """More than is taken in."""


class TooSlow(UsageError):
    """The rest did not come."""


def check_length(stated: str | None, name: str) -> None:
    """Raise TooLarge for a stated length that is not taken in, before anything is received."""
    if stated is not None and int(stated) > MOST_PICTURE_BYTES:
        raise _too_large(name)


async def take_in(chunks: AsyncIterator[bytes], name: str, folder: Path) -> str:
    """Write one picture to `folder` and return its file's name there.

    `name` is what it was called where it came from; only a stem of harmless letters is kept of it.
    Raises UnreadablePicture for what is no picture that can be read, TooLarge and TooSlow.
    """
    part = folder / f".{secrets.token_hex(8)}.part"
    try:
        await _receive(chunks, part, name)
        suffix = _suffix(part, name)
        await asyncio.to_thread(_check_pixels, part, name, suffix)
        path = _free_name(folder, name, suffix)
        if is_own_output(path):
            raise UnreadablePicture(f"{name}: is called like a result of Fiberward; rename it")
        part.rename(path)
        return path.name
    finally:
        part.unlink(missing_ok=True)


async def _receive(chunks: AsyncIterator[bytes], part: Path, name: str) -> None:
    size = 0
    with part.open("xb") as file:
        while True:
            try:
                chunk = await asyncio.wait_for(anext(chunks, None), CHUNK_WAIT_S)
            except TimeoutError as error:
                raise TooSlow(f"{name}: the rest did not come; try again") from error
            if chunk is None:
                return
            size += len(chunk)
            if size > MOST_PICTURE_BYTES:
                raise _too_large(name)
            if shutil.disk_usage(part.parent).free < LEAST_FREE_BYTES:
                raise TooLarge(f"{name}: there is too little room on the disk")
            file.write(chunk)


def _too_large(name: str) -> TooLarge:
    return TooLarge(f"{name}: is larger than {MOST_PICTURE_BYTES >> 20} MiB")


def _suffix(path: Path, name: str) -> str:
    """The suffix that fits the file's content."""
    with path.open("rb") as file:
        head = file.read(16)
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return ".webp"
    for beginning, suffix in BEGINNINGS.items():
        if head.startswith(beginning):
            return suffix
    raise UnreadablePicture(
        f"{name}: is no picture that can be read (BMP, GIF, JPEG, PNG, PPM, TIFF, WebP)"
    )


def _check_pixels(path: Path, name: str, suffix: str) -> None:
    """Refuse more pixels than are read, by the file's own header; nothing is decoded."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(path) as image:
                check_size(*image.size)
    except Image.DecompressionBombError as error:
        raise UnreadablePicture(f"{name}: has more pixels than are read") from error
    except UnreadablePicture as error:
        raise UnreadablePicture(f"{name}: {error}") from error
    except (OSError, SyntaxError, ValueError, EOFError, struct.error) as error:
        if suffix == ".tif":
            return  # some TIFF files only the worker's reader knows
        raise UnreadablePicture(f"{name}: is damaged or cut short") from error


def _free_name(folder: Path, name: str, suffix: str) -> Path:
    """A path in `folder` that is not taken, after the name's own stem."""
    stem = file_name(name.replace("\\", "/").rpartition("/")[2]).rpartition(".")[0]
    stem = stem.strip(" .")[:60] or "picture"
    path, number = folder / f"{stem}{suffix}", 2
    taken = {each.stem.casefold() for each in folder.iterdir()}
    while path.stem.casefold() in taken:
        path, number = folder / f"{stem}-{number}{suffix}", number + 1
    return path
