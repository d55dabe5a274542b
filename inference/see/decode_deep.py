"""Pictures of more than 8 bits per sample: 16-bit PNG, and deep or floating-point TIFF.

Samples are scaled to 8 bits by the white level that the file declares (PNG sBIT, TIFF
MaxSampleValue or SMaxSampleValue, DNG WhiteLevel, or 10, 12 or 14 bits per sample), else by the
full range of the sample type.
"""

import io
import logging
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.errors import UnreadablePicture
from .decoded import Decoded, check_size, over_black

__all__ = ["decode_deep_png", "decode_deep_tiff", "is_deep_png", "is_tiff"]

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
TIFF_SIGNATURES = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
# TIFF 6.0: photometric interpretations and tags; WhiteLevel: DNG 1.4.
MIN_IS_WHITE, MIN_IS_BLACK, RGB, SEPARATED = 0, 1, 2, 5
CHANNELS = {MIN_IS_WHITE: 1, MIN_IS_BLACK: 1, RGB: 3, SEPARATED: 4}
SAMPLE_FLOAT = 3
WHITE_LEVEL_TAGS = (50717, 341, 281)
ORIENTATION_TAG = 274
ALPHA_SAMPLES = (1, 2)
MOST_PAGES = 40  # of a TIFF, previews included; no camera writes so many

# What tifffile logs about damaged files ends up in our one line; keep it off the user's screen.
logging.getLogger("tifffile").addHandler(logging.NullHandler())


def is_deep_png(data: bytes) -> bool:
    """Whether these bytes begin a PNG of 16 bits per sample."""
    return data.startswith(PNG_SIGNATURE) and data[12:16] == b"IHDR" and data[24:25] == b"\x10"


def is_tiff(data: bytes) -> bool:
    """Whether these bytes begin a TIFF or BigTIFF."""
    return data[:4] in TIFF_SIGNATURES


def decode_deep_png(data: bytes) -> Decoded:
    """Decode a 16-bit PNG; raises UnreadablePicture, or what the decoder raises on damage."""
    import imagecodecs
    from PIL import Image

    width, height = struct.unpack(">II", data[16:24])
    check_size(width, height)
    with Image.open(io.BytesIO(data), formats=("PNG",)) as image:
        if int(getattr(image, "n_frames", 1)) > 1:
            raise UnreadablePicture("is animated; save the one frame to inspect")
        orientation = image.getexif().get(ORIENTATION_TAG, 1)
    samples = np.asarray(imagecodecs.png_decode(data))
    if samples.dtype != np.uint16:
        raise ValueError(f"16-bit PNG decoded as {samples.dtype}")
    samples = samples.reshape(*samples.shape[:2], -1)
    has_alpha = samples.shape[2] in (2, 4)
    color = samples[..., :-1] if has_alpha else samples
    alpha = samples[..., -1] if has_alpha else None
    white = _png_white_level(data, int(color.max()))
    rgb, notes = _finish(_Samples(color, alpha, white), MIN_IS_BLACK)
    return Decoded(rgb, _valid(orientation), notes)


def decode_deep_tiff(data: bytes) -> Decoded | None:
    """Decode a TIFF of more than 8 bits per sample; None leaves a shallow one to Pillow."""
    import tifffile

    with tifffile.TiffFile(io.BytesIO(data)) as file:
        page = _only_page(file)
        bits: Any = page.bitspersample
        if bits <= 8 and page.sampleformat != SAMPLE_FLOAT:
            return None
        check_size(page.imagewidth, page.imagelength)
        orientation = page.tags.valueof(ORIENTATION_TAG, default=1)
        samples = _tiff_samples(page)
        rgb, notes = _finish(samples, int(page.photometric))
    return Decoded(rgb, _valid(orientation), notes)


@dataclass(frozen=True)
class _Samples:
    """Colour [H, W, C] of any numeric type, alpha [H, W] or None, and the value of white."""

    color: npt.NDArray[Any]
    alpha: npt.NDArray[Any] | None
    white: float


def _only_page(file: Any) -> Any:
    """The one full-size page; previews in reduced size do not count."""
    # a damaged file's pages can point to each other without end
    some: list[Any] = list(islice(file.pages, MOST_PAGES + 1))
    if len(some) > MOST_PAGES:
        raise UnreadablePicture(
            f"holds more than {MOST_PAGES} pages; save the one to inspect alone"
        )
    pages = [page for page in some if not page.is_reduced]
    if len(pages) != 1 or getattr(pages[0], "imagedepth", 1) != 1:
        raise UnreadablePicture(f"holds {len(pages)} pages; save the one to inspect alone")
    described: dict[str, Any] = file.imagej_metadata or {}
    images = described.get("images", 1)
    if images != 1:
        raise UnreadablePicture(f"holds {images} frames; save the one to inspect alone")
    return pages[0]


