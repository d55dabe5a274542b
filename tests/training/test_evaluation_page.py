"""The evaluation's folder: the figures it was given, plots to scale, the worst errors first."""

import json
import math
import re
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from fiberward.inference.see.segment import Segmentation
from fiberward.model.kinds import Kind
from fiberward.training.detection import fit_detection
from fiberward.training.evaluation_page import write_evaluation
from fiberward.training.gallery import KEPT, Gallery
from fiberward.training.plots import detection_plot, reliability_plot
from fiberward.training.reliability import JudgedPiece, reliability
from fiberward.training.score_view import Truth, score_view

HW = (200, 300)


def view(name: str, true: list[tuple[int, int, int]], answered: list[tuple[int, int, int, float]]):
    """Squares (y, x, side) of true particles; answered ones with their probability."""
    instance, kind = np.zeros(HW, np.int32), np.zeros(HW, np.uint8)
    for number, (y, x, side) in enumerate(true, 1):
        instance[y : y + side, x : x + side] = number
    deposit_p = np.zeros(HW, np.float32)
    for y, x, side, p in answered:
        kind[y : y + side, x : x + side] = Kind.PARTICLE
        deposit_p[y : y + side, x : x + side] = p
    plain, rgb = np.full(HW, 5, np.uint8), np.full((*HW, 3), 120, np.uint8)
    truth = Truth(name, name, rgb, plain, (instance > 0).astype(np.uint8), instance, 3.0,
                  np.ones(HW, np.float32))  # fmt: skip
    nothing = np.zeros(HW, np.float32)
    answer = Segmentation(plain, kind, deposit_p, nothing, 0.0, None, 12)
    return truth, answer, score_view(truth, plain, kind)


def test_the_worst_come_first_and_what_is_right_is_left_out() -> None:
    gallery = Gallery()
    gallery.add(*view("a", [(20, 20, 6), (80, 80, 20), (150, 30, 9)], [(150, 30, 9, 0.9)]))
    gallery.add(*view("b", [], [(20, 20, 8, 0.8), (120, 200, 6, 0.97)]))
    assert [e.name for e in gallery.missed] == ["a", "a"]
    assert [round(e.rank, 1) for e in gallery.missed] == [
        round(3 * side * math.sqrt(4 / math.pi), 1) for side in (20, 6)
    ]
    assert [round(e.rank, 2) for e in gallery.false] == [0.97, 0.8]
    assert "particle on endface, 68 um (23 px)" in gallery.missed[0].caption
    assert "called particle on endface, 36 px" in gallery.false[0].caption


def test_an_error_is_shown_with_both_outlines() -> None:
    """Blue and vermilion: Okabe and Ito's colours for the truth and the answer."""
    gallery = Gallery()
    gallery.add(*view("a", [(20, 20, 10)], [(60, 40, 8, 0.9)]))
    (picture,) = [e.picture for e in gallery.missed]
    plain, marked = picture[:, : picture.shape[0]], picture[:, -picture.shape[0] :]
    colors = {tuple(int(v) for v in c) for c in marked.reshape(-1, 3)}
    assert {(0, 114, 178), (120, 120, 120)} <= colors
    assert len(np.unique(plain)) == 1


def test_only_so_many_are_kept() -> None:
    gallery = Gallery()
    for k in range(KEPT + 5):
        gallery.add(*view(str(k), [(20, 20, 5 + k)], []))
    assert len(gallery.missed) == KEPT
    assert gallery.missed[0].name == str(KEPT + 4)


