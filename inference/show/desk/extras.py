"""What the page needs beyond the files of an inspection: pictures upright, maps bare, places.

Written by the worker, which has the pictures in memory, to a hidden folder of the case; so the
server never decodes a picture.
"""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ...keep.files import write_atomically
from ...pipeline import Result
from ...see.fuse import Deposit
from ...see.picture import read_picture
from ...see.segment import Segmentation
from ...see.travel_map import TravelMap
from ...view import SeenView, in_own_px
from .shelf import EXTRAS, PAGE_FILE

__all__ = ["MOST_SIDE_PX", "NO_SURFACE_INDEX", "UNSEEN_INDEX", "write_extras"]

Bytes = npt.NDArray[np.uint8]
UNSEEN_INDEX, NO_SURFACE_INDEX = 7, 8  # beside the kinds 0..6 in a map's index picture
MOST_SIDE_PX = 4096  # what every browser can draw
TILE_PX = 1024  # some 200 kB each
JPEG_QUALITY = 90


def write_extras(result: Result, folder: Path) -> None:
    """Write the hidden folder of a case."""
    target = folder / EXTRAS
    target.mkdir(exist_ok=True)
    page = {
        "views": [_write_view(result, index, target) for index in range(len(result.views))],
        "maps": [_write_map(m, n, target) for m, n in _maps(result)],
        "sightings": {str(d.id): _sightings(d, result.views) for d in result.deposits},
    }
    write_atomically(target / PAGE_FILE, json.dumps(page, allow_nan=False).encode())


def _write_view(result: Result, index: int, target: Path) -> dict[str, Any]:
    """One picture, upright, and its kinds, both at most `MOST_SIDE_PX` on a side; their names."""
    view = result.views[index]
    if view.picture is None or view.undecodable:  # perhaps only since it was first read
        return {"file": None, "index": None, "doubt": None}
    by = -(-max(view.picture.own_hw) // MOST_SIDE_PX)
    reduced = view.picture.stored_hw is not None
    rgb = read_picture(view.path).rgb if reduced else view.picture.rgb
    files: dict[str, Any] = {"file": f"view-{index}.jpg", "index": None, "doubt": None}
    write_atomically(target / files["file"], _encoded(_shrunk(rgb, by), ".jpg"))
    if by > 1:
        files["tiles"] = _write_tiles(rgb, index, target)
    if view.segmentation is not None:
        files["index"] = f"view-{index}.png"
        kinds = _strongest(in_own_px(view.segmentation.kind, view), by)
        write_atomically(target / files["index"], _encoded(kinds, ".png"))
        files["doubt"] = _doubt(view.segmentation, result.deposits, index)
    return files


def _write_tiles(rgb: Bytes, index: int, target: Path) -> dict[str, int]:
    """The picture in its own pixels, in tiles that are fetched when it is looked at closely."""
    height, width = rgb.shape[:2]
    columns, rows = -(-width // TILE_PX), -(-height // TILE_PX)
    for row in range(rows):
        for column in range(columns):
            y, x = row * TILE_PX, column * TILE_PX
            tile = np.ascontiguousarray(rgb[y : y + TILE_PX, x : x + TILE_PX])
            name = f"tile-{index}-{column}-{row}.jpg"
            write_atomically(target / name, _encoded(tile, ".jpg"))
    return {"side": TILE_PX, "columns": columns, "rows": rows}


def _shrunk(rgb: Bytes, by: int) -> Bytes:
    import cv2

    if by == 1:
        return rgb
    height, width = rgb.shape[:2]
    size = (width // by, height // by)
    return cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.uint8)


def _strongest(kinds: Bytes, by: int) -> Bytes:
    """Kinds in blocks of `by` pixels; a block with any deposit in it shows one."""
    height, width = kinds.shape[0] // by, kinds.shape[1] // by
    blocks = kinds[: height * by, : width * by].reshape(height, by, width, by)
    return blocks.max(axis=(1, 3))


def _doubt(segmentation: Segmentation, deposits: Sequence[Deposit], index: int) -> float:
    """How much a picture would teach: pixels per 1000 that the net expects to get wrong (by its own
    probability of a deposit), and one for each unsure deposit that the picture shows."""
    p = segmentation.deposit_p
    unsure = sum(deposit.unsure and index in deposit.seen_in for deposit in deposits)
    return float(f"{1000 * float(np.minimum(p, 1 - p).mean()) + unsure:.4g}")


def _maps(result: Result) -> list[tuple[TravelMap, str]]:
    return [] if result.maps is None else list(zip(result.maps, ("whole", "front"), strict=True))


def _write_map(travel_map: TravelMap, name: str, target: Path) -> dict[str, Any]:
    index = np.where(travel_map.broadly_seen(), travel_map.kind, UNSEEN_INDEX).astype(np.uint8)
    index[~travel_map.on_surface] = NO_SURFACE_INDEX
    files = {"file": f"map-{name}.jpg", "index": f"map-{name}.png"}
    write_atomically(target / files["file"], _encoded(travel_map.rgb, ".jpg"))
    write_atomically(target / files["index"], _encoded(index, ".png"))
    return {**files, "um_per_px": travel_map.um_per_px, "side_px": len(travel_map.rgb)}


def _sightings(deposit: Deposit, views: Sequence[SeenView]) -> list[dict[str, Any]]:
    """Per view that shows the deposit, the box round all its pieces, px of the picture's file."""
    rows: list[dict[str, Any]] = []
    for index in deposit.seen_in:
        pieces = [seen for seen in deposit.sightings if seen.view == index]
        if pieces:
            x0, y0 = min(p.x0 for p in pieces), min(p.y0 for p in pieces)
            x1 = max(p.x0 + p.mask.shape[1] for p in pieces)
            y1 = max(p.y0 + p.mask.shape[0] for p in pieces)
            picture = views[index].picture
            own = 1.0 if picture is None else picture.own_px
            rows.append({"view": index, "box": [round(v * own) for v in (x0, y0, x1, y1)]})
    return rows


def _encoded(plane: Bytes, suffix: str) -> bytes:
    import cv2

    shown = plane[..., ::-1] if plane.ndim == 3 else plane
    options = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY] if suffix == ".jpg" else []
    done, data = cv2.imencode(suffix, shown, options)
    if not done:
        raise ValueError(f"cannot encode a picture of shape {list(plane.shape)}")
    return data.tobytes()
