"""Strokes: what they paint, what is refused, and what a crash leaves of them."""

import json
import os

import numpy as np
import pytest
from skimage.measure import points_in_poly
from skimage.segmentation import flood

from fiberward.inference.show.desk.labels import (
    NOT_ANNOTATED,
    add_stroke,
    checked_stroke,
    paint,
    read_strokes,
    undone,
)
from fiberward.inference.show.desk.shelf import Case
from fiberward.model.errors import UsageError

SIZE_HW = (80, 120)
EMPTY = np.zeros(SIZE_HW, np.uint8)


def stroke(tool, value=2, points=((40, 30),), radius=5.0, plane="deposits"):
    given = {"tool": tool, "plane": plane, "value": value, "points": [list(p) for p in points]}
    return checked_stroke({**given, "radius": radius}, SIZE_HW)


@pytest.fixture
def case(tmp_path):
    (tmp_path / ".desk").mkdir()
    return Case("k", tmp_path, None, None)


def painted(*strokes, net=EMPTY, plane="deposits"):
    return paint(strokes, plane, net)


def test_a_dab_covers_a_disc():
    mask = painted(stroke("brush", points=[(60, 40)], radius=20))
    rows, columns = np.nonzero(mask == 2)
    # area and centroid of a disc; Gauss's circle problem: off by less than its rim
    assert rows.size == pytest.approx(np.pi * 20**2, rel=0.01)
    assert (columns.mean() + 0.5, rows.mean() + 0.5) == pytest.approx((60, 40), abs=0.05)


def test_a_stroke_covers_the_line_and_both_ends():
    mask = painted(stroke("brush", points=[(20, 40), (100, 40)], radius=6))
    # a stadium: rectangle and two half discs
    assert (mask == 2).sum() == pytest.approx(80 * 12 + np.pi * 36, rel=0.02)


@pytest.mark.parametrize("seed", range(5))
def test_a_polygon_covers_the_pixels_whose_centres_lie_in_it(seed):
    rng = np.random.default_rng(seed)
    points = rng.uniform((-10, -10), (130, 90), (int(rng.integers(3, 9)), 2)).round(2)
    mask = painted(stroke("polygon", points=points.tolist()))
    y, x = np.mgrid[: SIZE_HW[0], : SIZE_HW[1]] + 0.5
    inside = points_in_poly(np.column_stack([x.ravel(), y.ravel()]), points)  # scikit-image
    assert ((mask == 2).ravel() == inside).mean() > 0.9995


def test_flood_fills_the_patch_that_is_shown_there():
    rng = np.random.default_rng(2)
    net = (rng.random(SIZE_HW) > 0.45).astype(np.uint8)
    mask = painted(stroke("flood", points=[(60, 40)]), net=net)
    expected = flood(net, (40, 60), connectivity=1)  # scikit-image, 4-connected
    assert ((mask == 2) == expected).all()


def test_flood_goes_by_the_person_s_word_before_the_net_s():
    line = stroke("polygon", value=4, points=[(50, -5), (52, -5), (52, 90), (50, 90)])
    mask = painted(line, stroke("flood", points=[(10, 10)]))
    assert (mask[:, :50] == 2).all()
    assert (mask[:, 52:] == NOT_ANNOTATED).all()


def test_accepting_takes_the_net_s_word_only_where_nothing_is_annotated():
    net = np.zeros(SIZE_HW, np.uint8)
    net[10:20, 10:20] = 3
    net[40:50, 40:50] = 1
    one = painted(stroke("brush", points=[(15, 15)], radius=2), stroke("accept", 3), net=net)
    assert one[15, 15] == 2
    assert one[11, 11] == 3
    assert one[45, 45] == NOT_ANNOTATED
    rest = painted(stroke("accept", None), net=net)
    assert (rest == net).all()


def test_the_eraser_takes_the_word_back():
    mask = painted(stroke("accept", None), stroke("brush", NOT_ANNOTATED, [(60, 40)], 10))
    assert mask[40, 60] == NOT_ANNOTATED
    assert mask[5, 5] == 0


def test_undo_takes_back_the_last_stroke_of_its_plane():
    a, b = stroke("brush"), stroke("brush", plane="surfaces")
    undo = {"tool": "undo", "plane": "deposits"}
    assert undone([a, b, undo]) == [b]
    assert undone([undo, a, b]) == [a, b]
    assert undone([a, a, undo, undo, undo]) == []


@pytest.mark.parametrize(
    "given",
    [
        {"tool": "spray", "plane": "deposits"},
        {"tool": "brush", "plane": "walls", "value": 1},
        {"tool": "brush", "plane": ["deposits"], "value": 1},
        {"tool": "brush", "plane": "deposits", "value": 7, "points": [[1, 1]], "radius": 3},
        {"tool": "brush", "plane": "deposits", "value": True, "points": [[1, 1]], "radius": 3},
        {"tool": "brush", "plane": "deposits", "value": None, "points": [[1, 1]], "radius": 3},
        {"tool": "brush", "plane": "deposits", "value": 1, "points": [], "radius": 3},
        {"tool": "brush", "plane": "deposits", "value": 1, "points": [[1]], "radius": 3},
        {"tool": "brush", "plane": "deposits", "value": 1, "points": [[1, 1]], "radius": 1e9},
        {"tool": "brush", "plane": "deposits", "value": 1, "points": [[1, 1]]},
        {"tool": "flood", "plane": "deposits", "value": 1, "points": [[1e7, 0]]},
        {"tool": "flood", "plane": "deposits", "value": 1, "points": [[float("nan"), 0]]},
        {"tool": "flood", "plane": "deposits", "value": 1, "points": [[10**400, 0]]},
        {"tool": "polygon", "plane": "deposits", "value": 1, "points": [[0, 0]] * 30_000},
    ],
)
def test_what_is_no_stroke_is_refused(given):
    with pytest.raises(UsageError):
        checked_stroke(given, SIZE_HW)


def test_strokes_are_kept_in_order_and_one_sent_twice_counts_once(case):
    first, second = stroke("brush"), stroke("flood")
    assert add_stroke(case, 0, 0, first) == 1
    assert add_stroke(case, 0, 0, first) == 1
    assert add_stroke(case, 0, 1, second) == 2
    assert read_strokes(case, 0) == [first, second]
    assert read_strokes(case, 1) == []
    with pytest.raises(UsageError, match="another page"):
        add_stroke(case, 0, 1, first)
    with pytest.raises(UsageError, match="another page"):
        add_stroke(case, 0, 5, first)


@pytest.mark.parametrize("cut", [1, 7, 30])
def test_a_stroke_cut_short_by_a_crash_costs_only_itself(case, cut):
    for number in range(3):
        add_stroke(case, 0, number, stroke("brush", value=number))
    journal = case.folder / ".desk" / "labels-0.jsonl"
    os.truncate(journal, journal.stat().st_size - cut)
    assert [each["value"] for each in read_strokes(case, 0)] == [0, 1]
    add_stroke(case, 0, 2, stroke("flood"))
    lines = journal.read_text().splitlines()
    assert [json.loads(line)["tool"] for line in lines] == ["brush", "brush", "flood"]
