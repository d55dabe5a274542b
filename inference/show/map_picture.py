"""The travel map drawn: the connector's whole surface laid flat about the fibre.

Radius is travel distance, angle is theta, counter-clockwise as seen from the front (0 to the right,
90 up). Two panels: the whole connector, and its front enlarged, where the graded zones lie.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...model.kinds import KINDS, Kind
from .canvas import INK, PAPER, Canvas, Color, color_of, text_size
from .labels import Box, draw_leader, place_labels

__all__ = ["SIZE_HW", "MapDeposit", "MapPanel", "MapPicture", "draw_travel_map"]

GRADED_RADIUS_UM = 125.0
SIZE_HW = (1000, 1440)
WHOLE_AT, WHOLE_RADIUS = (472.0, 532.0), 410.0
FRONT_AT, FRONT_RADIUS = (1182.0, 348.0), 222.0
LEGEND_AT = (960.0, 650.0)
STEPS_UM = (250.0, 500.0, 1000.0, 2000.0, 5000.0)
MUTED: Color = (96, 102, 112)
DISTANCES_DEG, NAMES_DEG = 118.0, 62.0  # where distances and surfaces' names are written
NOTHING: Color = (226, 226, 222)


@dataclass(frozen=True)
class MapPanel:
    """A square raster about the fibre: rgb uint8 [M, M, 3], kind uint8 and seen bool [M, M].

    Row 0 is theta = 90. `um_per_px`: travel distance per raster pixel. `seen` is False where no
    picture shows the surface well enough; `chart` where the raster lies on the connector's surface.
    """

    rgb: npt.NDArray[np.uint8]
    kind: npt.NDArray[np.uint8]
    seen: npt.NDArray[np.bool_]
    chart: npt.NDArray[np.bool_]
    um_per_px: float


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
    """

    whole: MapPanel
    front: MapPanel
    s_end_um: Mapping[str, npt.NDArray[np.float64]]
    deposits: Sequence[MapDeposit]
    coverage_size_um: float | None
    detection_limit_um: float | None


