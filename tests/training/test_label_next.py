"""Which pictures to label next: where the net is unsure, new connectors first, in turns."""

import numpy as np

from fiberward.inference.see.segment import Segmentation
from fiberward.training.label_next import Doubtful, doubt_of, take_turns


def answer(p: float, unsure_pieces: int = 0) -> Segmentation:
    blank = np.zeros((40, 50), np.uint8)
    doubtful = blank.copy()
    for k in range(unsure_pieces):
        doubtful[5, 4 * k : 4 * k + 2] = 1
    deposit_p = np.full(blank.shape, p, np.float32)
    return Segmentation(blank, blank, deposit_p, deposit_p, 0.0, doubtful)


def test_doubt_is_the_expected_error_and_the_unsure_pieces() -> None:
    """By hand: at p = 0.99 or 0.01 a hundredth of the pixels is wrong, 10 in 1000."""
    for p in (0.01, 0.99):
        assert abs(doubt_of(answer(p)) - 10) < 1e-3
    assert abs(doubt_of(answer(0.01, unsure_pieces=3)) - 13) < 1e-3


def test_new_connectors_come_first_and_take_turns() -> None:
    rows = [
        Doubtful("a1", "a", 9, True), Doubtful("a2", "a", 8, True), Doubtful("b1", "b", 1, True),
        Doubtful("c1", "c", 99, False),
    ]  # fmt: skip
    assert [row.picture for row in take_turns(rows)] == ["a1", "b1", "c1", "a2"]
