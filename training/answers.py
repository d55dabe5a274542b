"""What a net answered on views with truth, kept small, so that thresholds can be tried afterwards.

Only pixels that some setting could count as a deposit, or that are a true deposit's, are kept. At
any thresholds an answer becomes the `Segmentation` that an inspection at these would work with.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..inference.see.model_file import Thresholds
from ..inference.see.segment import Segmentation, Segmenter, deposit_pieces
from ..inference.see.settle_kinds import LikelyKinds, settled_kinds
from ..model.kinds import KIND_NAMES
from .score_view import Truth, is_shown

__all__ = ["LOWEST", "Answer", "TrueMask", "answers_on", "at_thresholds"]

LOWEST = 0.1  # no setting joins pixels of a smaller probability

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float32]


@dataclass(frozen=True)
class TrueMask:
    """A true deposit: its pixels (indices into the flat picture), kind, and whether it is shown."""

    pixels: Ints
    kind: int
    shown: bool


@dataclass(frozen=True)
class Answer:
    """One view of `size_hw` px: at the flat indices `pixels` [n], in order, `deposit_p` float32 and
    the kinds of dirt `likely`; all other pixels lie below `LOWEST`. `true`: what is there.
    """

    group: str
    size_hw: tuple[int, int]
    pixels: Ints
    deposit_p: Floats
    likely: LikelyKinds
    true: tuple[TrueMask, ...]

    def probability(self) -> Floats:
        """`deposit_p` [H, W], 0 where it was not kept."""
        plane = np.zeros(self.size_hw, np.float32)
        plane.flat[self.pixels] = self.deposit_p
        return plane

    def instance(self) -> npt.NDArray[np.int32]:
        """[H, W]: 1 for the first of `true` and so on, 0 elsewhere."""
        plane = np.zeros(self.size_hw, np.int32)
        for number, deposit in enumerate(self.true):
            plane.flat[deposit.pixels] = number + 1
        return plane


def answers_on(model: Segmenter, views: Iterable[Truth]) -> Iterator[Answer]:
    """Run the net on each view and keep what matters."""
    for view in views:
        seen = model(view.rgb)
        pixels = np.flatnonzero(seen.deposit_p >= LOWEST)
        assert seen.likely is not None
        yield Answer(
            group=view.group,
            size_hw=(seen.kind.shape[0], seen.kind.shape[1]),
            pixels=pixels,
            deposit_p=seen.deposit_p.ravel()[pixels],
            likely=_kept(seen.likely, pixels),
            true=tuple(true_masks(view)),
        )


def true_masks(view: Truth) -> Iterator[TrueMask]:
    """Each true deposit of the view."""
    for number in np.unique(view.instance[view.instance > 0]):
        mask = view.instance == number
        kind = int(np.bincount(view.kind[mask], minlength=len(KIND_NAMES)).argmax())
        yield TrueMask(np.flatnonzero(mask), kind, is_shown(view, mask))


def _kept(likely: LikelyKinds, pixels: Ints) -> LikelyKinds:
    """The kinds at some of the pixels."""
    return LikelyKinds(pixels, likely.dirt_p[:, np.searchsorted(likely.pixels, pixels)])


def at_thresholds(answer: Answer, thresholds: Thresholds) -> Segmentation:
    """What an inspection with these thresholds would find; surfaces are left out (all 0)."""
    deposit_p, plain = answer.probability(), np.zeros(answer.size_hw, np.float32)
    sure, unsure = deposit_pieces(deposit_p, thresholds)
    min_px = thresholds.min_px
    kind, doubtful = (settled_kinds(mask, answer.likely, min_px) for mask in (sure, unsure))
    return Segmentation(
        surface=np.zeros(answer.size_hw, np.uint8),
        kind=kind,
        deposit_p=deposit_p,
        likely=answer.likely,
        unseen=plain,
        unlike=0.0,
        doubtful=doubtful,
        min_px=thresholds.min_px,
    )
