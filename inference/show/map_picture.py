"""The travel map drawn: the connector's whole surface laid flat about the fibre.

Radius is travel distance, angle is theta, counter-clockwise as seen from the front (0 to the right,
90 up). Two panels: the whole connector, and its front enlarged, where the graded zones lie.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...model.kinds import KINDS, Kind
from .canvas import INK, PAPER, Canvas, text_size
from .labels import draw_leader, place_labels
from .map_panel import (
    MUTED,
    NOTHING,
    MapPanel,
    Place,
    box_about,
    draw_panel,
    draw_scale_bar,
    fine_distances_um,
    written_boxes,
)
from .svg_canvas import SvgCanvas

__all__ = [
    "SIZE_HW",
    "MapDeposit",
    "MapPanel",
    "MapPicture",
    "draw_travel_map",
    "draw_travel_map_svg",
]

SIZE_HW = (1000, 1440)
WHOLE_AT, WHOLE_RADIUS = (472.0, 532.0), 410.0
FRONT_AT, FRONT_RADIUS = (1182.0, 348.0), 222.0
LEGEND_AT = (960.0, 650.0)
MOST_OFF = 8  # deposits without a place that the legend names
WHOLE_BAR_AT, FRONT_BAR_AT = (40.0, 968.0), (960.0, 612.0)


@dataclass(frozen=True)
class MapDeposit:
    """A deposit's number and place; None where it has no place on the map."""

    id: int
    kind: Kind
    unsure: bool
    s_um: float | None
    theta_deg: float | None
    surface: str


@dataclass(frozen=True)
class MapPicture:
    """What the travel map shows.

    `s_end_um`: by name, fibre first, where each surface ends: path lengths [n] at n angles evenly
    spaced from 0, since an angled endface or a square cavity ends otherwise on each side.
    `detection_limit_um`: of the best picture; `usual_limit_um`: the median over all places shown.
    """

    whole: MapPanel
    front: MapPanel
    s_end_um: Mapping[str, npt.NDArray[np.float64]]
    deposits: Sequence[MapDeposit]
    coverage_size_um: float | None
    detection_limit_um: float | None
    usual_limit_um: float | None = None


def draw_travel_map(picture: MapPicture) -> npt.NDArray[np.uint8]:
    """The travel map as a picture, uint8 [1000, 1440, 3]."""
    canvas = Canvas(_paper())
    _draw(canvas, picture)
    return canvas.finish()


def draw_travel_map_svg(picture: MapPicture) -> str:
    """The same as an SVG document; the fused picture is a layer of its own, `scan`."""
    canvas = SvgCanvas(_paper())
    _draw(canvas, picture)
    return canvas.svg("Travel map: the connector's surface laid flat about the fibre")


def _paper() -> npt.NDArray[np.uint8]:
    return np.full((*SIZE_HW, 3), PAPER, np.uint8)


def _draw(canvas: Canvas, picture: MapPicture) -> None:
    s_max = picture.whole.um_per_px * len(picture.whole.rgb) / 2
    s_front = picture.front.um_per_px * len(picture.front.rgb) / 2
    whole = Place(WHOLE_AT, WHOLE_RADIUS, s_max)
    front = Place(FRONT_AT, FRONT_RADIUS, s_front)
    draw_panel(canvas, picture.whole, whole, picture.s_end_um)
    draw_panel(canvas, picture.front, front, picture.s_end_um)
    _draw_enlargement(canvas, whole, front)
    _draw_deposits(canvas, picture, whole, front)
    draw_scale_bar(canvas, whole, WHOLE_BAR_AT)
    draw_scale_bar(canvas, front, FRONT_BAR_AT)
    _draw_titles(canvas, whole)
    _draw_legend(canvas, picture)


def _draw_enlargement(canvas: Canvas, whole: Place, front: Place) -> None:
    """Show which part of the whole the second panel enlarges."""
    ring = whole.ring(front.s_max_um)
    with canvas.faded(0.6):
        for theta in (75.0, -75.0):
            ends = np.stack([whole.at(front.s_max_um, theta), front.at(front.s_max_um, theta)])
            canvas.line(ends, MUTED, 1)
    canvas.line(ring, PAPER, 3, closed=True)
    canvas.line(ring, MUTED, 1.2, closed=True)


