"""Calibration: thresholds that keep stated rates, confidence that follows the truth, one file."""

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch

from fiberward.inference.see.model_file import Thresholds
from fiberward.inference.see.segment import Segmenter
from fiberward.inference.see.settle_kinds import LikelyKinds
from fiberward.model.errors import ModelError, TrainingError
from fiberward.synthetic.render import RenderPlan, Renders
from fiberward.training.answers import Answer, TrueMask, answers_on, at_thresholds
from fiberward.training.calibrate import (
    CalibrationPlan,
    as_text,
    calibrate_model,
    fit_confidence,
)
from fiberward.training.model_metadata import kept_calibration, read_metadata, rewrite_metadata
from fiberward.training.reliability import JudgedPiece
from fiberward.training.score_view import Truth, score_view
from fiberward.training.thresholds import Rates, choose_thresholds

HW = (60, 80)
CARD: dict[str, Any] = {
    "calibration": {"numeric_form": "float16"},
    "agreement": {
        "pictures": 24, "shapes": 4, "max_dp": 0.0, "mean_dp": 0.0, "surface": 1.0, "kind": 1.0
    },
    "training": {"step": 1, "steps": 2},
}  # fmt: skip


def answer(patches: list[tuple[int, int, int, float]], true: list[tuple[int, int, int]]) -> Answer:
    """Squares (y, x, side, p) of answered particles, and of shown true ones (y, x, side)."""
    plane = np.zeros(HW, np.float32)
    for y, x, side, p in patches:
        plane[y : y + side, x : x + side] = p
    masks: list[TrueMask] = []
    for y, x, side in true:
        mask = np.zeros(HW, bool)
        mask[y : y + side, x : x + side] = True
        masks.append(TrueMask(np.flatnonzero(mask), 1, True))
    pixels = np.flatnonzero(plane)
    likely = LikelyKinds(pixels, np.eye(6, 1, dtype=np.float16).repeat(pixels.size, axis=1))
    return Answer("g", HW, pixels, plane.ravel()[pixels], likely, tuple(masks))


FOUND_WEAKLY = answer([(10, 10, 5, 0.55)], [(10, 10, 5)])
FOUND_WELL = answer([(10, 10, 5, 0.92)], [(10, 10, 5)])
FALSE_WEAKLY = answer([(30, 30, 5, 0.65)], [])
NOTHING = answer([], [])


def test_with_no_false_alarm_about_every_weak_deposit_is_taken() -> None:
    chosen = choose_thresholds([FOUND_WEAKLY, FOUND_WELL, NOTHING], Rates(0, 0, 0))
    assert chosen.recall == 1.0
    assert chosen.thresholds.seed <= 0.55
    assert chosen.deposits_iou == 1.0


def test_a_false_alarm_that_is_not_allowed_costs_the_deposits_below_it() -> None:
    views = [FOUND_WEAKLY, FOUND_WELL, FALSE_WEAKLY, NOTHING]
    strict = choose_thresholds(views, Rates(0, 0, 0))
    assert 0.65 < strict.thresholds.seed <= 0.92
    assert (strict.recall, strict.false_per_view) == (0.5, 0.0)
    # the false piece would be unsure, which is not allowed either
    assert strict.thresholds.floor > 0.65
    mild = choose_thresholds(views, Rates(0.25, 0.5, 0))
    assert (mild.recall, mild.false_per_view, mild.false_per_clean_view) == (1.0, 0.25, 0.5)
    between = choose_thresholds(views, Rates(0, 0, 0.5))
    assert between.thresholds.floor <= 0.65 < between.thresholds.seed
    assert between.unsure_per_clean_view == 0.5


def test_what_other_rates_would_buy_is_told() -> None:
    views = [FOUND_WEAKLY, FOUND_WELL, FALSE_WEAKLY, NOTHING]
    chosen = choose_thresholds(views, Rates(0, 0, 0))
    told = [(c.false_per_view, c.false_per_clean_view, c.recall) for c in chosen.others]
    assert told == [(0.0, 0.0, 0.5), (0.25, 0.5, 1.0)]


def test_a_rate_that_no_setting_keeps_is_refused_with_what_there_is() -> None:
    views = [answer([(10, 10, 9, 0.999)], []), answer([], [(1, 1, 6)])]
    with pytest.raises(TrainingError, match=r"0\.500 false pieces per view and 1\.000 per clean"):
        choose_thresholds(views, Rates(0, 0, 0))


def test_without_clean_views_or_dirt_nothing_can_be_chosen() -> None:
    with pytest.raises(TrainingError, match="0 clean views"):
        choose_thresholds([FOUND_WELL], Rates())
    with pytest.raises(TrainingError, match="0 pieces of dirt"):
        choose_thresholds([NOTHING], Rates())


