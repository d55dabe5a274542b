"""The files of one inspection: masks, overlays, travel map, report and `inspection.json`."""

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ...model.errors import UsageError
from ...model.profile import MeridianProfile
from ...model.surfaces import SURFACE_NAMES, Surface
from ..abreast import abreast
from ..keep.files import staged_folder
from ..keep.map_files import MAP_FILES, write_map
from ..pipeline import MOST_ABREAST, Result
from ..see.deposits import SeenDeposit
from ..see.fuse import Deposit
from ..see.model_file import allowed_threads
from ..see.travel_map import TravelMap
from ..view import in_own_px
from .map_picture import (
    MapDeposit,
    MapPanel,
    MapPicture,
    draw_travel_map,
    draw_travel_map_svg,
)
from .overlay import DrawnDeposit, draw_overlay
from .pictures_out import jpeg_bytes, png_bytes
from .report import report_page

__all__ = ["write_outputs"]

Bytes = npt.NDArray[np.uint8]
PARTS = ("surfaces", "deposits", "overlay")
MEDIAN_STEP = 4  # of the map's pixels, each 4th of each 4th row tells the median well enough


def write_outputs(result: Result, folder: Path, originals: Sequence[Path]) -> None:
    """Write everything to `folder`, by temporary names; `inspection.json` comes last.

    Raises UsageError where an original would be overwritten or nothing can be written.
    """
    names = [f"{view.stem}.{part}.png" for view in result.views for part in PARTS]
    _spare_originals([*names, "travel-map.png", "travel-map.svg", *MAP_FILES], folder, originals)
    with staged_folder(folder, last="inspection.json") as staging:
        shown = [k for k, view in enumerate(result.views) if view.segmentation is not None]
        at_once = min(MOST_ABREAST, allowed_threads())
        works: list[Callable[[], bytes | None]] = [partial(_write_map, result, staging)]
        works += [partial(_write_view, result, index, staging) for index in shown]
        drawn, *written = abreast(lambda work: work(), works, at_once)
        stems = (result.views[index].stem for index in shown)
        overlays = {stem: data for stem, data in zip(stems, written, strict=True) if data}
        page = report_page(result.inspection, drawn, overlays)
        (staging / "report.html").write_text(page, encoding="utf-8")
        result.inspection.write(staging / "inspection.json")


def _write_map(result: Result, folder: Path) -> bytes | None:
    """Write the travel map in its forms, if there is one; as PNG for the report."""
    if result.maps is None:
        return None
    picture = _map_picture(result, result.maps)
    drawn = png_bytes(draw_travel_map(picture))
    (folder / "travel-map.svg").write_text(draw_travel_map_svg(picture), encoding="utf-8")
    (folder / "travel-map.png").write_bytes(drawn)
    write_map(folder, *((each.rgb, each.limit_um) for each in result.maps))
    return drawn


def _write_view(result: Result, index: int, folder: Path) -> bytes:
    """Write the masks and the overlay of a segmented view; the overlay as JPEG for the report."""
    view = result.views[index]
    assert view.segmentation is not None
    overlay = _overlay(result, index)
    masks = (view.segmentation.surface, view.segmentation.kind)
    planes = (*(in_own_px(mask, view) for mask in masks), overlay)
    for part, plane in zip(PARTS, planes, strict=True):
        (folder / f"{view.stem}.{part}.png").write_bytes(png_bytes(plane))
    return jpeg_bytes(overlay)


def _spare_originals(names: Sequence[str], folder: Path, originals: Sequence[Path]) -> None:
    kept = {path.resolve() for path in originals}
    for name in names:
        if (folder / name).resolve() in kept:
            raise UsageError(
                f"{folder / name}: would overwrite an original; name another folder with --out"
            )


