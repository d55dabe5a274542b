"""Overlay and travel map: what they draw lies where it should, and nothing else is touched."""

import base64
import xml.etree.ElementTree as ET
from dataclasses import replace

import cv2
import numpy as np
import pytest

from fiberward.inference.show.canvas import INK, PAPER, Canvas, color_of
from fiberward.inference.show.labels import place_labels
from fiberward.inference.show.map_panel import Place, draw_scale_bar, fine_distances_um
from fiberward.inference.show.map_picture import (
    FRONT_AT,
    WHOLE_AT,
    WHOLE_RADIUS,
    MapDeposit,
    MapPanel,
    MapPicture,
    draw_travel_map,
    draw_travel_map_svg,
)
from fiberward.inference.show.overlay import DrawnDeposit, draw_overlay, round_length_um
from fiberward.model.camera import Camera
from fiberward.model.kinds import KINDS, Kind

GREY = np.full((300, 400, 3), 128, np.uint8)


def near(rgb: np.ndarray, color: tuple[int, int, int], tolerance: int = 12) -> np.ndarray:
    return (np.abs(rgb.astype(int) - color) <= tolerance).all(axis=-1)


def test_the_picture_given_is_not_changed() -> None:
    before = GREY.copy()
    draw_overlay(GREY, [DrawnDeposit(1, Kind.LINT, 9, False, (5, 5), np.ones((9, 9), bool))], None)
    assert np.array_equal(GREY, before)


@pytest.mark.parametrize("row", KINDS[1:], ids=lambda row: row.name)
def test_a_deposit_is_outlined_in_its_kinds_colour_and_stays_visible_itself(row) -> None:
    mask = np.ones((40, 60), bool)
    drawn = draw_overlay(GREY, [DrawnDeposit(3, row.kind, 50.0, False, (200, 150), mask)], None)
    assert (drawn[152:188, 202:258] == 128).all()
    ring = near(drawn, color_of(row.kind))
    assert ring[144:150, 200:260].any()
    assert ring[190:196, 200:260].any()
    assert ring[150:190, 194:200].any()
    assert ring[150:190, 260:266].any()


def test_pixels_far_from_all_marks_keep_their_values() -> None:
    deposit = DrawnDeposit(3, Kind.FILM, 50.0, False, (200, 150), np.ones((4, 4), bool))
    drawn = draw_overlay(GREY, [deposit], None)
    assert (drawn[:40] == 128).all()
    assert (drawn[:, :60] == 128).all()


def test_the_circle_of_the_graded_zones_has_125_um_of_radius() -> None:
    camera = Camera(0, 0, 0, 2.5, (200.0, 150.0), 1e6, (300, 400))
    drawn = draw_overlay(GREY, [], camera)
    y, x = np.nonzero((drawn != 128).any(axis=-1)[:240])  # the scale bar lies below
    radius = np.hypot(x + 0.5 - 200, y + 0.5 - 150)
    assert abs(np.median(radius) - 125 / 2.5) < 0.5
    assert radius.min() > 46
    assert radius.max() < 54


def test_the_scale_bar_has_the_length_that_it_says() -> None:
    # 0.22 of 400 px at 2.5 um are 220 um, so the bar is 200 um long: 80 px
    camera = Camera(0, 0, 0, 2.5, (200.0, 150.0), 1e6, (300, 400))
    bar = near(draw_overlay(GREY, [], camera), PAPER)[282]
    assert 78 <= np.count_nonzero(bar) <= 85


@pytest.mark.parametrize(
    ("most", "length"), [(1, 1), (1.99, 1), (2, 2), (4.9, 2), (5, 5), (99, 50), (1000, 1000)]
)
def test_scale_bars_have_round_lengths(most: float, length: float) -> None:
    assert round_length_um(most) == pytest.approx(length)


def test_unseen_places_are_hatched_and_seen_ones_are_not() -> None:
    unseen = np.zeros((300, 400))
    unseen[100:200] = 1
    unseen[0] = np.nan
    drawn = draw_overlay(GREY, [], None, unseen)
    assert (drawn[:99] == 128).all()
    assert (drawn[201:] == 128).all()
    assert 0.1 < (drawn[100:200] != 128).any(axis=-1).mean() < 0.7


def test_a_remark_is_written_across_the_top_and_wrapped_into_the_picture() -> None:
    drawn = draw_overlay(GREY, [], None, None, "Not used: " + "out of focus, " * 8)
    written = (drawn != 128).any(axis=-1)
    assert written[:90].any()
    assert not written[150:].any()
    assert not written[:, 398:].any()


