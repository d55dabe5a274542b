"""Pictures as the bytes of a file."""

import numpy as np
import numpy.typing as npt

__all__ = ["png_bytes"]


def png_bytes(plane: npt.NDArray[np.uint8]) -> bytes:
    """A PNG of rgb uint8 [H, W, 3] or of one plane [H, W]."""
    import cv2

    # photographs hardly shrink at higher levels, which cost as much time as all the drawing
    shown, level = (plane[..., ::-1], 1) if plane.ndim == 3 else (plane, 3)
    done, data = cv2.imencode(".png", shown, [cv2.IMWRITE_PNG_COMPRESSION, level])
    if not done:
        raise ValueError(f"cannot encode a picture of shape {list(plane.shape)}")
    return data.tobytes()
