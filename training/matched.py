"""Thresholds that let a retrained net be as often wrong as the one before, and find more.

A net that went on learning answers with other probabilities than its parent: at the parent's
thresholds it may raise a third of the false alarms and miss what it now could find. So its
thresholds are chosen on pictures that taught neither of both, at the parent's own rates there.
"""

from collections.abc import Iterable

import numpy as np

from ..inference.see.segment import Segmenter
from ..model.errors import TrainingError
from .answers import answers_on
from .augment import Patch
from .labels.label import NOT_ANNOTATED
from .score_view import Truth
from .thresholds import Chosen, choose_thresholds, rates_of

__all__ = ["matched_thresholds", "truth_of_patch"]


def matched_thresholds(old: Segmenter, new: Segmenter, views: Iterable[Truth]) -> Chosen | None:
    """The new net's thresholds at the old one's rates of false pieces; None where there are none.

    There are none without a clean view or dirt, or where even the strictest are wrong more often.
    A view of which something is not annotated tells nothing of false pieces and is left out.
    """
    known = [view for view in views if (view.kind != NOT_ANNOTATED).all()]
    rates = rates_of(list(answers_on(old, known)), old.card.thresholds)
    try:
        return choose_thresholds(list(answers_on(new, known)), rates)
    except TrainingError:
        return None


def truth_of_patch(patch: Patch) -> Truth:
    """A whole render as truth; a group of its own, since no two show one connector."""
    return Truth(
        name="render",
        group=f"render {id(patch)}",
        rgb=patch.rgb,
        surface=patch.surface,
        kind=patch.kind,
        instance=patch.instance,
        weight=patch.weight.astype(np.float32),
    )
