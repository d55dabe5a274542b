"""Before and after, drawn: both travel maps side by side, the moves as arrows on each.

The second map is turned onto the first and both have one scale, so that a place lies in the same
spot on both. What became of a deposit is told by the line about its mark, not by a colour.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.kinds import KIND_NAMES, KINDS, Kind
from ...model.profile import MeridianProfile
from ...model.surfaces import SURFACE_NAMES, Surface
from ..keep.compare import Comparison, DepositFate, Side
from ..keep.map_files import MapData
from ..see.look import places_on
from ..see.travel_map import front_reach_um, whole_reach_um
from .canvas import INK, PAPER, Canvas, text_size
from .labels import draw_leader, place_labels
from .map_panel import MUTED, NOTHING, MapPanel, Place, box_about, draw_panel, written_boxes

__all__ = ["SIZE_HW", "draw_comparison"]

SIZE_HW = (1500, 1420)
COLUMNS_PX = (370.0, 1050.0)
WHOLE_Y, FRONT_Y, RADIUS = 440.0, 1090.0, 268.0
LEGEND_AT = (60.0, 1416.0)
NO_MAP_PX = 300
LONG_ENOUGH_UM = 1.0  # an arrow needs two ends
FATE_WORDS = {
    "stayed": "stayed",
    "moved": "moved",
    "gone": "gone",
    "new": "new",
    None: "? the other pictures do not show its place",
}


@dataclass(frozen=True)
class _Mark:
    """A deposit on one of the maps, at its place in the first map's angles."""

    id: int
    kind: Kind
    fate: str | None
    s_um: float
    theta_deg: float


def draw_comparison(comparison: Comparison, before: Side, after: Side) -> npt.NDArray[np.uint8]:
    """The picture, uint8 [1500, 1420, 3], of a comparison that was not refused."""
    canvas = Canvas(np.full((*SIZE_HW, 3), PAPER, np.uint8))
    canvas.text((40, 34), "Before and after", 28, INK, None)
    canvas.text((40, 66), _match_line(comparison), 15, MUTED, None)
    sides = (before, after)
    front_um = max(front_reach_um(_profile(side)) for side in sides)
    whole_um = max(whole_reach_um(_profile(side)) for side in sides)
    for number, (side, x) in enumerate(zip(sides, COLUMNS_PX, strict=True)):
        whole = Place((x, WHOLE_Y), RADIUS, whole_um)
        front = Place((x, FRONT_Y), RADIUS, front_um)
        _draw_side(canvas, comparison, side, (number, whole, front))
        _draw_title(canvas, side, ("Before", "After")[number], whole)
        canvas.text((x, FRONT_Y - RADIUS - 48), "the front, enlarged", 16, INK, None, "mm")
    _draw_legend(canvas, comparison.pairs)
    return canvas.finish()


def _draw_side(
    canvas: Canvas, comparison: Comparison, side: Side, where: tuple[int, Place, Place]
) -> None:
    """One inspection's two maps; `where`: 0 before, 1 after, and the places of the two."""
    number, whole, front = where
    turn = comparison.turn_deg or 0.0
    by = turn * number
    ends = _ends(side, by)
    marks = _marks(comparison.pairs, number, by)
    for place, data, lowest in (
        (whole, side.map, front.s_max_um),
        (front, side.map and side.map.front, 0.0),
    ):
        draw_panel(canvas, _panel(side, data, by, place.s_max_um), place, ends)
        _draw_moves(canvas, comparison.pairs, place, turn)
        inside = [mark for mark in marks if lowest <= mark.s_um < place.s_max_um]
        _draw_marks(canvas, inside, place, ends)
    ring = whole.ring(front.s_max_um)
    canvas.line(ring, PAPER, 3, closed=True)
    canvas.line(ring, MUTED, 1.2, closed=True)


def _match_line(comparison: Comparison) -> str:
    by_deg = round(comparison.turn_deg or 0.0, 1) + 0.0  # of a hair to the right: 0.0, not -0.0
    turn = f"the second turned by {by_deg:+.1f} deg"
    if comparison.match == "stated":
        return f"Laid on each other as stated; {turn}."
    return f"Laid on each other by {comparison.matched} deposits that both show; {turn}."