def test_labels_overlap_neither_things_nor_each_other_while_there_is_room() -> None:
    things = [(100.0 + 40 * k, 100.0, 110.0 + 40 * k, 110.0) for k in range(5)]
    boxes = place_labels(things, [(50.0, 14.0)] * 5, (300, 400), [(0.0, 0.0, 400.0, 60.0)])
    everything = [*things, *boxes, (0.0, 0.0, 400.0, 60.0)]
    for k, a in enumerate(boxes):
        for b in everything[: len(things) + k] + everything[len(things) + k + 1 :]:
            wide = min(a[2], b[2]) - max(a[0], b[0])
            high = min(a[3], b[3]) - max(a[1], b[1])
            assert wide <= 0 or high <= 0


def test_labels_stay_inside_the_frame() -> None:
    (box,) = place_labels([(0.0, 0.0, 4.0, 4.0)], [(80.0, 14.0)], (100, 100))
    assert box[0] >= 0
    assert box[1] >= 0
    assert box[2] <= 100


def test_a_crowd_of_deposits_is_drawn_all_the_same() -> None:
    rng = np.random.default_rng(1)
    mask = np.ones((3, 3), bool)
    crowd = [
        DrawnDeposit(k, Kind(1 + k % 6), 5.0, k % 5 == 0, (int(x), int(y)), mask)
        for k, (x, y) in enumerate(rng.integers(0, (397, 297), (300, 2)))
    ]
    drawn = draw_overlay(GREY, crowd, None)
    assert drawn.shape == GREY.shape
    assert drawn.dtype == np.uint8


def test_a_picture_of_one_pixel_can_be_drawn_on() -> None:
    deposit = DrawnDeposit(1, Kind.PARTICLE, None, False, (0, 0), np.ones((1, 1), bool))
    one = np.zeros((1, 1, 3), np.uint8)
    assert draw_overlay(one, [deposit], None).shape == (1, 1, 3)


def panel(radius_um: float) -> MapPanel:
    side = 200
    axis = (np.arange(side) + 0.5 - side / 2) * (2 * radius_um / side)
    s = np.hypot(axis[:, None], axis[None, :])
    rgb = np.full((side, side, 3), 60, np.uint8)
    seen = np.broadcast_to(axis[:, None] < 0, (side, side))  # the upper half: theta 0..180
    chart = s < radius_um
    return MapPanel(rgb, np.zeros((side, side), np.uint8), seen, chart, 2 * radius_um / side)


def picture(deposits: list[MapDeposit]) -> MapPicture:
    ends = {"fiber": 62.5, "endface": 500.0, "chamfer": 900.0, "barrel": 6000.0, "cavity": 9000.0}
    rings = {name: np.full(90, end) for name, end in ends.items()}
    return MapPicture(panel(9000.0), panel(1000.0), rings, deposits, 50.0, 14.0)


@pytest.mark.parametrize(
    ("theta", "dx", "dy"),
    [(0, 1, 0), (90, 0, -1), (180, -1, 0), (270, 0, 1)],  # counter-clockwise, 0 to the right
)
def test_a_deposit_lies_on_the_map_at_its_distance_and_angle(
    theta: float, dx: int, dy: int
) -> None:
    deposit = MapDeposit(1, Kind.LIQUID, False, 4500.0, theta, "barrel")
    drawn = draw_travel_map(picture([deposit]))
    x, y = (round(c + 0.5 * WHOLE_RADIUS * d) for c, d in zip(WHOLE_AT, (dx, dy), strict=True))
    assert near(drawn[y - 1 : y + 2, x - 1 : x + 2], color_of(Kind.LIQUID)).all()


def test_a_deposit_near_the_fibre_is_marked_on_the_enlarged_front_too() -> None:
    deposit = MapDeposit(1, Kind.FILM, False, 500.0, 0.0, "endface")
    drawn = draw_travel_map(picture([deposit]))
    x, y = round(FRONT_AT[0] + 111), round(FRONT_AT[1])
    assert near(drawn[y - 1 : y + 2, x - 1 : x + 2], color_of(Kind.FILM)).all()


def test_the_map_shows_texture_where_it_was_seen_and_hatching_where_not() -> None:
    drawn = draw_travel_map(picture([]))
    x, y = (round(c) for c in WHOLE_AT)
    above, below = (
        drawn[y - 300 : y - 60, x + 20 : x + 80],
        drawn[y + 60 : y + 300, x + 20 : x + 80],
    )
    assert (above == 60).all(axis=-1).mean() > 0.7
    assert (below == 60).all(axis=-1).mean() < 0.02


