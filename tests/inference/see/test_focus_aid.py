"""What the focus aid says, held against an inspection's own figure and against known blur."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from fiberward.inference.pipeline import Inspector
from fiberward.inference.request import Request
from fiberward.inference.see import focus_aid
from fiberward.inference.see.connector_file import ConnectorFacts
from fiberward.inference.see.focus_aid import NET_PX, aid_of, best_of
from fiberward.inference.see.picture import read_picture
from fiberward.inference.settings import Settings


def blurred(rgb: np.ndarray, sigma_px: float) -> np.ndarray:
    return np.asarray(cv2.GaussianBlur(rgb, (0, 0), sigma_px), np.uint8)


class Knows:
    """Sees in every frame what the sharp drawing shows, at the size that it is asked at."""

    def __init__(self, sharp: np.ndarray, reads) -> None:
        self.seen = reads(sharp)
        self.asked: list[tuple[int, int]] = []

    def __call__(self, rgb):
        height, width = rgb.shape[:2]
        self.asked.append((height, width))
        full = {
            name: cv2.resize(getattr(self.seen, name), (width, height), interpolation=0)
            for name in ("surface", "kind", "deposit_p", "unseen")
        }
        return replace(self.seen, **full)


@pytest.fixture
def sharp(drawing) -> np.ndarray:
    """A drawing as a lens leaves it, with a little blur."""
    return blurred(drawing.rgb(0, 45), 1.0)


def test_the_figure_is_that_of_an_inspection_of_the_same_picture(drawing, reads_drawings):
    path = drawing.view("a.png", 0, 45)
    inspector = Inspector(reads_drawings, Settings(map_px=200))
    facts = ConnectorFacts(ferrule_mm=2.5)
    [view] = inspector.inspect(Request((Path(path),), (0,), facts)).inspection.views
    aid = aid_of(read_picture(path).rgb, reads_drawings, 2.5)
    assert aid.limit_um == pytest.approx(view.detection_limit_um, rel=1e-6)


def test_more_blur_means_larger_deposits_in_proportion(drawing, reads_drawings, sharp):
    # no limit is below two sigma of the blur (quality.py), so doubling the blur doubles it
    knows = Knows(drawing.rgb(0, 45), reads_drawings)
    limits = [aid_of(blurred(drawing.rgb(0, 45), s), knows, 2.5).limit_um for s in (1.5, 3.0)]
    assert limits[1] / limits[0] == pytest.approx(2.0, rel=0.25)


def test_a_large_picture_is_seen_small_and_measured_in_its_own_pixels(
    drawing, reads_drawings, sharp, monkeypatch
):
    large = np.asarray(cv2.resize(sharp, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC))
    knows = Knows(drawing.rgb(0, 45), reads_drawings)
    seen_small = aid_of(large, knows, 2.5).limit_um
    assert all(height * width <= NET_PX < large[..., 0].size for height, width in knows.asked)
    monkeypatch.setattr(focus_aid, "NET_PX", np.inf)
    assert seen_small == pytest.approx(aid_of(large, knows, 2.5).limit_um, rel=0.05)


def test_the_best_frame_of_a_burst_is_the_sharpest_wherever_it_stands(
    drawing, reads_drawings, sharp
):
    for at in (0, 2):
        sigmas = [2.5, 1.8, 3.0]
        sigmas[at] = 0.8
        frames = [blurred(sharp, sigma) for sigma in sigmas]
        best, aid = best_of(frames, Knows(drawing.rgb(0, 45), reads_drawings), 2.5)
        assert best == at
        assert aid.limit_um is not None


def test_of_frames_that_show_nothing_none_is_kept_and_why_is_told(reads_drawings):
    grey = np.full((240, 320, 3), 90, np.uint8)
    best, aid = best_of([grey, grey], reads_drawings, 2.5)
    assert (best, aid.limit_um) == (None, None)
    assert "one even tone" in aid.why_not


def test_a_burnt_out_and_a_black_ferrule_are_told_apart(drawing, reads_drawings, sharp):
    knows = Knows(drawing.rgb(0, 45), reads_drawings)
    ferrule = np.isin(knows.seen.surface, (3, 4, 5, 6))
    rows = np.cumsum(ferrule.sum(axis=1)) < 0.1 * ferrule.sum()
    part = ferrule & rows[:, None]
    burnt, black = sharp.copy(), sharp.copy()
    burnt[part], black[part] = 255, 0
    share = part.sum() / ferrule.sum()
    bright, dark = aid_of(burnt, knows, 2.5), aid_of(black, knows, 2.5)
    assert bright.burnt_share == pytest.approx(share, abs=0.01)
    assert dark.black_share == pytest.approx(share, abs=0.01)
    assert "expose less" in bright.exposure
    assert "more light" in dark.exposure
    assert aid_of(sharp, knows, 2.5).exposure is None


def test_without_a_scale_no_size_is_made_up(drawing, reads_drawings, sharp):
    knows = Knows(drawing.rgb(0, 45), reads_drawings)
    knows.seen.surface[knows.seen.surface == 6] = 5  # no fibre to be seen
    aid = aid_of(sharp, knows, None)
    assert aid.limit_um is None
    assert "state the ferrule's size" in aid.why_not