def _tiff_samples(page: Any) -> _Samples:
    photometric = int(page.photometric)
    if photometric not in CHANNELS:
        raise UnreadablePicture(
            f"has samples of a kind that is not read ({page.photometric!s}, "
            f"{page.bitspersample} bits); save it as RGB"
        )
    samples = page.asarray()
    if samples.ndim == 3 and int(page.planarconfig) == 2:
        samples = np.moveaxis(samples, 0, -1)
    samples = samples.reshape(page.imagelength, page.imagewidth, -1)
    channels = CHANNELS[photometric]
    kinds = [int(kind) for kind in page.extrasamples]
    alpha = samples[..., channels] if kinds[:1] and kinds[0] in ALPHA_SAMPLES else None
    color = samples[..., :channels]
    if color.shape[2] != channels or color.size == 0:
        raise ValueError(f"{samples.shape[2]} samples per pixel where {channels} are needed")
    return _Samples(color, alpha, _tiff_white_level(page, color))


def _tiff_white_level(page: Any, color: npt.NDArray[Any]) -> float:
    """The value that is white; raises UnreadablePicture where nothing says what it is."""
    for tag in WHITE_LEVEL_TAGS:
        declared = np.ravel(page.tags.valueof(tag, default=0))
        if declared.size and np.isfinite(declared[0]) and declared[0] > 0:
            return float(declared[0])
    if color.dtype.kind == "f":
        if not np.isfinite(color).all() or color.min() < 0 or color.max() > 1:
            raise UnreadablePicture(
                "has floating-point samples outside 0..1 and declares no white level "
                "(tag SMaxSampleValue); save it with 8 or 16 bits"
            )
        return 1.0
    if color.dtype.kind != "u" or page.bitspersample > 16:
        raise UnreadablePicture(
            f"has {page.bitspersample}-bit {color.dtype} samples and declares no white level "
            "(tag MaxSampleValue); save it with 8 or 16 bits"
        )
    return float(2**page.bitspersample - 1)


def _png_white_level(data: bytes, highest: int) -> float:
    """65535, or the camera's full scale where sBIT declares fewer bits and the samples fit in them.

    A PNG writer should have scaled such samples up to 16 bits (PNG specification, sBIT); many
    leave them as they came, which shows in no sample using the upper bits.
    """
    for name, body in _png_chunks(data):
        if name == b"sBIT" and body and 8 < max(body) < 16 and highest < 2 ** max(body):
            return float(2 ** max(body) - 1)
        if name == b"IDAT":
            break
    return 65535.0


def _png_chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = len(PNG_SIGNATURE)
    while at + 8 <= len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        yield data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        at += 12 + length


def _finish(samples: _Samples, photometric: int) -> tuple[npt.NDArray[np.uint8], tuple[str, ...]]:
    """uint8 [H, W, 3] from deep samples, and the notes."""
    color = _to_8_bit(samples.color, samples.white)
    kind = samples.color.dtype
    notes = [f"{kind} samples scaled to 8 bits: {samples.white:g} is white"]
    if photometric == MIN_IS_WHITE:
        color = 255 - color
        notes.append("inverted, as the file says that 0 is white")
    if photometric == SEPARATED:
        color = _from_cmyk(color)
        notes.append("CMYK turned into RGB without a colour profile")
    if samples.alpha is not None:
        full = 1.0 if kind.kind == "f" else float(np.iinfo(kind).max)
        color, note = over_black(color, _to_8_bit(samples.alpha, full))
        notes.append(note)
    if color.shape[2] == 1:
        color = np.repeat(color, 3, axis=2)
        notes.append("grey taken as colour")
    return np.ascontiguousarray(color), tuple(notes)


def _to_8_bit(samples: npt.NDArray[Any], white: float) -> npt.NDArray[np.uint8]:
    """round(255 * samples / white), clipped to 0..255; row by row, to spare memory."""
    if samples.dtype == np.uint16:
        levels = np.arange(65536) * (255 / white)
        return np.clip(np.rint(levels), 0, 255).astype(np.uint8)[samples]
    out = np.empty(samples.shape, np.uint8)
    for row, values in enumerate(samples):
        scaled = np.nan_to_num(values.astype(np.float64) * (255 / white), nan=0.0)
        out[row] = np.clip(np.rint(scaled), 0, 255)
    return out


def _from_cmyk(cmyk: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """RGB uint8 [H, W, 3] = (1 - ink) (1 - black), of inks uint8 [H, W, 4] where 255 is full."""
    left = 255 - cmyk.astype(np.uint16)
    return ((left[..., :3] * left[..., 3:] + 127) // 255).astype(np.uint8)


def _valid(orientation: object) -> int:
    return int(orientation) if isinstance(orientation, int) and 1 <= orientation <= 8 else 1