def test_the_chosen_figures_are_those_that_scoring_a_view_gives() -> None:
    """The other way to the same figures: `score_view`, on answers at the chosen thresholds."""
    random = np.random.default_rng(4)
    answers, truths = [], []
    for k in range(24):
        spots = [(int(y), int(x), int(random.integers(4, 9)), float(p)) for y, x, p in zip(
            (2, 18, 34), random.integers(0, 60, 3), random.uniform(0.25, 1, 3), strict=True
        )]  # fmt: skip
        true = [(y, x, side) for y, x, side, p in spots if random.uniform() < p] if k % 2 else []
        made = answer(spots, true)
        answers.append(made)
        instance = made.instance()
        truths.append(
            Truth("", "", np.zeros((*HW, 3), np.uint8), np.zeros(HW, np.uint8),
                  (instance > 0).astype(np.uint8), instance, None, np.ones(HW, np.float32))
        )  # fmt: skip
    chosen = choose_thresholds(answers, Rates(0.9, 1.2, 1.0))
    seen = [at_thresholds(each, chosen.thresholds) for each in answers]
    scores = [score_view(t, t.surface, s.kind) for t, s in zip(truths, seen, strict=True)]
    deposits = [d for score in scores for d in score.deposits]
    assert chosen.deposits == len(deposits)
    assert chosen.recall == pytest.approx(sum(d.found for d in deposits) / len(deposits))
    assert chosen.false_per_view == pytest.approx(sum(s.false_pieces for s in scores) / 24)
    hit, union = (
        sum(getattr(s, f"deposit_{name}_px") for s in scores) for name in ("hit", "union")
    )
    assert chosen.deposits_iou == pytest.approx(hit / union)


def test_confidence_is_fitted_as_logistic_regression_would() -> None:
    """Against statsmodels' binomial GLM, with Platt's targets (1999)."""
    statsmodels = pytest.importorskip("statsmodels.api")
    random = np.random.default_rng(11)
    pieces = []
    for _ in range(400):
        raw, pixels = float(random.uniform(0.2, 0.99)), int(random.integers(12, 900))
        eta = -3 + 0.8 * np.log(raw / (1 - raw)) + 0.7 * np.log(pixels)
        true = bool(random.uniform() < 1 / (1 + np.exp(-eta)))
        pieces.append(JudgedPiece("g", raw, pixels, true, False))
    found = fit_confidence(pieces)
    assert found is not None
    true = np.array([p.true for p in pieces])
    y = np.where(true, (true.sum() + 1) / (true.sum() + 2), 1 / ((~true).sum() + 2))
    x = np.stack([np.ones(400), [np.log(p.raw / (1 - p.raw)) for p in pieces],
                  [np.log(p.pixels) for p in pieces]], axis=1)  # fmt: skip
    model = statsmodels.GLM(y, x, family=statsmodels.families.Binomial())
    expected = model.fit().params
    assert (found.offset, found.slope, found.size_slope) == pytest.approx(expected, rel=1e-4)
    assert found.pieces == 400


def test_too_few_pieces_or_a_net_that_guesses_leave_confidence_alone() -> None:
    good = [JudgedPiece("g", 0.9, 50, True, False)] * 20
    bad = [JudgedPiece("g", 0.3, 50, False, False)] * 4
    assert fit_confidence(good + bad) is None
    turned = [replace(p, true=not p.true) for p in good + bad * 3]
    assert fit_confidence(turned) is None


def test_larger_pieces_are_never_made_less_sure() -> None:
    pieces = [JudgedPiece("g", 0.9, 20, True, False)] * 30
    pieces += [JudgedPiece("g", 0.6, 900, k % 2 == 0, False) for k in range(30)]
    pieces += [JudgedPiece("g", 0.9, 900, k % 3 == 0, False) for k in range(30)]
    found = fit_confidence(pieces)
    assert found is not None
    assert found.size_slope == 0.0


def painted_source(plan: RenderPlan, seed: int) -> Renders:
    """Pictures whose colours the test's model reads: a dirty view and its clean twin.

    Particles are painted in blues of all strengths; a smaller, false speck lies in every other
    connector.
    """
    h, w = plan.size_hw
    random = np.random.default_rng(seed % 2**32)
    kind, blue = np.zeros((2, h, w), np.uint8), np.zeros((2, h, w), np.uint8)
    instance = np.zeros((2, h, w), np.int16)
    for number in range(3):
        y, x = 4 + 18 * number, int(random.integers(4, w - 12))
        kind[0, y : y + 7, x : x + 7] = 1
        instance[0, y : y + 7, x : x + 7] = number + 1
        blue[0, y : y + 7, x : x + 7] = random.integers(17, 34)
    if seed % 2 == 0:
        blue[:, h - 6 : h - 1, 2:7] = random.integers(18, 21)
    picture = np.stack([np.full_like(blue, 180), np.zeros_like(blue), blue], axis=-1)
    zeros = torch.zeros(2, h, w)
    return Renders(
        torch.as_tensor(picture),
        torch.full((2, h, w), 5, dtype=torch.uint8),
        torch.as_tensor(kind),
        torch.as_tensor(instance),
        zeros + 1,
        zeros,
        torch.zeros(2),
        [{"um_per_px": 3.0}, {"um_per_px": 3.0}],
    )