def test_a_surface_that_ends_otherwise_on_each_side_is_drawn_so() -> None:
    """An edge at 4500 um that swings out to 6000 um towards theta = 0."""
    flat = picture([])
    swung = 4500 + 1500 * np.maximum(np.cos(np.radians(np.arange(0, 360, 4))), 0)
    drawn = draw_travel_map(replace(flat, s_end_um={"barrel": swung}))
    x, y = (round(c) for c in WHOLE_AT)
    rim = near(drawn, PAPER, 15)  # of the boundary's line
    for s, line in ((6000, rim[y, x:]), (4500, rim[: y + 1, x][::-1])):
        away = round(WHOLE_RADIUS * s / 9000)
        assert line[away - 3 : away + 4].any()
        assert not line[away - 12 : away - 4].any()
        assert not line[away + 5 : away + 13].any()


def test_deposits_without_a_place_do_not_stop_the_map() -> None:
    lost = [
        MapDeposit(1, Kind.FILM, False, None, None, "housing"),
        MapDeposit(2, Kind.FILM, True, 300.0, None, "endface"),
    ]
    assert not np.array_equal(draw_travel_map(picture(lost)), draw_travel_map(picture([])))


def test_the_same_inspection_gives_the_same_pixels() -> None:
    deposits = [MapDeposit(k, Kind(1 + k % 6), False, 200.0 * k, 40.0 * k, "x") for k in range(20)]
    assert np.array_equal(draw_travel_map(picture(deposits)), draw_travel_map(picture(deposits)))


def test_a_hatched_mask_touches_nothing_outside_it() -> None:
    canvas = Canvas(GREY)
    mask = np.zeros((300, 400), bool)
    mask[10:20] = True
    canvas.hatch(mask, INK, 1.0)
    assert (canvas.rgb[20:] == 128).all()


SVG, XLINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"


def layer(root: ET.Element, name: str) -> np.ndarray:
    """A layer of pixels of an SVG document, BGR or BGRA."""
    group = next(each for each in root.iter(f"{SVG}g") if each.get("id") == name)
    data = group.find(f"{SVG}image").get(XLINK).split(",", 1)[1]
    return cv2.imdecode(np.frombuffer(base64.b64decode(data), np.uint8), cv2.IMREAD_UNCHANGED)


def test_the_map_as_svg_has_marks_and_text_as_vectors_and_the_scan_as_a_layer_of_its_own() -> None:
    deposits = [
        MapDeposit(1, Kind.LIQUID, False, 4500.0, 0.0, "barrel"),
        MapDeposit(27, Kind.FILM, True, 500.0, 90.0, "endface"),
    ]
    root = ET.fromstring(draw_travel_map_svg(picture(deposits)))
    texts = {each.text for each in root.iter(f"{SVG}text")}
    assert {"1", "27?", "Travel map", "chamfer", "graded zones, 250 um across"} <= texts
    ink = "".join(f"{part:02x}" for part in color_of(Kind.LIQUID))
    assert any(each.get("fill") == f"#{ink}" for each in root.iter(f"{SVG}path"))
    scan, ground = layer(root, "scan"), layer(root, "ground")
    x, y = (round(c) for c in WHOLE_AT)
    quarter = round(WHOLE_RADIUS / 2)
    # the upper half was seen: its texture lies on the scan and nowhere else
    assert tuple(scan[y - quarter, x]) == (60, 60, 60, 255)
    assert scan[y + quarter, x, 3] == 0
    assert not (ground == 60).all(axis=-1).any()
    # the same size as the picture, and nothing that is fetched from elsewhere
    height, width = draw_travel_map(picture(deposits)).shape[:2]
    assert root.get("viewBox") == f"0 0 {width} {height}"
    links = [each.get(XLINK) for each in root.iter(f"{SVG}image")]
    assert all(link.startswith("data:image/png;base64,") for link in links)


def test_odd_names_cannot_break_out_of_the_svg() -> None:
    odd = [MapDeposit(1, Kind.FILM, False, None, None, '<script>"&')]
    texts = [e.text for e in ET.fromstring(draw_travel_map_svg(picture(odd))).iter(f"{SVG}text")]
    assert any(text is not None and '<script>"&' in text for text in texts)


def test_fine_rings_lie_every_250_um_unless_they_would_run_into_each_other():
    fine = fine_distances_um(Place((500.0, 500.0), 400.0, 9000.0))
    assert np.array_equal(fine, np.arange(250.0, 9000.0, 250.0))
    assert fine_distances_um(Place((500.0, 500.0), 400.0, 90_000.0)).size == 0


def test_a_scale_bar_is_as_long_as_it_says():
    canvas = Canvas(np.full((200, 600, 3), PAPER, np.uint8))
    draw_scale_bar(canvas, Place((300.0, 100.0), 100.0, 1000.0), (20.0, 150.0))  # 10 um per px
    row = canvas.finish()[150, :100]
    dark = np.flatnonzero(near(row[None], INK, 60)[0])
    assert int(np.ptp(dark)) == pytest.approx(500 / 10, abs=3)
