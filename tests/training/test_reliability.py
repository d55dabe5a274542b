"""Reliability: pieces judged on hand-drawn masks, errors that follow from the definition."""

import numpy as np
import pytest

from fiberward.inference.see.confidence import Calibration
from fiberward.inference.see.segment import Segmentation
from fiberward.model.kinds import Kind
from fiberward.training.reliability import (
    JudgedPiece,
    calibration_error,
    judged_pieces,
    reliability,
)


def answer() -> Segmentation:
    """A sure particle of 20 px at 0.9 and an unsure film of 16 px at 0.5."""
    kind, doubtful = np.zeros((40, 40), np.uint8), np.zeros((40, 40), np.uint8)
    kind[5:9, 5:10] = Kind.PARTICLE
    doubtful[20:24, 20:24] = Kind.FILM
    p = np.where(kind > 0, 0.9, np.where(doubtful > 0, 0.5, 0.01)).astype(np.float32)
    nothing = np.zeros((40, 40), np.float32)
    return Segmentation(kind * 0, kind, p, nothing, 0.0, doubtful, 12)


def test_pieces_are_true_where_a_true_deposit_lies() -> None:
    instance = np.zeros((40, 40), np.int32)
    instance[8:20, 5:10] = 3
    sure, unsure = judged_pieces(answer(), instance, "a")
    assert (sure.true, sure.unsure, sure.pixels) == (True, False, 20)
    assert sure.raw == pytest.approx(0.9)
    assert (unsure.true, unsure.unsure, unsure.pixels) == (False, True, 16)


def test_the_error_is_the_mean_gap_between_confidence_and_truth() -> None:
    """Two bins: 4 at 0.85, 3 true (gap 0.1); 2 at 0.25, none true (gap 0.25)."""
    found = calibration_error([0.85] * 4 + [0.25] * 2, [1, 1, 1, 0, 0, 0])
    assert found == pytest.approx((4 * 0.1 + 2 * 0.25) / 6)
    assert calibration_error([], []) is None


def test_the_error_is_the_definition_on_many_pieces() -> None:
    """The definition written out once more: mean confidence and share true of each tenth."""
    random = np.random.default_rng(5)
    p = random.uniform(size=500)
    true = random.uniform(size=500) < p**2
    edges = np.linspace(0, 1, 11)
    gaps = [
        np.abs(true[own].mean() - p[own].mean()) * own.sum()
        for own in ((p >= a) & (p < b) for a, b in zip(edges, edges[1:], strict=False))
    ]
    assert calibration_error(p, true) == pytest.approx(sum(gaps) / 500)


def test_before_and_after_stand_side_by_side() -> None:
    pieces = [JudgedPiece(f"g{k}", 0.95, 50, k % 2 == 0, False) for k in range(10)]
    even = Calibration(offset=-np.log(19) * 0.01, slope=0.01, size_slope=0.0, pieces=10)
    found = reliability(pieces, even)
    assert found["before"]["expected_calibration_error"]["value"] == pytest.approx(0.45)
    assert found["after"]["expected_calibration_error"]["value"] == pytest.approx(0.0, abs=1e-6)
    last = found["before"]["bins"][9]
    assert (last["true_share"]["value"], last["true_share"]["n"]) == (0.5, 10)
    assert reliability(pieces, None)["after"] is None