def _overlay(result: Result, index: int) -> Bytes:
    """The overlay of the view at `index`, which must have been segmented."""
    view = result.views[index]
    assert view.picture is not None
    assert view.segmentation is not None
    drawn: list[DrawnDeposit] = []
    for deposit in result.deposits:
        pieces = [seen for seen in deposit.sightings if seen.view == index]
        if pieces:
            drawn.append(_drawn(deposit, pieces))
    shown = view.segmentation.surface > Surface.HOUSING
    unseen = np.where(shown, view.segmentation.unseen, 0)
    camera = None if view.pose is None else view.pose.camera
    remark = "" if view.why_not is None else f"Not used: {view.why_not}."
    return draw_overlay(view.picture.rgb, drawn, camera, unseen, remark)


def _map_picture(result: Result, maps: tuple[TravelMap, TravelMap]) -> MapPicture:
    whole, front = maps
    limits = [view.detection_limit_um for view in result.inspection.views if view.readable]
    deposits = [
        MapDeposit(d.id, d.kind, d.unsure, d.s_um, d.theta_deg, SURFACE_NAMES[d.surface])
        for d in result.deposits
    ]
    shape = next(view.pose.shape for view in result.views if view.pose is not None)
    ends = MeridianProfile(shape).s_ends_at(np.linspace(0, 360, 360, endpoint=False))
    return MapPicture(
        whole=_panel(whole),
        front=_panel(front),
        s_end_um={SURFACE_NAMES[surface]: end for surface, end in ends.items()},
        deposits=deposits,
        coverage_size_um=result.inspection.coverage_size_um,
        detection_limit_um=min((limit for limit in limits if limit is not None), default=None),
        usual_limit_um=_usual_limit_um(whole, MeridianProfile(shape)),
    )


def _usual_limit_um(whole: TravelMap, profile: MeridianProfile) -> float | None:
    """The median over the shown surface of the smallest deposit shown there; None if nothing is."""
    limit_um = whole.limit_um[::MEDIAN_STEP, ::MEDIAN_STEP]
    known = np.isfinite(limit_um)
    if not known.any():
        return None
    side = len(whole.limit_um)
    away = (np.arange(0, side, MEDIAN_STEP) + 0.5 - side / 2) * whole.um_per_px
    s = np.hypot(away[None], away[:, None])[known]
    theta = np.degrees(np.arctan2(-away[:, None], away[None]))[known] % 360.0
    # a raster's pixel stands for more of the surface near the fibre than on the barrel
    area = np.nan_to_num(profile.area_density(s, theta)) / np.maximum(s, whole.um_per_px / 2)
    order = np.argsort(limit_um[known])
    total = np.cumsum(area[order])
    return float(limit_um[known][order][np.searchsorted(total, total[-1] / 2)])


def _panel(travel_map: TravelMap) -> MapPanel:
    return MapPanel(
        rgb=travel_map.rgb,
        kind=travel_map.kind,
        seen=travel_map.broadly_seen(),
        chart=travel_map.on_surface,
        um_per_px=travel_map.um_per_px,
    )


def _drawn(deposit: Deposit, pieces: Sequence[SeenDeposit]) -> DrawnDeposit:
    """A deposit in one view, in however many pieces, with the figure that its list has for it."""
    x0, y0 = min(p.x0 for p in pieces), min(p.y0 for p in pieces)
    height = max(p.y0 + p.mask.shape[0] for p in pieces) - y0
    width = max(p.x0 + p.mask.shape[1] for p in pieces) - x0
    mask = np.zeros((height, width), bool)
    for piece in pieces:
        top, left = piece.y0 - y0, piece.x0 - x0
        mask[top : top + piece.mask.shape[0], left : left + piece.mask.shape[1]] |= piece.mask
    return DrawnDeposit(
        id=deposit.id,
        kind=deposit.kind,
        size_um=deposit.length_um or deposit.size_um,
        unsure=deposit.unsure,
        xy=(x0, y0),
        mask=mask,
        length=deposit.length_um is not None,
    )
