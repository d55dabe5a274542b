"""Confidence: what a model file says of it, and what becomes of a deposit's."""

import json
import math

import numpy as np
import pytest

from fiberward.inference.see.confidence import Calibration, calibration_of
from fiberward.inference.see.deposits import measure_deposits
from fiberward.inference.see.segment import Segmentation, Segmenter
from fiberward.model.camera import Camera, surface_coordinates
from fiberward.model.errors import ModelError
from fiberward.model.kinds import Kind
from fiberward.model.shape import ConnectorShape

TAUGHT = Calibration(offset=-2.0, slope=0.5, size_slope=0.25, pieces=80)


def test_the_correction_is_a_logistic_function_of_score_and_size() -> None:
    """Closed form: at p = 0.8, 16 px: -2 + 0.5 ln 4 + 0.25 ln 16 = -2 + ln 4."""
    assert TAUGHT.of(0.8, 16) == pytest.approx(1 / (1 + math.exp(2) / 4))


def test_what_the_net_is_surer_of_stays_surer_and_certainty_is_never_reached() -> None:
    values = [TAUGHT.of(p, 40) for p in (0.0, 0.1, 0.5, 0.9, 0.999, 1.0)]
    assert values == sorted(values)
    assert 0 < values[0] < values[-1] < 1


@pytest.mark.parametrize("change", [{"slope": 0.0}, {"size_slope": -0.1}, {"offset": math.nan}])
def test_a_correction_that_turns_the_order_round_is_refused(change: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="slope > 0"):
        Calibration(**({"offset": 0.0, "slope": 1.0, "size_slope": 0.0, "pieces": 1} | change))


def test_the_model_file_carries_it(write_model) -> None:
    path = write_model(
        calibration=json.dumps({"numeric_form": "x", "confidence": TAUGHT.as_dict()})
    )
    segmenter = Segmenter(path, 1)
    assert segmenter.card.confidence == TAUGHT
    assert segmenter(np.zeros((40, 40, 3), np.uint8)).calibration == TAUGHT


def test_a_model_file_without_it_leaves_confidence_as_it_is(model_path) -> None:
    assert Segmenter(model_path, 1).card.confidence is None
    assert calibration_of({"numeric_form": "float16"}) is None


def test_a_method_that_is_not_known_is_refused_by_name(write_model) -> None:
    path = write_model(calibration='{"confidence": {"method": "guess"}}')
    with pytest.raises(ModelError, match="platt-with-size"):
        Segmenter(path, 1)


def test_a_deposits_confidence_is_the_corrected_mean_probability() -> None:
    shape = ConnectorShape(1249.5, 15000.0, 900.0, 250.0, 5000.0, 2400.0, 3000.0)
    size_hw = (300, 300)
    seen_from = Camera(0.0, 0.0, 0.0, 10.0, (150.0, 150.0), 60_000.0, size_hw)
    coordinates = surface_coordinates(seen_from, shape)
    kind = np.zeros(size_hw, np.uint8)
    kind[100:104, 150:160] = Kind.PARTICLE
    deposit_p = np.where(kind > 0, 0.6, 0.0).astype(np.float32)
    deposit_p[100:102, 150:160] = 0.9
    plain = {"unseen": np.zeros(size_hw, np.float32), "unlike": 0.0}
    plain |= {"surface": coordinates.surface}
    raw = Segmentation(kind=kind, deposit_p=deposit_p, **plain)
    corrected = Segmentation(kind=kind, deposit_p=deposit_p, calibration=TAUGHT, **plain)
    (before,) = measure_deposits(raw, coordinates, 0)
    (after,) = measure_deposits(corrected, coordinates, 0)
    assert before.confidence == pytest.approx(0.75)
    assert after.confidence == pytest.approx(TAUGHT.of(0.75, 40))
