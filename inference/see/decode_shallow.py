"""Pictures of up to 8 bits per sample, by Pillow."""

import io
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.errors import UnreadablePicture
from .decoded import Decoded, check_size, over_black
from .short_data import check_png_rows, check_tiff_strips

__all__ = ["FORMATS", "decode_shallow"]

FORMATS = ("BMP", "GIF", "JPEG", "PNG", "PPM", "TIFF", "WEBP")
JPEG_BLANK, JPEG_BLOCK = 128, 8
ORIENTATION_TAG = 0x0112  # Exif 2.3, 4.6.4 A; TIFF 6.0, section 8
NOTES = {
    "1": "black and white (1 bit) taken as grey",
    "L": "grey taken as colour",
    "LA": "grey taken as colour",
    "La": "grey taken as colour",
    "P": "palette replaced by its colours",
    "PA": "palette replaced by its colours",
    "CMYK": "CMYK turned into RGB without a colour profile",
}
PLAIN_MODES = ("1", "CMYK", "L", "P", "RGB", "RGBX", "YCbCr")
ALPHA_MODES = ("LA", "La", "PA", "RGBA", "RGBa")


def decode_shallow(data: bytes) -> Decoded:
    """Decode with Pillow; raises UnreadablePicture, or whatever Pillow raises on damaged bytes."""
    from PIL import Image, UnidentifiedImageError

    try:
        image = Image.open(io.BytesIO(data), formats=FORMATS)
    except UnidentifiedImageError as error:
        raise UnreadablePicture(
            "is not a picture of a kind that is read (BMP, GIF, JPEG, PNG, PPM, TIFF, WebP)"
        ) from error
    except Image.DecompressionBombError as error:
        raise UnreadablePicture("has far more pixels than are read; scale it down") from error
    with image:
        check_size(image.width, image.height)
        frame_notes = _one_frame(image)
        # Pillow itself turns TIFF upright on loading, and only TIFF.
        orientation = _orientation(image)
        if image.format == "TIFF":
            check_tiff_strips(image, data)
        if image.format == "PNG":
            check_png_rows(data)
        image.load()
        rgb, notes = _to_rgb(image)
    if image.format in ("JPEG", "MPO"):
        _check_end(rgb)
    if image.format == "TIFF" and orientation != 1:
        notes, orientation = (*notes, f"turned upright (orientation {orientation})"), 1
    return Decoded(rgb, orientation, (*frame_notes, *notes))


def _one_frame(image: Any) -> tuple[str, ...]:
    """Refuse several frames; of a camera's JPEG with previews inside, the first is the picture."""
    frames = int(getattr(image, "n_frames", 1))
    if frames == 1:
        return ()
    if image.format == "MPO":
        return (f"first of the {frames} pictures in this JPEG",)
    raise UnreadablePicture(f"holds {frames} frames; save the one to inspect as a single picture")


def _check_end(rgb: npt.NDArray[np.uint8]) -> None:
    """Refuse a JPEG whose data ends early though its file is closed properly.

    The decoder leaves what it has no data for at the exact middle grey, which no camera's noise
    gives over whole rows.
    """
    grey_rows = (rgb == JPEG_BLANK).all(axis=(1, 2))
    if grey_rows.all() or not grey_rows[-JPEG_BLOCK:].all():
        return
    first = int(np.flatnonzero(~grey_rows)[-1]) + 1
    raise UnreadablePicture(
        f"is damaged or cut short (blank from row {first} of {len(rgb)} down); copy it again "
        "from the camera"
    )


def _orientation(image: Any) -> int:
    value = image.getexif().get(ORIENTATION_TAG, 1)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _to_rgb(image: Any) -> tuple[npt.NDArray[np.uint8], tuple[str, ...]]:
    """uint8 [H, W, 3], and what was converted."""
    mode: str = image.mode
    notes = (NOTES[mode],) if mode in NOTES else ()
    if mode in ALPHA_MODES or (mode in PLAIN_MODES and "transparency" in image.info):
        rgba = np.asarray(image.convert("RGBA"))
        rgb, note = over_black(rgba[..., :3], rgba[..., 3])
        return np.ascontiguousarray(rgb), (*notes, note)
    if mode in PLAIN_MODES:
        return np.array(image.convert("RGB")), notes
    if mode == "I" and image.format == "PPM":
        # Pillow scales a deep PGM to 0..65535 by its declared white level.
        grey = (np.asarray(image).astype(np.int64) * 255 + 32767) // 65535
        return _grey(grey.astype(np.uint8)), ("16-bit grey scaled to 8 bits by its white level",)
    raise UnreadablePicture(f"has samples of a kind that is not read ({mode}); save it as RGB")


def _grey(grey: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    return np.repeat(grey[..., None], 3, axis=2)