def _draw_deposits(canvas: Canvas, picture: MapPicture, whole: Place, front: Place) -> None:
    """Numbered marks: near the fibre on the enlarged panel, the others on the whole one."""
    deposits = picture.deposits
    for place, lowest in ((whole, front.s_max_um), (front, 0.0)):
        inside = [d for d in deposits if _lies_within(d, lowest, place.s_max_um)]
        spots = [place.at(d.s_um or 0.0, d.theta_deg or 0.0) for d in inside]
        things = [box_about(spot, 6) for spot in spots]
        texts = [f"{d.id}{'?' if d.unsure else ''}" for d in inside]
        sizes = [(text_size(text, 15)[0] + 6, 18.0) for text in texts]
        written = written_boxes(place, picture.s_end_um)
        boxes = place_labels(things, sizes, canvas.size_hw, written)
        for thing, box in zip(things, boxes, strict=True):
            draw_leader(canvas, thing, box, 1)
        for deposit, spot, text, box in zip(inside, spots, texts, boxes, strict=True):
            canvas.marker(deposit.kind, (float(spot[0]), float(spot[1])), 5.5)
            canvas.text((box[0] + 3, (box[1] + box[3]) / 2), text, 15, INK, PAPER)
    for deposit in deposits:
        if _lies_within(deposit, 0.0, front.s_max_um):
            x, y = whole.at(deposit.s_um or 0.0, deposit.theta_deg or 0.0)
            canvas.marker(deposit.kind, (float(x), float(y)), 3)


def _lies_within(deposit: MapDeposit, lowest: float, highest: float) -> bool:
    if deposit.s_um is None or deposit.theta_deg is None:
        return False
    return lowest <= deposit.s_um < highest


def _draw_titles(canvas: Canvas, whole: Place) -> None:
    canvas.text((40, 34), "Travel map", 28, INK, None)
    line = "Radius: distance along the surface to the fibre, um. Angle: as seen from the front."
    canvas.text((40, 66), line, 15, MUTED, None)
    if len(fine_distances_um(whole)):
        canvas.text((40, 88), "Fine rings: every 250 um.", 15, MUTED, None)
    x, y = FRONT_AT
    canvas.text((x, y - FRONT_RADIUS - 62), "The front, enlarged", 20, INK, None, "mm")


def _draw_legend(canvas: Canvas, picture: MapPicture) -> None:
    x, y = LEGEND_AT
    for k, row in enumerate(KINDS[1:]):
        count = sum(d.kind == row.kind for d in picture.deposits)
        at = (x + 230 * (k // 3), y + 30 * (k % 3))
        canvas.marker(row.kind, (at[0] + 12, at[1]), 7)
        canvas.text((at[0] + 32, at[1]), f"{row.name} ({count})", 16, INK, None)
    y += 102
    ring = np.array([[x + 12 + 9 * np.cos(t), y + 9 * np.sin(t)] for t in np.linspace(0, 6.2, 40)])
    canvas.dashes(ring, INK, 1.2, 4)
    canvas.text((x + 32, y), "graded zones, 250 um across", 16, INK, None)
    y += 30
    swatch = np.zeros(canvas.size_hw, bool)
    swatch[round(y) - 9 : round(y) + 9, round(x) : round(x) + 24] = True
    canvas.blend(swatch, NOTHING, 1)
    canvas.hatch(swatch, MUTED, 0.4, 9)
    canvas.text((x + 32, y), _unseen_words(picture.coverage_size_um), 16, INK, None)
    y += 30
    for line in _notes(picture):
        canvas.text((x, y), line, 16, INK, None)
        y += 26


def _unseen_words(size_um: float | None) -> str:
    if size_um is None:
        return "unseen: no picture shows it"
    return f"unseen: no picture would show {size_um:.0f} um there"


def _notes(picture: MapPicture) -> list[str]:
    lines: list[str] = []
    if picture.detection_limit_um is not None:
        lines.append(
            f"Smallest deposit these pictures can show: {picture.detection_limit_um:.0f} um"
        )
    if picture.usual_limit_um is not None:
        lines.append(
            f"On half of the surface that they show: {picture.usual_limit_um:.0f} um or less"
        )
    if any(d.unsure for d in picture.deposits):
        lines.append("? = unsure: too faint to call it a deposit or none")
    lines += _off_notes(picture.deposits)
    return lines


def _off_notes(deposits: Sequence[MapDeposit]) -> list[str]:
    """Which deposits have no place on the map, a line for each reason."""
    off: dict[str, list[int]] = {}
    for deposit in deposits:
        if deposit.s_um is None or deposit.theta_deg is None:
            off.setdefault(_why_off(deposit), []).append(deposit.id)
    lines: list[str] = []
    for why, ids in off.items():
        more = f" and {len(ids) - MOST_OFF} more" if len(ids) > MOST_OFF else ""
        names = ", ".join(str(each) for each in ids[:MOST_OFF])
        lines.append(f"Not on the map ({why}): {names}{more}")
    return lines


def _why_off(deposit: MapDeposit) -> str:
    return "no angle" if deposit.s_um is not None else deposit.surface
