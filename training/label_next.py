"""Which pictures to label next: those whose answer the net is least sure of.

A picture's doubt is the expected number of pixels, per 1000, that the net gets wrong if its own
probabilities are right (1 - the likeliest answer's probability, of surface and of deposit or not),
plus one for every unsure piece. Connectors of which nothing is labelled come before others, one
picture each in a round, so that a few labels show many connectors.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..inference.see.picture import read_picture
from ..inference.see.pieces import connected_pieces
from ..inference.see.segment import Segmentation, Segmenter
from ..model.errors import UnreadablePicture
from .labels.folder import ShopData

__all__ = ["Doubtful", "doubt_of", "rank_unlabelled", "take_turns"]


@dataclass(frozen=True)
class Doubtful:
    """An unlabelled picture, its connector, and how much the net doubts its own answer."""

    picture: str
    connector: str
    doubt: float
    new_connector: bool


def doubt_of(answer: Segmentation) -> float:
    """How unsure one answer is; see the module."""
    wrong = np.minimum(answer.deposit_p, 1 - answer.deposit_p)
    unsure = 0 if answer.doubtful is None else len(connected_pieces(answer.doubtful > 0).area) - 1
    return float(1000 * wrong.mean()) + unsure


def rank_unlabelled(
    data: ShopData,
    net: Segmenter,
    follow: Callable[[Iterable[str]], Iterator[str]],
    warn: Callable[[str], None],
) -> list[Doubtful]:
    """The unlabelled pictures of a folder, the most useful first. Unreadable ones are told."""
    labelled = {view.connector for view in data.views}
    found: list[Doubtful] = []
    for name in follow(data.unlabelled):
        try:
            rgb = read_picture(Path(data.folder, name)).rgb
        except UnreadablePicture as error:
            warn(str(error))
            continue
        connector = data.connectors[name]
        found.append(Doubtful(name, connector, doubt_of(net(rgb)), connector not in labelled))
    return take_turns(found)


def take_turns(found: Sequence[Doubtful]) -> list[Doubtful]:
    """New connectors first, then by doubt, one picture per connector in each round."""
    ordered = sorted(found, key=lambda each: (not each.new_connector, -each.doubt, each.picture))
    rounds: list[tuple[int, Doubtful]] = []
    turns: dict[str, int] = {}
    for each in ordered:
        turns[each.connector] = turns.get(each.connector, 0) + 1
        rounds.append((turns[each.connector], each))
    return [each for _, each in sorted(rounds, key=lambda pair: pair[0])]