@dataclass(frozen=True)
class _Place:
    """Where a panel lies on the canvas: centre and radius in px, and its scale."""

    center: tuple[float, float]
    radius: float
    s_max_um: float

    @property
    def um_per_px(self) -> float:
        return self.s_max_um / self.radius

    def at(self, s_um: npt.ArrayLike, theta_deg: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Canvas positions (x, y) of places on the surface."""
        theta = np.radians(np.asarray(theta_deg, np.float64))
        r = np.asarray(s_um, np.float64) / self.um_per_px
        x, y = self.center
        return np.stack([x + r * np.cos(theta), y - r * np.sin(theta)], axis=-1)

    def ring(self, s_um: float) -> npt.NDArray[np.float64]:
        """A circle at a travel distance, px [240, 2]."""
        return self.at(np.full(240, s_um), np.linspace(0, 360, 240, endpoint=False))


def draw_travel_map(picture: MapPicture) -> npt.NDArray[np.uint8]:
    """The travel map as a picture, uint8 [1000, 1440, 3]."""
    canvas = Canvas(np.full((*SIZE_HW, 3), PAPER, np.uint8))
    s_max = picture.whole.um_per_px * len(picture.whole.rgb) / 2
    s_front = picture.front.um_per_px * len(picture.front.rgb) / 2
    whole = _Place(WHOLE_AT, WHOLE_RADIUS, s_max)
    front = _Place(FRONT_AT, FRONT_RADIUS, s_front)
    for panel, place in ((picture.whole, whole), (picture.front, front)):
        _lay_raster(canvas, panel, place)
        _draw_distance_lines(canvas, place)
        _draw_surfaces(canvas, picture.s_end_um, place)
        _draw_graded_zones(canvas, place)
        _draw_angles(canvas, place)
    _draw_enlargement(canvas, whole, front)
    _draw_deposits(canvas, picture, whole, front)
    _draw_titles(canvas)
    _draw_legend(canvas, picture)
    return canvas.finish()


def _lay_raster(canvas: Canvas, panel: MapPanel, place: _Place) -> None:
    """Put a raster on the canvas: texture where seen, hatching where not, deposits tinted."""
    import cv2

    size = round(2 * place.radius)
    x0, y0 = (round(c - place.radius) for c in place.center)
    window = np.s_[y0 : y0 + size, x0 : x0 + size]

    def scaled(plane: npt.NDArray[np.uint8], how: int) -> npt.NDArray[np.uint8]:
        return cv2.resize(plane, (size, size), interpolation=how).astype(np.uint8)

    shrinks = len(panel.rgb) > size
    texture = scaled(panel.rgb, cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR)
    chart, seen, kind = (
        scaled(plane.astype(np.uint8), cv2.INTER_NEAREST)
        for plane in (panel.chart, panel.seen, panel.kind)
    )
    away = (np.arange(size) + 0.5 - place.radius) ** 2
    disc = (away[:, None] + away[None, :] <= place.radius**2) & (chart > 0)
    shown = disc & (seen > 0)
    part = canvas.rgb[window]
    part[disc] = NOTHING
    part[shown] = texture[shown]
    for each in KINDS[1:]:
        mask = np.zeros(canvas.size_hw, bool)
        mask[window] = disc & (kind == each.kind)
        if mask.any():
            canvas.blend(mask, color_of(each.kind), 0.35)
            canvas.outline(mask, (0, 0), [(color_of(each.kind), 1.0)])
    unseen = np.zeros(canvas.size_hw, bool)
    unseen[window] = disc & ~shown
    canvas.hatch(unseen, MUTED, 0.4, 9)


def _distances_um(place: _Place) -> npt.NDArray[np.float64]:
    """Where distance lines go: every 250 um, or farther apart where that would crowd."""
    step = next((s for s in STEPS_UM if s / place.um_per_px >= 30), STEPS_UM[-1])
    return np.arange(step, place.s_max_um * 0.999, step)


def _draw_distance_lines(canvas: Canvas, place: _Place) -> None:
    distances = _distances_um(place)
    with canvas.faded(0.45):
        for s in distances:  # a dark and a light line side by side show on any ground
            canvas.line(place.ring(s + 0.5 * place.um_per_px), PAPER, 1, closed=True)
            canvas.line(place.ring(s - 0.5 * place.um_per_px), INK, 1, closed=True)
    crowded = len(distances) > 1 and distances[0] / place.um_per_px < 44
    for s in distances[1::2] if crowded else distances:
        x, y = place.at(s, DISTANCES_DEG)
        canvas.text((float(x), float(y)), f"{s:.0f}", 14, INK, PAPER, "mm")
    canvas.line(place.ring(place.s_max_um), MUTED, 1.5, closed=True)


def _draw_surfaces(
    canvas: Canvas, s_end_um: Mapping[str, npt.NDArray[np.float64]], place: _Place
) -> None:
    """Thin lines where surfaces end, and their names where there is room for them."""
    for end in s_end_um.values():
        if end.max() < place.s_max_um * 1.001:
            ring = place.at(end, np.linspace(0, 360, len(end), endpoint=False))
            canvas.line(ring, PAPER, 3, closed=True)
            canvas.line(ring, INK, 1.2, closed=True)
    for name, spot in _name_spots(s_end_um, place).items():
        canvas.text((float(spot[0]), float(spot[1])), name, 16, INK, PAPER, "mm")


def _name_spots(
    s_end_um: Mapping[str, npt.NDArray[np.float64]], place: _Place
) -> dict[str, npt.NDArray[np.float64]]:
    """Where the names of the surfaces go: in the middle of those that have room."""
    spots: dict[str, npt.NDArray[np.float64]] = {}
    start = 0.0
    for name, end in s_end_um.items():
        stop = min(float(end.mean()), place.s_max_um)
        if (stop - start) / place.um_per_px >= 22:
            spots[name] = place.at((start + stop) / 2, NAMES_DEG)
        start = stop
    return spots


def _draw_graded_zones(canvas: Canvas, place: _Place) -> None:
    ring = place.ring(GRADED_RADIUS_UM)
    dash = 5.0 if GRADED_RADIUS_UM / place.um_per_px > 12 else 2.5
    with canvas.faded(0.6):
        canvas.line(ring, PAPER, 1, closed=True)
    canvas.dashes(ring, INK, 1, dash)


def _draw_angles(canvas: Canvas, place: _Place) -> None:
    for theta in range(0, 360, 15):
        long = theta % 45 == 0
        reach = place.s_max_um * (1 + (10 if long else 5) / place.radius)
        canvas.line(place.at([place.s_max_um, reach], [theta, theta]), MUTED, 1.2)
        if long:
            x, y = place.at(place.s_max_um * (1 + 27 / place.radius), theta)
            canvas.text((float(x), float(y)), f"{theta}°", 15, MUTED, None, "mm")


def _draw_enlargement(canvas: Canvas, whole: _Place, front: _Place) -> None:
    """Show which part of the whole the second panel enlarges."""
    ring = whole.ring(front.s_max_um)
    with canvas.faded(0.6):
        for theta in (75.0, -75.0):
            ends = np.stack([whole.at(front.s_max_um, theta), front.at(front.s_max_um, theta)])
            canvas.line(ends, MUTED, 1)
    canvas.line(ring, PAPER, 3, closed=True)
    canvas.line(ring, MUTED, 1.2, closed=True)


def _draw_deposits(canvas: Canvas, picture: MapPicture, whole: _Place, front: _Place) -> None:
    """Numbered marks: near the fibre on the enlarged panel, the others on the whole one."""
    deposits = picture.deposits
    for place, lowest in ((whole, front.s_max_um), (front, 0.0)):
        inside = [d for d in deposits if _lies_within(d, lowest, place.s_max_um)]
        spots = [place.at(d.s_um or 0.0, d.theta_deg or 0.0) for d in inside]
        things = [_box_about(spot, 6) for spot in spots]
        texts = [f"{d.id}{'?' if d.unsure else ''}" for d in inside]
        sizes = [(text_size(text, 15)[0] + 6, 18.0) for text in texts]
        written = [_box_about(place.at(s, DISTANCES_DEG), 14) for s in _distances_um(place)]
        written += [
            _box_about(spot, 30, 9) for spot in _name_spots(picture.s_end_um, place).values()
        ]
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


def _box_about(spot: npt.NDArray[np.float64], half: float, half_height: float = 0) -> Box:
    x, y = float(spot[0]), float(spot[1])
    high = half_height or half
    return (x - half, y - high, x + half, y + high)


def _draw_titles(canvas: Canvas) -> None:
    canvas.text((40, 34), "Travel map", 28, INK, None)
    line = "Radius: distance along the surface to the fibre, um. Angle: as seen from the front."
    canvas.text((40, 66), line, 15, MUTED, None)
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
    if any(d.unsure for d in picture.deposits):
        lines.append("? = unsure: too faint to call it a deposit or none")
    off = [d for d in picture.deposits if d.s_um is None or d.theta_deg is None]
    if off:
        names = ", ".join(f"{d.id} ({_why_off(d)})" for d in off[:4])
        more = f" and {len(off) - 4} more" if len(off) > 4 else ""
        lines.append(f"Not on the map: {names}{more}")
    return lines


def _why_off(deposit: MapDeposit) -> str:
    return "no angle" if deposit.s_um is not None else deposit.surface
