"""Pictures that hold less than their header says; decoders fill up with black and say nothing.

Black at the edge of a picture would count as not seen, but a person would not be told that the file
is damaged, and what the missing rows showed would be gone without a word.
"""

import zlib
from collections.abc import Iterator
from typing import Any

from ...model.errors import UnreadablePicture

__all__ = ["check_png_rows", "check_tiff_strips"]

# TIFF 6.0, sections 8, 15 and 22; compression 7: Technical Note 2 of 1995
BITS_TAG, COMPRESSION_TAG, STRIPS_TAG, STRIP_BYTES_TAG, TILE_BYTES_TAG = 258, 259, 273, 279, 325
PHOTOMETRIC_TAG, YCBCR = 262, 6  # whose colours may be stored in fewer pixels
PLAIN, JPEG = 1, 7
# PNG specification (ISO/IEC 15948): samples per pixel by colour type; the seven passes of Adam7 as
# first column and row, step between columns and rows
PNG_SAMPLES = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
ADAM7 = (
    (0, 0, 8, 8),
    (4, 0, 8, 8),
    (0, 4, 4, 8),
    (2, 0, 4, 4),
    (0, 2, 2, 4),
    (1, 0, 2, 2),
    (0, 1, 1, 2),
)
PIECE = 1 << 20


def check_png_rows(data: bytes) -> None:
    """Refuse a PNG whose pixels, unpacked, are fewer bytes than its header asks for.

    Raises UnreadablePicture, or zlib.error for damage on the way.
    """
    width, height = (int.from_bytes(data[k : k + 4], "big") for k in (16, 20))
    depth, color, interlaced = data[24], data[25], data[28] == 1
    bits = depth * PNG_SAMPLES[color]
    passes = ADAM7 if interlaced else ((0, 0, 1, 1),)
    needed = sum(
        rows * (1 + (columns * bits + 7) // 8)
        for x, y, dx, dy in passes
        if (columns := -(-(width - x) // dx)) > 0 and (rows := -(-(height - y) // dy)) > 0
    )
    _check(_unpacked(data, needed), needed)


def _unpacked(data: bytes, most: int) -> int:
    """How many bytes the PNG's image data unpacks to; counting ends at `most`."""
    unpack, held = zlib.decompressobj(), 0
    for packed in _image_data(data):
        while packed and held < most:
            held += len(unpack.decompress(packed, PIECE))
            packed = unpack.unconsumed_tail
    return held + len(unpack.flush())


def _image_data(data: bytes) -> Iterator[bytes]:
    """The bodies of the IDAT chunks."""
    at = 8
    while at + 8 <= len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        if data[at + 4 : at + 8] == b"IDAT":
            yield data[at + 8 : at + 8 + length]
        at += 12 + length


def check_tiff_strips(image: Any, data: bytes) -> None:
    """Refuse a plain or JPEG-packed TIFF (as Pillow opened it) whose strips hold too little.

    Other packings are checked by their decoder.
    """
    tags = image.tag_v2
    counts = tags.get(STRIP_BYTES_TAG) or tags.get(TILE_BYTES_TAG)
    packing = tags.get(COMPRESSION_TAG, PLAIN)
    if packing == PLAIN and counts is not None and tags.get(PHOTOMETRIC_TAG) != YCBCR:
        bits = sum(tags.get(BITS_TAG, (1,)))
        _check(sum(counts), (image.width * bits + 7) // 8 * image.height)
    if packing == JPEG and STRIPS_TAG in tags:
        rows = [jpeg_rows(data[offset:]) for offset in tags[STRIPS_TAG]]
        if sum(rows) < image.height:
            raise UnreadablePicture(
                f"is damaged or cut short (holds {sum(rows)} of {image.height} rows); copy it "
                "again from the camera"
            )


def jpeg_rows(data: bytes) -> int:
    """The height that a JPEG stream's frame header gives (ITU-T T.81, B.2.2); 0 without one."""
    at = 2
    while at + 9 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            return int.from_bytes(data[at + 5 : at + 7], "big")
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return 0


def _check(held: int, needed: int) -> None:
    if held < needed:
        raise UnreadablePicture(
            f"is damaged or cut short (holds {held} of {needed} bytes); copy it again from the "
            "camera"
        )