# -- the maps ------------------------------------------------------------------------------------


def _profile(side: Side) -> MeridianProfile:
    shape = side.shape()
    assert shape is not None  # a comparison without a shape is refused
    return MeridianProfile(shape)


def _ends(side: Side, turn_deg: float) -> dict[str, npt.NDArray[np.float64]]:
    """Where the surfaces end at 360 angles of the first map."""
    ends = _profile(side).s_ends_at((np.arange(360.0) - turn_deg) % 360.0)
    return {SURFACE_NAMES[surface]: end for surface, end in ends.items()}


def _panel(side: Side, data: MapData | None, turn_deg: float, reach_um: float) -> MapPanel:
    """A map of the side turned by `turn_deg` in a raster out to `reach_um`."""
    import cv2

    cv: Any = cv2
    px = NO_MAP_PX if data is None else len(data.rgb)
    um_per_px = 2 * reach_um / px
    centre = (np.arange(px) + 0.5 - px / 2) * um_per_px
    s = np.hypot(centre[None], centre[:, None])
    theta = np.degrees(np.arctan2(-centre[:, None], centre[None])) % 360.0
    flat = places_on(_profile(side), s.ravel(), (theta.ravel() - turn_deg) % 360.0).surface
    chart = flat.reshape(s.shape) != Surface.SURROUND
    if data is None:
        rgb = np.full((px, px, 3), NOTHING, np.uint8)
        return MapPanel(rgb, np.zeros((px, px), np.uint8), chart, chart, um_per_px)
    scale = data.reach_um / reach_um
    # pixel centres are at whole numbers for OpenCV; it turns counter-clockwise, as theta does
    warp = cv.getRotationMatrix2D(((px - 1) / 2, (px - 1) / 2), turn_deg, scale)
    size_um = side.inspection.coverage_size_um
    most_um = np.finfo(np.float32).max if size_um is None else size_um
    seen = (data.limit_um <= most_um).astype(np.uint8)  # infinite where none shows the place
    rgb = np.asarray(cv.warpAffine(data.rgb, warp, (px, px), flags=cv.INTER_LINEAR))
    shown = np.asarray(cv.warpAffine(seen, warp, (px, px), flags=cv.INTER_NEAREST))
    return MapPanel(rgb, np.zeros((px, px), np.uint8), shown > 0, chart, um_per_px)


def _draw_title(canvas: Canvas, side: Side, word: str, place: Place) -> None:
    stated = side.inspection.connector
    parts = [stated.get("label"), stated.get("stage"), stated.get("method")]
    told = ", ".join(str(part) for part in parts if part)
    x, y = place.center
    line = f"{word}: {told}" if told else word
    canvas.text((x, y - place.radius - 50), line, 20, INK, None, "mm")


# -- what became of each deposit -----------------------------------------------------------------


def _marks(pairs: Sequence[DepositFate], side: int, turn_deg: float) -> list[_Mark]:
    """The deposits of one side (0: before) that have a place."""
    marks: list[_Mark] = []
    for pair in pairs:
        if side == 0:
            id_, s, theta = pair.before_id, pair.before_s_um, pair.before_theta_deg
        else:
            id_, s, theta = pair.after_id, pair.after_s_um, pair.after_theta_deg
        if id_ is None or s is None or theta is None or pair.part_of is not None:
            continue
        kind = Kind(KIND_NAMES.index(pair.kind))
        marks.append(_Mark(id_, kind, pair.fate, s, (theta + turn_deg) % 360.0))
    return marks


def _draw_marks(
    canvas: Canvas,
    marks: Sequence[_Mark],
    place: Place,
    ends: dict[str, npt.NDArray[np.float64]],
) -> None:
    spots = [place.at(mark.s_um, mark.theta_deg) for mark in marks]
    texts = [f"{mark.id}{'?' if mark.fate is None else ''}" for mark in marks]
    sizes = [(text_size(text, 15)[0] + 6, 18.0) for text in texts]
    things = [box_about(spot, 9) for spot in spots]
    boxes = place_labels(things, sizes, canvas.size_hw, written_boxes(place, ends))
    for thing, box in zip(things, boxes, strict=True):
        draw_leader(canvas, thing, box, 1)
    for mark, spot, text, box in zip(marks, spots, texts, boxes, strict=True):
        _draw_mark(canvas, mark.kind, mark.fate, (float(spot[0]), float(spot[1])))
        canvas.text((box[0] + 3, (box[1] + box[3]) / 2), text, 15, INK, PAPER)


