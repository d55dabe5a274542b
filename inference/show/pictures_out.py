"""Pictures as the bytes of a file."""

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["jpeg_bytes", "png_bytes", "read_drawn"]

REPORT_WIDTH_PX = 1400


def png_bytes(plane: npt.NDArray[np.uint8]) -> bytes:
    """A PNG of rgb uint8 [H, W, 3], with alpha [H, W, 4], or of one plane [H, W]."""
    import cv2

    cv: Any = cv2
    # photographs hardly shrink at higher levels, which cost as much time as all the drawing, nor
    # with a filter chosen line by line
    quick = [cv.IMWRITE_PNG_COMPRESSION, 1, cv.IMWRITE_PNG_FILTER, cv.IMWRITE_PNG_FILTER_UP]
    if plane.ndim == 3:
        order = [2, 1, 0, 3][: plane.shape[2]]
        done, data = cv.imencode(".png", plane[..., order], quick)
    else:
        done, data = cv.imencode(".png", plane, [cv.IMWRITE_PNG_COMPRESSION, 3])
    if not done:
        raise ValueError(f"cannot encode a picture of shape {list(plane.shape)}")
    return bytes(data)


def jpeg_bytes(
    rgb: npt.NDArray[np.uint8], quality: int = 88, most_px: int = REPORT_WIDTH_PX
) -> bytes:
    """A JPEG for a report of rgb uint8 [H, W, 3], at most `most_px` wide."""
    import cv2

    height, width = rgb.shape[:2]
    if width > most_px:
        size = (most_px, max(1, round(height * most_px / width)))
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.uint8)
    done, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ValueError(f"cannot encode a picture of shape {list(rgb.shape)}")
    return data.tobytes()


def read_drawn(path: Path) -> npt.NDArray[np.uint8] | None:
    """A picture that the program drew, rgb uint8 [H, W, 3]; None if it is not there or damaged."""
    import cv2

    cv: Any = cv2
    try:
        data = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError:
        return None
    bgr = cv.imdecode(data, cv.IMREAD_COLOR) if data.size else None
    return None if bgr is None else np.ascontiguousarray(bgr[..., ::-1])
