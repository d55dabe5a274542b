"""Any picture file in, one upright 8-bit RGB picture out, with a note on whatever was changed.

Brightness is never stretched to what a picture happens to hold: a dark picture stays dark.
"""

import hashlib
import stat
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ...model.errors import UnreadablePicture
from .decoded import Decoded

__all__ = ["MAX_FILE_BYTES", "Picture", "read_picture"]

MAX_FILE_BYTES = 1 << 30


@dataclass(frozen=True)
class Picture:
    """One picture, upright.

    path: the file. sha256: of its bytes, in hexadecimal. rgb: uint8 [H, W, 3], read-only, as
    encoded in the file (taken as sRGB). notes: what was converted, a line each. stored_hw: height
    and width of the upright picture in the file where `rgb` is a reduced one, else None.
    """

    path: Path
    sha256: str
    rgb: npt.NDArray[np.uint8]
    notes: tuple[str, ...] = ()
    stored_hw: tuple[int, int] | None = None

    @property
    def own_hw(self) -> tuple[int, int]:
        """Height and width in the file's own pixels."""
        return self.stored_hw or (self.rgb.shape[0], self.rgb.shape[1])

    @property
    def own_px(self) -> float:
        """Own pixels per pixel of `rgb` along a side, at least 1."""
        (height, width), (h, w) = self.own_hw, self.rgb.shape[:2]
        return float(np.sqrt(height * width / (h * w)))

    def __post_init__(self) -> None:
        if self.rgb.dtype != np.uint8 or self.rgb.ndim != 3 or self.rgb.shape[2] != 3:
            shape = list(self.rgb.shape)
            raise ValueError(f"expected uint8 [H, W, 3], got {self.rgb.dtype} {shape}")


def read_picture(path: Path | str) -> Picture:
    """Read one picture file.

    Read are BMP, GIF, JPEG, PNG, PPM, TIFF and WebP; 1, 8 and 16 bits and floating point; grey,
    colour, palette, alpha and CMYK; up to `decoded.MAX_PIXELS`. The EXIF orientation is applied.
    Raises UnreadablePicture, with one line that names the file, for whatever is not exactly one
    whole picture.
    """
    path = Path(path)
    data = _read_bytes(path)
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            decoded = _decode(data)
    except UnreadablePicture as error:
        raise UnreadablePicture(f"{path}: {error}") from error
    except MemoryError as error:
        raise UnreadablePicture(f"{path}: is too large for this machine's memory") from error
    except Exception as error:  # Decoders fail on damaged bytes with exceptions of any type.
        reason = " ".join(str(error).split()) or type(error).__name__
        raise UnreadablePicture(
            f"{path}: is damaged or cut short ({reason}); copy it again from the camera"
        ) from error
    rgb, turned = _upright(decoded.rgb, decoded.orientation)
    rgb.setflags(write=False)
    remarks = dict.fromkeys(f"decoder: {' '.join(str(each.message).split())}" for each in caught)
    notes = (*decoded.notes, *turned, *remarks)
    return Picture(path, hashlib.sha256(data).hexdigest(), rgb, notes)


def _read_bytes(path: Path) -> bytes:
    """The file's bytes, or UnreadablePicture."""
    try:
        _check_file(path)
        return path.read_bytes()
    except FileNotFoundError as error:
        raise UnreadablePicture(f"{path}: no such file") from error
    except PermissionError as error:
        raise UnreadablePicture(f"{path}: no permission to read it") from error
    except (OSError, ValueError) as error:  # ValueError: a NUL byte in the name
        reason = getattr(error, "strerror", None) or str(error)
        raise UnreadablePicture(f"{path}: cannot be read ({reason})") from error


def _check_file(path: Path) -> None:
    """Raise UnreadablePicture for what cannot be a picture, before it is opened."""
    status = path.stat()
    if stat.S_ISDIR(status.st_mode):
        raise UnreadablePicture(f"{path}: is a folder, not a picture")
    if not stat.S_ISREG(status.st_mode):
        raise UnreadablePicture(f"{path}: is not a regular file")
    if status.st_size == 0:
        raise UnreadablePicture(f"{path}: is empty; copy it again from the camera")
    if status.st_size > MAX_FILE_BYTES:
        raise UnreadablePicture(f"{path}: is larger than {MAX_FILE_BYTES >> 20} MiB")


def _decode(data: bytes) -> Decoded:
    """Decode by what the bytes are, whatever the file's name says."""
    from .decode_deep import decode_deep_png, decode_deep_tiff, is_deep_png, is_tiff
    from .decode_shallow import decode_shallow

    if is_deep_png(data):
        return decode_deep_png(data)
    deep = decode_deep_tiff(data) if is_tiff(data) else None
    return deep or decode_shallow(data)


def _upright(
    rgb: npt.NDArray[np.uint8], orientation: int
) -> tuple[npt.NDArray[np.uint8], tuple[str, ...]]:
    """The picture as it is meant to be seen, by its EXIF orientation 1..8."""
    if orientation == 1:
        return rgb, ()
    # Orientation o says where the stored first row and column belong: Exif 2.3, 4.6.4 A.
    turned = rgb.swapaxes(0, 1) if orientation >= 5 else rgb
    if orientation in (3, 4, 7, 8):
        turned = turned[::-1]
    if orientation in (2, 3, 6, 7):
        turned = turned[:, ::-1]
    return np.ascontiguousarray(turned), (f"turned upright (orientation {orientation})",)