def _draw_mark(canvas: Canvas, kind: Kind, fate: str | None, xy: tuple[float, float]) -> None:
    """The kind's mark; gone: in a dashed ring; new: in a full one."""
    turn = np.linspace(0, 2 * np.pi, 33)[:-1]
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=1) * 10.0 + xy
    canvas.marker(kind, xy, 4.5)
    if fate == "gone":
        canvas.line(ring, PAPER, 3, closed=True)
        canvas.dashes(ring, INK, 1.5, 4.0)
    elif fate == "new":
        canvas.line(ring, PAPER, 4, closed=True)
        canvas.line(ring, INK, 2, closed=True)


def _draw_moves(
    canvas: Canvas, pairs: Sequence[DepositFate], place: Place, turn_deg: float
) -> None:
    """An arrow for each deposit that moved, from where it was to where it is, within the panel."""
    for pair in pairs:
        ends = (pair.before_s_um, pair.before_theta_deg, pair.after_s_um, pair.after_theta_deg)
        if pair.fate != "moved" or None in ends:
            continue
        s0, t0, s1, t1 = (float(v) for v in ends if v is not None)
        by = (t1 + turn_deg - t0 + 180.0) % 360.0 - 180.0
        share = np.linspace(0.0, 1.0, 120)
        s, theta = s0 + (s1 - s0) * share, t0 + by * share
        inside = s <= place.s_max_um
        if inside.sum() > 1:
            _draw_arrow(canvas, place.at(s[inside], theta[inside]), head=bool(inside[-1]))


def _draw_arrow(canvas: Canvas, way: npt.NDArray[np.float64], head: bool = True) -> None:
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
    if run[-1] < LONG_ENOUGH_UM:
        return
    if not head:  # it leads out of the panel
        for color, width in ((PAPER, 5), (INK, 2)):
            canvas.line(way, color, width)
        return
    # the head stops short of the mark that it points at
    stop = max(run[-1] - 8.0, run[-1] / 2)
    ends: npt.NDArray[np.float64] = np.empty((2, 2))
    for axis in (0, 1):
        ends[:, axis] = np.interp([stop, max(stop - 11.0, 0.0)], run, way[:, axis])
    tip, back = ends
    shaft = np.concatenate([way[run < stop - 8.0], back[None]])
    along = (tip - back) / max(float(np.hypot(*(tip - back))), 1e-6)
    aside = np.array([-along[1], along[0]]) * 5.0
    for color, width in ((PAPER, 5), (INK, 2)):
        canvas.line(shaft, color, width)
    arrow = np.stack([tip, back + aside, back - aside])
    canvas.line(arrow, PAPER, 3, closed=True)
    canvas.fill(arrow, INK)


def _draw_legend(canvas: Canvas, pairs: Sequence[DepositFate]) -> None:
    x, y = LEGEND_AT
    count = Counter(pair.fate for pair in pairs if pair.part_of is None)
    at = x
    for fate, words in FATE_WORDS.items():
        text = f"{words} ({count[fate]})"
        if fate == "moved":
            _draw_arrow(canvas, np.stack([np.linspace(at - 6, at + 22, 9), np.full(9, y)], axis=1))
        elif fate is not None:
            _draw_mark(canvas, Kind.PARTICLE, fate, (at + 6, y))
        canvas.text((at + (26 if fate is not None else 0), y), text, 16, INK, None)
        at += text_size(text, 16)[0] + 70
    at = x
    for row in KINDS[1:]:
        canvas.marker(row.kind, (at + 6, y + 36), 6)
        canvas.text((at + 26, y + 36), row.name, 16, INK, None)
        at += text_size(row.name, 16)[0] + 70
    line = "Radius: distance along the surface to the fibre, um. Hatched: not seen well enough."
    canvas.text((x, y + 72), line, 15, MUTED, None)