PLAN = CalibrationPlan(12, 6, Rates(0.5, 0.5, 0.5), (60, 80), 1)


@pytest.fixture
def plain_model(write_model: Callable[..., Path], tmp_path: Path) -> Path:
    """A model file with the metadata that an export writes."""
    texts = {key: json.dumps(value) for key, value in CARD.items()}
    return Path(shutil.copy(write_model(**texts), tmp_path / "levels.onnx"))


def test_a_calibrated_file_carries_what_inspection_then_uses(plain_model: Path) -> None:
    out = plain_model.with_name("done.onnx")
    before = plain_model.read_bytes()
    document = json.loads(json.dumps(calibrate_model(plain_model, out, painted_source, PLAN)))
    assert plain_model.read_bytes() == before
    card = Segmenter(out, 1).card
    assert card.thresholds == Thresholds(**document["thresholds"])
    assert card.calibration is not None
    assert card.calibration["numeric_form"] == "float16"
    assert card.confidence is not None
    errors = card.calibration["checked"]["expected_calibration_error"]
    assert errors["after"]["value"] < errors["before"]["value"]
    assert card.scores == document["check"]["headline"]
    assert document["check"]["connectors"] == 6
    fitted = card.calibration["fitted"]
    assert fitted["false_per_view"] <= 0.5
    assert "expected calibration error" in as_text(document)
    text = out.with_name("model-card.md").read_text()
    assert card.sha256 in text
    assert "corrected: expected calibration error" in text
    assert sorted(p.name for p in out.parent.iterdir()) == [
        "done.onnx", "levels.onnx", "model-card.md"
    ]  # fmt: skip


def test_fitting_and_checking_see_different_renders(plain_model: Path) -> None:
    seeds: list[int] = []

    def noting(plan: RenderPlan, seed: int) -> Renders:
        seeds.append(seed)
        return painted_source(plan, seed)

    calibrate_model(plain_model, plain_model, noting, PLAN)
    assert len(set(seeds)) == len(seeds) == 18


def test_the_small_answer_gives_what_the_segmenter_gives(model_path: Path, painted: Any) -> None:
    random = np.random.default_rng(3)
    kind = np.kron(random.integers(0, 7, (6, 8)), np.ones((10, 10), int))
    rgb = painted(np.full(HW, 5), np.where(random.uniform(size=HW) < 0.1, 0, kind))
    model, plain = Segmenter(model_path, 1), np.zeros(HW, np.uint8)
    seen = model(rgb)
    (small,) = answers_on(model, [Truth("", "", rgb, plain, plain, plain.astype(np.int32))])
    again = at_thresholds(small, model.card.thresholds)
    assert (again.kind == seen.kind).all()
    assert (again.doubtful == seen.doubtful).all()
    assert (seen.kind > 0).any()


def test_a_calibration_stays_with_its_weights_only(plain_model: Path, tmp_path: Path) -> None:
    import onnx

    model = onnx.load(str(plain_model))
    assert kept_calibration(tmp_path / "none.onnx", model) is None
    assert kept_calibration(plain_model, model) is None  # never calibrated
    calibrate_model(plain_model, plain_model, painted_source, PLAN)
    kept = kept_calibration(plain_model, model)
    assert kept is not None
    assert kept["calibration"] == read_metadata(plain_model)["calibration"]
    assert kept["thresholds"] == read_metadata(plain_model)["thresholds"]
    weight = model.graph.initializer[0]
    changed = onnx.numpy_helper.to_array(weight) * 1.001
    weight.CopyFrom(onnx.numpy_helper.from_array(changed.astype(np.float32), weight.name))
    assert kept_calibration(plain_model, model) is None


def test_only_the_named_entries_change(plain_model: Path) -> None:
    before = read_metadata(plain_model)
    rewrite_metadata(plain_model, plain_model, {"scores": {"recall_dirt": {"value": 0.5}}})
    after = read_metadata(plain_model)
    assert after.pop("scores") == {"recall_dirt": {"value": 0.5}}
    assert after == {key: value for key, value in before.items() if key != "scores"}


def test_what_is_no_model_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.onnx"
    path.write_bytes(b"no model")
    with pytest.raises(ModelError, match="not a usable ONNX file"):
        read_metadata(path)
