"""The travel map's data as files beside `inspection.json`, for whoever draws or asks it later.

`travel-map.picture.jpg` is the fused picture; `travel-map.limit.png` (16 bit) holds per pixel the
smallest flat deposit that some picture shows there, in um rounded up; 0 where none shows the place.
Both lie about the fibre, theta 0 to the right and 90 up, out to the farthest corner of the rim;
`travel-map.front-*` are the same of the front, out to a little beyond the chamfer.
"""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.errors import UnreadablePicture
from ...model.profile import MeridianProfile
from ...model.shape import ConnectorShape
from ..see.travel_map import front_reach_um, whole_reach_um

__all__ = ["MAP_FILES", "MapData", "map_of", "read_map", "write_map"]

WHOLE_FILES = ("travel-map.picture.jpg", "travel-map.limit.png")
FRONT_FILES = ("travel-map.front-picture.jpg", "travel-map.front-limit.png")
MAP_FILES = (*WHOLE_FILES, *FRONT_FILES)
COARSEST_UM = 65535

Planes = tuple[npt.NDArray[np.uint8], npt.NDArray[np.float32]]


@dataclass(frozen=True)
class MapData:
    """A travel map's rasters: rgb uint8 [M, M, 3], limit_um float32 [M, M] (infinite: not shown).

    `reach_um`: the travel distance from the middle to the raster's side. `front`: the same of the
    front alone, finer.
    """

    rgb: npt.NDArray[np.uint8]
    limit_um: npt.NDArray[np.float32]
    reach_um: float
    front: "MapData | None" = None

    def limit_at(self, s_um: float, theta_deg: float) -> float:
        """The smallest deposit (um) shown at a place, or within a pixel of it; infinite: none."""
        if self.front is not None and s_um < 0.98 * self.front.reach_um:
            return self.front.limit_at(s_um, theta_deg)
        side = len(self.limit_um)
        phi, r = np.radians(theta_deg), s_um / self.reach_um * side / 2
        x, y = int(side / 2 + r * np.cos(phi)), int(side / 2 - r * np.sin(phi))
        if not (0 <= x < side and 0 <= y < side):  # beyond the rim that this inspection saw
            return np.inf
        near = self.limit_um[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2]
        return float(near.min(initial=np.inf))


def write_map(folder: Path, whole: Planes, front: Planes) -> None:
    """Write the files of a map; `whole`, `front`: rgb uint8 and limit_um float32 of each."""
    import cv2

    cv: Any = cv2
    for names, (rgb, limit_um) in ((WHOLE_FILES, whole), (FRONT_FILES, front)):
        known = np.isfinite(limit_um)
        um = np.clip(np.ceil(np.where(known, limit_um, 0)), 1, COARSEST_UM)
        planes = (rgb[..., ::-1], np.where(known, um, 0).astype(np.uint16))
        for name, plane, how in zip(
            names, planes, ([cv.IMWRITE_JPEG_QUALITY, 90], []), strict=True
        ):
            done, data = cv.imencode(Path(name).suffix, plane, how)
            if not done:
                raise ValueError(f"cannot encode a map of shape {list(plane.shape)}")
            (folder / name).write_bytes(data.tobytes())


def read_map(folder: Path, shape: ConnectorShape) -> MapData | None:
    """The map beside an `inspection.json`; None where an inspection left none.

    Raises UnreadablePicture for files that are no map.
    """
    return map_of({name: folder / name for name in MAP_FILES if (folder / name).exists()}, shape)


def map_of(files: dict[str, Path], shape: ConnectorShape) -> MapData | None:
    """The map of the files found by name; None where one of the whole map's is missing."""
    profile = MeridianProfile(shape)
    front = _read(files, FRONT_FILES, front_reach_um(profile))
    whole = _read(files, WHOLE_FILES, whole_reach_um(profile))
    return None if whole is None else replace(whole, front=front)


def _read(files: dict[str, Path], names: tuple[str, str], reach_um: float) -> MapData | None:
    import cv2

    cv: Any = cv2
    planes: list[npt.NDArray[Any]] = []
    for name, how in zip(names, (cv.IMREAD_COLOR, cv.IMREAD_UNCHANGED), strict=True):
        if name not in files:
            return None
        data = np.fromfile(files[name], np.uint8)
        plane = cv.imdecode(data, how) if data.size else None
        if plane is None or plane.shape[0] != plane.shape[1]:
            raise UnreadablePicture(f"{files[name]}: not a map written by fiberward inspect")
        planes.append(plane)
    rgb, limit = planes
    if limit.ndim != 2 or limit.shape != rgb.shape[:2]:
        raise UnreadablePicture(f"{files[names[1]]}: not of the size of {names[0]}")
    limit_um = np.where(limit > 0, limit, np.inf).astype(np.float32)
    return MapData(np.ascontiguousarray(rgb[..., ::-1]), limit_um, reach_um)
