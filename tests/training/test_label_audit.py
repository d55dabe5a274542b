"""Labels that are shifted, or whose kinds are exchanged, are doubted; good ones are not.

The net before is played by the truth itself: what it answers is where the deposits are.
"""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from fiberward.inference.see.picture import Picture
from fiberward.training.gate import decide
from fiberward.training.label_audit import audit_labels, audit_view
from fiberward.training.labels.folder import LabelledView
from fiberward.training.labels.label import PictureLabel, instances_of

SIZE = (240, 320)


def scene(number: int) -> np.ndarray:
    """A kind mask: eight grains and eight threads, elsewhere in every picture."""
    random = np.random.default_rng(number)
    kind = np.zeros(SIZE, np.uint8)
    for k in range(16):
        y, x = 30 + 50 * (k // 4) + random.integers(8), 40 + 70 * (k % 4) + random.integers(8)
        if k % 2:
            kind[y : y + 2, x : x + 24] = 2
        else:
            kind[y : y + 9, x : x + 9] = 1
    return kind


def audited(change: Any) -> list[str]:
    views = []
    for number in range(4):
        true = scene(number)
        said = change(true)
        rgb = np.full((*SIZE, 3), 120, np.uint8)
        rgb[true > 0] = 30
        surface = np.full(SIZE, 255, np.uint8)
        label = PictureLabel(f"{number}.png", surface, said, instances_of(said))
        view = LabelledView("c", Picture(Path(label.picture), str(number), rgb), label)
        views.append(audit_view(view, lambda _rgb, true=true: SimpleNamespace(kind=true)))
    return audit_labels(views)


def swapped(kind: np.ndarray) -> np.ndarray:
    return np.array([0, 2, 1], np.uint8)[kind]


def test_good_labels_are_not_doubted() -> None:
    assert audited(lambda kind: kind) == []


@pytest.mark.parametrize("shift", [(15, 0), (0, -15), (6, 6)])
def test_shifted_labels_are_doubted_with_the_shift(shift: tuple[int, int]) -> None:
    doubts = audited(lambda kind: np.roll(kind, shift, (0, 1)))
    assert any(f"moved by about ({-shift[1]}, {-shift[0]}) px" in doubt for doubt in doubts)


def test_exchanged_kinds_are_doubted_by_name() -> None:
    doubts = audited(swapped)
    assert [doubt.split(": ")[-1] for doubt in doubts] == ["the kinds look exchanged"] * 2
    assert "of 32 deposits labelled particle the net before calls 32 lint" in doubts[0]


def test_labels_shifted_and_exchanged_are_refused_activation() -> None:
    """Though the held-out labels, shifted alike, would call the new net better."""
    from .test_gate import BETTER, BOTH, SAME, rows

    doubts = audited(lambda kind: np.roll(swapped(kind), 15, 1))
    assert decide(rows(BETTER, SAME), [], BOTH).passed
    gate = decide(rows(BETTER, SAME), doubts, BOTH)
    assert not gate.passed
    assert gate.reasons[0].startswith("the labels are in doubt: in 4 of 4 pictures")