def test_the_curve_passes_through_its_own_sizes() -> None:
    """The dot's place on a log axis, from the ticks that are drawn beside it."""
    random = np.random.default_rng(3)
    size = np.exp(random.uniform(np.log(5), np.log(200), 400))
    found = random.uniform(size=400) < 1 / (1 + (30 / size) ** 4)
    row = fit_detection(size.tolist(), found.tolist()).as_dict()
    svg = ElementTree.fromstring(detection_plot({"all": row}, "um"))
    ticks = {
        float(node.text or "nan"): float(node.attrib["x"])
        for node in svg.iter("text")
        if node.attrib.get("text-anchor") == "middle" and re.fullmatch(r"[\d.]+", node.text or "")
    }
    (dot,) = svg.iter("circle")
    low, high = 20.0, 100.0
    step = (ticks[high] - ticks[low]) / math.log(high / low)
    expected = ticks[low] + step * math.log(row["a90"] / low)
    assert float(dot.attrib["cx"]) == pytest.approx(expected, abs=0.5)


@pytest.mark.parametrize(("a50", "a90"), [(9e3, 1e5), (30.0, 1e300), (1e250, 1e300), (0.2, 0.9)])
def test_sizes_beyond_all_sense_leave_a_plot(a50: float, a90: float) -> None:
    """A flat curve's extrapolated size has up to 300 digits; an axis' ends must not change over."""
    slope = math.log(9) / math.log(a90 / a50)
    row = {"a50": a50, "a90": a90, "a90_95": None, "n": 70, "slope": slope,
           "intercept": -slope * math.log(a50)}  # fmt: skip
    svg = ElementTree.fromstring(detection_plot({"all": row}, "um"))
    texts = [node.text or "" for node in svg.iter("text")]
    assert max(map(len, texts)) < 30
    points = next(svg.iter("polyline")).attrib["points"].split()
    places = [float(point.split(",")[0]) for point in points]
    assert places == sorted(places)
    assert sum(re.fullmatch(r"[\d.]+", text) is not None for text in texts) > 6 + 1  # both axes


def test_groups_without_a_fit_are_no_curves() -> None:
    row = fit_detection([10.0, 20.0], [True, True]).as_dict()
    assert "No group" in detection_plot({"all": row}, "um")


def test_reliability_has_a_point_per_bin_with_pieces() -> None:
    pieces = [JudgedPiece(f"g{k}", 0.95 - 0.3 * (k % 2), 50, k % 3 > 0, False) for k in range(30)]
    svg = ElementTree.fromstring(reliability_plot(reliability(pieces, None)))
    assert len(list(svg.iter("circle"))) == 2


class Sources(HTMLParser):
    """The pictures a page shows; unclosed tags would nest wrongly."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "img":
            self.found.append(dict(attrs)["src"] or "")


def test_the_folder_holds_the_document_and_every_picture_it_shows(tmp_path: Path) -> None:
    from fiberward.training.evaluate import summarise

    class Model:
        class card:
            id, sha256, confidence = "m", "0" * 64, None

    gallery, scores = Gallery(), []
    for made in (
        view("a<b", [(20, 20, 6), (90, 90, 20)], [(20, 20, 6, 0.9)]),
        view("c", [], [(20, 20, 8, 0.8)]),
    ):
        gallery.add(*made)
        scores.append(made[2])
    document = summarise(scores, Model(), "a <set>", [])  # type: ignore[arg-type]
    (tmp_path / "errors").mkdir()
    (tmp_path / "errors" / "missed-09.png").write_bytes(b"old")
    page = write_evaluation(document, gallery, tmp_path)
    text = page.read_text()
    assert json.loads((tmp_path / "evaluation.json").read_text()) == json.loads(
        json.dumps(document)
    )
    assert "a &lt;set&gt;" in text
    assert "<set>" not in text
    sources = Sources()
    sources.feed(text)
    assert sorted(sources.found) == ["errors/false-01.png", "errors/missed-01.png"]
    assert sorted(p.name for p in (tmp_path / "errors").iterdir()) == [
        "false-01.png", "missed-01.png"
    ]  # fmt: skip
    for source in sources.found:
        with Image.open(tmp_path / source) as picture:
            assert picture.size[0] > 2 * picture.size[1]
