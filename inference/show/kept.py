"""Inspections with their pictures, for a report: from the records, or from a folder of results."""

from pathlib import Path
from typing import Any

from ..keep.find_records import files_of, find_uid, inspection_of, overrules_of
from ..keep.inspection import Inspection, read_inspection
from ..keep.records import Records
from .compare_picture import draw_comparison
from .comparing import Compared
from .document import Picture
from .pictures_out import jpeg_bytes, read_drawn
from .record_report import Kept

__all__ = ["MAP", "comparison_picture", "kept_in", "recorded"]

MAP = "travel-map.png"
WIDTH_PX = 1400
MAP_WORDS = "Travel map: the connector's surface laid flat about the fibre, deposits marked"
MAP_CAPTION = (
    "The travel map: the whole surface laid flat about the fibre. The farther from the middle, the "
    "longer a deposit's way along the surface to the fibre."
)


def recorded(records: Records, start: str) -> tuple[str, Kept]:
    """uid and inspection that begins with `start`. Raises UsageError."""
    uid = find_uid(records, start)
    inspection = inspection_of(records, uid)
    files = {(role, name): path for role, name, path in files_of(records, uid)}
    overlays = {name: path for (role, name), path in files.items() if role == "overlay"}
    people = tuple(overrules_of(records, uid))
    return uid, _kept(inspection, files.get(("travel-map", MAP)), overlays, people)


def kept_in(path: Path) -> Kept:
    """The inspection whose results lie in a folder, or beside this file. Raises UsageError."""
    inspection, folder = read_inspection(path), path if path.is_dir() else path.parent
    overlays = {v.stem: folder / f"{v.stem}.overlay.png" for v in inspection.views}
    return _kept(inspection, folder / MAP, overlays, ())


def _kept(
    inspection: Inspection, travel_map: Path | None, overlays: dict[str, Path], people: Any
) -> Kept:
    """With those of the pictures that are there and whole."""
    drawn = None if travel_map is None else _picture(travel_map, MAP_WORDS, MAP_CAPTION)
    found = {stem: _picture(path, "", "") for stem, path in overlays.items()}
    shown = {stem: picture for stem, picture in found.items() if picture is not None}
    return Kept(inspection, drawn, shown, people)


def _picture(path: Path, words: str, caption: str) -> Picture | None:
    rgb = read_drawn(path)
    if rgb is None:
        return None
    # drawn lines and letters need a finer JPEG than photographs
    return Picture(jpeg_bytes(rgb, 92, WIDTH_PX), "jpeg", _size_hw(rgb), words, caption)


def _size_hw(rgb: Any) -> tuple[int, int]:
    """Height and width that it has in the report, px."""
    height, width = rgb.shape[:2]
    shown = min(width, WIDTH_PX)
    return round(height * shown / width), shown


def comparison_picture(found: Compared) -> Picture | None:
    """Both maps on each other with what became of the deposits; None if it was refused."""
    if found.comparison.refused:
        return None
    rgb = draw_comparison(found.comparison, found.before, found.after)
    words = "Both travel maps with each deposit's fate; the table below gives the numbers"
    caption = "Before and after, laid on each other: what stayed, moved, is gone and is new."
    return Picture(jpeg_bytes(rgb, 92, WIDTH_PX), "jpeg", _size_hw(rgb), words, caption)
