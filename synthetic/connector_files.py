"""Writing a rendered connector: pictures, masks and truth, each by a temporary name.

NAME.json              truth, written last: its presence says that the rest is complete
NAME-K.jpg             view K
NAME-K.surfaces.png    8-bit surface indices
NAME-K.deposits.png    8-bit kind indices
NAME-K.instances.png   16-bit deposit ids
"""

import io
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image

from ..model.errors import UsageError
from .views import ConnectorRender

__all__ = ["encode_jpeg", "encode_png", "replace_file", "write_connector"]

JPEG_QUALITY = 94
COMMENT = "An invented connector, drawn by a renderer"


def write_connector(
    render: ConnectorRender, name: str, folder: Path, made: Mapping[str, Any] | None = None
) -> None:
    """Write a connector's files to `folder`, replacing what is there. made: what it was made of.

    Raises UsageError where nothing can be written.
    """
    views = render.views
    truth: dict[str, Any] = {"connector": name} | render.truth
    if made is not None:
        truth["made"] = dict(made)
    rows = [{"picture": f"{name}-{k}.jpg"} | row for k, row in enumerate(render.truth["views"])]
    try:
        for k in range(views.picture.shape[0]):
            stem = f"{name}-{k}"
            replace_file(folder / f"{stem}.jpg", encode_jpeg(views.picture[k].cpu().numpy()))
            for part, plane in (
                ("surfaces", views.surface[k]),
                ("deposits", views.kind[k]),
                ("instances", views.instance[k]),
            ):
                kind = np.uint16 if part == "instances" else np.uint8
                data = encode_png(plane.cpu().numpy().astype(kind))
                replace_file(folder / f"{stem}.{part}.png", data)
        text = json.dumps(truth | {"views": rows}, indent=1, allow_nan=False) + "\n"
        replace_file(folder / f"{name}.json", text.encode())
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise UsageError(f"{folder}: cannot write there ({reason}); name another folder") from error


def encode_jpeg(
    rgb: npt.NDArray[np.uint8], quality: int = JPEG_QUALITY, comment: str = COMMENT
) -> bytes:
    """RGB uint8 [H, W, 3] as JPEG, colour at full resolution, with a comment inside."""
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, "JPEG", quality=quality, subsampling=0, comment=comment)
    return buffer.getvalue()


def encode_png(plane: npt.NDArray[np.unsignedinteger[Any]]) -> bytes:
    """An index plane [H, W], 8 or 16 bits, as greyscale PNG."""
    buffer = io.BytesIO()
    Image.fromarray(plane).save(buffer, "PNG")
    return buffer.getvalue()


def replace_file(path: Path, data: bytes) -> None:
    """Write beside `path`, flush to disk, then rename, so that half a file is never met."""
    temporary = path.with_name(f".fiberward-{os.getpid()}-{path.name}.part")
    try:
        with temporary.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
