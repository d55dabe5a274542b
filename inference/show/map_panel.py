"""One panel of a travel map: the surface laid flat about the fibre, with its lines and names."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...model.kinds import KINDS
from .canvas import INK, PAPER, Canvas, Color, color_of
from .labels import Box

__all__ = [
    "MUTED",
    "NOTHING",
    "MapPanel",
    "Place",
    "box_about",
    "draw_panel",
    "draw_scale_bar",
    "fine_distances_um",
    "written_boxes",
]

GRADED_RADIUS_UM = 125.0
FINE_UM, FINE_PX = 250.0, 5.0  # step of the fine lines, and the nearest that they may come
STEPS_UM = (250.0, 500.0, 1000.0, 2000.0, 5000.0)  # of the strong ones, which bear numbers
MUTED: Color = (96, 102, 112)
DISTANCES_DEG, NAMES_DEG = 118.0, 62.0  # where distances and surfaces' names are written
NAME_PX = 30  # the least room that a surface needs for its name
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
class Place:
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


def draw_panel(
    canvas: Canvas, panel: MapPanel, place: Place, s_end_um: Mapping[str, npt.NDArray[np.float64]]
) -> None:
    """Draw a panel where `place` says; `s_end_um`: as in MapPicture."""
    _lay_raster(canvas, panel, place)
    _draw_distance_lines(canvas, place)
    _draw_surfaces(canvas, s_end_um, place)
    _draw_graded_zones(canvas, place)
    _draw_angles(canvas, place)


def written_boxes(place: Place, s_end_um: Mapping[str, npt.NDArray[np.float64]]) -> list[Box]:
    """What a panel's distances and names cover, to be kept clear of labels."""
    boxes = [box_about(place.at(s, DISTANCES_DEG), 14) for s in _distances_um(place)]
    return boxes + [box_about(spot, 30, 9) for spot in _name_spots(s_end_um, place).values()]


def _lay_raster(canvas: Canvas, panel: MapPanel, place: Place) -> None:
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
    canvas.texture(window, shown, texture)
    for each in KINDS[1:]:
        of_kind = disc & (kind == each.kind)
        if of_kind.any():
            mask = np.zeros(canvas.size_hw, bool)
            mask[window] = of_kind
            canvas.blend(mask, color_of(each.kind), 0.35)
            canvas.outline(of_kind, (x0, y0), [(color_of(each.kind), 1.0)])
    unseen = np.zeros(canvas.size_hw, bool)
    unseen[window] = disc & ~shown
    canvas.hatch(unseen, MUTED, 0.4, 9)


def _distances_um(place: Place) -> npt.NDArray[np.float64]:
    """Where strong distance lines go: every 250 um, or farther apart where that would crowd."""
    step = next((s for s in STEPS_UM if s / place.um_per_px >= 30), STEPS_UM[-1])
    return np.arange(step, place.s_max_um * 0.999, step)


def fine_distances_um(place: Place) -> npt.NDArray[np.float64]:
    """Every 250 um; empty where such lines would run into each other."""
    if FINE_UM / place.um_per_px < FINE_PX:
        return np.zeros(0)
    return np.arange(FINE_UM, place.s_max_um * 0.999, FINE_UM)


def draw_scale_bar(canvas: Canvas, place: Place, at: tuple[float, float]) -> None:
    """A bar as long as the step of the strong lines, its left end at `at`, and its length."""
    distances = _distances_um(place)
    step = float(distances[0]) if len(distances) else place.s_max_um
    (x, y), length = at, step / place.um_per_px
    canvas.line(np.array([[x, y], [x + length, y]]), INK, 3)
    for end in (x, x + length):
        canvas.line(np.array([[end, y - 5], [end, y + 5]]), INK, 1.5)
    canvas.text((x + length + 10, y), f"{step:.0f} um along a radius", 14, MUTED, None)


def _draw_distance_lines(canvas: Canvas, place: Place) -> None:
    distances = _distances_um(place)
    with canvas.faded(0.12):
        for s in fine_distances_um(place):
            canvas.line(place.ring(s), INK, 1, closed=True)
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
    canvas: Canvas, s_end_um: Mapping[str, npt.NDArray[np.float64]], place: Place
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
    s_end_um: Mapping[str, npt.NDArray[np.float64]], place: Place
) -> dict[str, npt.NDArray[np.float64]]:
    """Where the names of the surfaces go: in the middle of those that have room."""
    spots: dict[str, npt.NDArray[np.float64]] = {}
    start = 0.0
    for name, end in s_end_um.items():
        stop = min(float(end.mean()), place.s_max_um)
        if (stop - start) / place.um_per_px >= NAME_PX:
            spots[name] = place.at((start + stop) / 2, NAMES_DEG)
        start = stop
    return spots


def _draw_graded_zones(canvas: Canvas, place: Place) -> None:
    ring = place.ring(GRADED_RADIUS_UM)
    dash = 5.0 if GRADED_RADIUS_UM / place.um_per_px > 12 else 2.5
    with canvas.faded(0.6):
        canvas.line(ring, PAPER, 1, closed=True)
    canvas.dashes(ring, INK, 1, dash)


def _draw_angles(canvas: Canvas, place: Place) -> None:
    for theta in range(0, 360, 15):
        long = theta % 45 == 0
        reach = place.s_max_um * (1 + (10 if long else 5) / place.radius)
        canvas.line(place.at([place.s_max_um, reach], [theta, theta]), MUTED, 1.2)
        if long:
            x, y = place.at(place.s_max_um * (1 + 27 / place.radius), theta)
            canvas.text((float(x), float(y)), f"{theta}°", 15, MUTED, None, "mm")


def box_about(spot: npt.NDArray[np.float64], half: float, half_height: float = 0) -> Box:
    x, y = float(spot[0]), float(spot[1])
    high = half_height or half
    return (x - half, y - high, x + half, y + high)
