"""The main job on pictures by another hand: an independent path tracer's, with exact truth.

Source of every expected value: the truth beside the pictures in tests/data/path-traced (ray casts
into the same scenes). The first tests put the true masks in the net's place and so test what comes
after it: scale, pose, place, size, fusing and verdict. The last uses the shipped net.
"""

import hashlib
import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from fiberward.inference.keep.compare import Side, compare
from fiberward.inference.pipeline import Inspector
from fiberward.inference.request import Request
from fiberward.inference.see.inputs import ConnectorFacts
from fiberward.inference.see.model_file import ModelCard, Thresholds
from fiberward.inference.see.picture import read_picture
from fiberward.inference.see.segment import Segmentation
from fiberward.model.shipped import SHIPPED_MODEL

DATA = Path(__file__).parents[1] / "data" / "path-traced"
NAMES = ("c10100", "c10106")


class TrueMasks:
    """A segmenter that knows the answer for the pictures in tests/data."""

    card = ModelCard(
        id="truth",
        sha256="0" * 64,
        um_per_px_range=(1.0, 10.0),
        thresholds=Thresholds(seed=0.7, grow=0.4, min_px=12, floor=0.55),
        calibration=None,
        scores={"recall_vouched": {"value": 1.0, "low": 0.99, "high": 1.0, "n": 300}},
        training_hash="",
        code_version="",
        created_at="2026-01-01T00:00:00Z",
    )

    def __init__(self) -> None:
        pictures = [p for p in DATA.iterdir() if p.suffix == ".jpg" or p.stem.count(".") == 0]
        pictures = [p for p in pictures if p.suffix in (".jpg", ".png")]
        self.known = {digest(read_picture(p).rgb): p.with_suffix("") for p in pictures}

    def __call__(self, rgb: np.ndarray) -> Segmentation:
        base = self.known[digest(rgb)]
        surface, kind = mask(base, "surfaces"), mask(base, "deposits")
        dirty = (kind > 0).astype(np.float32)
        return Segmentation(surface, kind, dirty, np.zeros_like(dirty), 0.0, None, 12)


def digest(rgb: np.ndarray) -> str:
    """Names a picture by its pixels."""
    return hashlib.sha256(rgb.tobytes()).hexdigest()


def mask(base: Path, name: str) -> np.ndarray:
    """A truth mask, uint8 [H,W]."""
    path = base.with_name(f"{base.name}.{name}.png")
    return cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_UNCHANGED).astype(np.uint8)


def request_for(name: str) -> tuple[Request, dict]:
    """All views of a connector with the turns as stated, and its truth."""
    truth = json.loads((DATA / f"{name}.json").read_text())
    pictures = tuple(DATA / view["picture"] for view in truth["views"])
    turns = tuple(float(view["turn_deg"]) for view in truth["views"])
    ferrule = 2.5 if truth["ferrule_diameter_mm"] > 2 else 1.25
    return Request(pictures, turns, ConnectorFacts(ferrule_mm=ferrule)), truth


@pytest.fixture(scope="module")
def inspected() -> dict:
    """Both connectors, inspected with the true masks."""
    inspector = Inspector(TrueMasks())
    found = {}
    for name in NAMES:
        request, truth = request_for(name)
        found[name] = (inspector.inspect(request).inspection, truth)
    return found


@pytest.mark.parametrize("name", NAMES)
def test_scale_and_tilt_are_those_of_the_path_tracers_camera(inspected, name):
    inspection, truth = inspected[name]
    for view, true in zip(inspection.views, truth["views"], strict=True):
        assert view.um_per_px == pytest.approx(true["um_per_px"], rel=0.01)
        assert view.tilt_deg == pytest.approx(true["tilt_deg"], abs=1.0)
        assert np.hypot(*np.subtract(view.fiber_px, true["fiber_px"])) < 3.0


def test_deposits_lie_where_the_path_tracer_put_them(inspected):
    inspection, truth = inspected["c10100"]
    gaps, ratios = [], []
    for true in truth["deposits"]:
        shown = max(view["visible"].get(str(true["id"]), 0) for view in truth["views"])
        if true["kind"] != "particle" or true["surface"] == "cavity" or shown < 40:
            continue
        near = []
        for own in inspection.deposits:
            if own.s_um is None or own.theta_deg is None or own.surface != true["surface"]:
                continue
            turn = np.radians((own.theta_deg - true["theta_deg"] + 180) % 360 - 180)
            across = turn * min(true["s_um"], 624.5)
            near.append((float(np.hypot(own.s_um - true["s_um"], across)), own.size_um))
        gap, size_um = min(near)
        gaps.append(gap)
        ratios.append(abs(np.log2(size_um / true["size_um"])))
    assert len(gaps) >= 8
    assert np.median(gaps) < 40
    assert np.median(ratios) < 0.35


def test_the_dirty_connector_is_cleaned_first_and_the_scratched_one_not_mated(inspected):
    assert inspected["c10100"][0].verdict == "clean-first"
    assert inspected["c10106"][0].verdict == "clean-first"  # its scratch, at first sight
    assert {deposit.kind for deposit in inspected["c10106"][0].deposits} == {"damage"}


def test_two_connectors_are_never_compared_as_one_before_and_after(inspected):
    sides = [Side(inspected[name][0]) for name in NAMES]
    for before, after in (sides, reversed(sides)):
        comparison = compare(before, after)
        assert comparison.refused
        assert comparison.match == "none"
        assert comparison.pairs == ()
        assert "the connectors differ" in str(comparison.why_refused)


def test_a_connector_is_recognised_as_itself(inspected):
    side = Side(inspected["c10100"][0])
    comparison = compare(side, side)
    assert not comparison.refused
    assert {pair.fate for pair in comparison.pairs} == {"stayed"}


@pytest.fixture(scope="module")
def shipped() -> Inspector:
    """The pipeline with the shipped net."""
    return Inspector(SHIPPED_MODEL)


def test_the_shipped_net_never_lets_the_dirty_connector_be_mated(shipped):
    request, truth = request_for("c10100")
    inspection = shipped.inspect(request).inspection
    assert inspection.verdict == "clean-first"
    for view, true in zip(inspection.views, truth["views"], strict=True):
        assert view.um_per_px == pytest.approx(true["um_per_px"], rel=0.05)
