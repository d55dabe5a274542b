"""Training batches from a few labelled pictures and from renders against forgetting.

Crops at the picture's own scale are drawn around deposits, small ones the more often, and anywhere;
every third batch is a whole picture at half size, since surround, housing and cavity are told
apart only by the whole. All is a function of (seed, number of the batch).
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import torch

from ..inference.pipeline import SegmentsPictures
from ..synthetic.render import Renders
from .augment import Augmenter, Patch
from .config import LossWeights
from .grey_camera import like_the_shops
from .labels.folder import LabelledView
from .labels.label import NOT_ANNOTATED
from .losses import Batch, prepare
from .score_view import COVER, shows

__all__ = ["BatchPlan", "Pool", "Replay", "ShopBatch", "patch_of_view"]

NEAR = 0.75  # share of the crops that are drawn around a deposit
MAPS = ("rgb", "surface", "kind", "instance", "weight", "unseen")
MARGIN = 1.15  # a crop is cut so much larger before it is turned and scaled


@dataclass(frozen=True)
class BatchPlan:
    """Crops: how many of the shop's and of renders, and their size, px.

    Crops show much of a connector: from a small one nobody could tell its surfaces. Every
    `whole_every`-th batch is one whole picture: of `wholes` one is the shop's at half size, the
    others are renders, since the whole is forgotten first.
    """

    crops: int = 1
    replayed_crops: int = 1
    crop_hw: tuple[int, int] = (480, 640)
    whole_every: int = 3
    wholes: int = 3


@dataclass(frozen=True)
class ShopBatch(Batch):
    """The shop's pictures first, then `replayed` renders."""

    replayed: int

    def maps(self) -> dict[str, torch.Tensor]:
        """All that `Batch` holds, by name."""
        return {field.name: getattr(self, field.name) for field in fields(Batch)}

    def shops(self) -> Batch:
        """Without the renders."""
        taught = self.picture.shape[0] - self.replayed
        return Batch(**{name: value[:taught] for name, value in self.maps().items()})


def patch_of_view(view: LabelledView, parent: SegmentsPictures) -> Patch:
    """A whole labelled picture; `unseen` is as the parent net says, since nobody labels it.

    Deposits that the picture cannot show have weight 0: what cannot be seen is not learnt. But what
    the parent has an inkling of can be seen: without its label, films on shaded ground, whose
    contrast drowns in the shading about them, were unlearnt.
    """
    label, rgb = view.label, view.picture.rgb
    weight = (label.kind != NOT_ANNOTATED).astype(np.uint8)
    answer = parent(rgb)
    inkling = answer.deposit_p >= parent.card.thresholds.grow
    for number in (int(n) for n in np.unique(label.instance) if n):
        mask = label.instance == number
        if not shows(rgb, mask) and inkling[mask].mean() < COVER:
            weight[mask] = 0
    unseen: npt.NDArray[np.float32] = 254 * np.clip(answer.unseen, 0, 1)
    return Patch(
        rgb, label.surface, label.kind, label.instance, weight, (unseen + 0.5).astype(np.uint8)
    )


@dataclass(frozen=True)
class Replay:
    """Renders against forgetting: windows at native scale, and whole frames.

    asked: frames that no batch holds; they tell what has been forgotten.
    """

    windows: Sequence[Patch]
    frames: Sequence[Patch]
    asked: Sequence[Patch] = ()


@dataclass(frozen=True)
class _Place:
    """A deposit to draw crops around: patch, row, column, and how often."""

    patch: int
    y: int
    x: int
    chance: float


class Pool:
    """Draws batches from the shop's pictures and from replayed renders.

    Where the shop's pictures are grey, half of the renders are too.
    """

    def __init__(
        self,
        shop: Sequence[Patch],
        replay: Replay,
        plan: BatchPlan,
        seed: int,
        weights: LossWeights,
    ) -> None:
        self.shop, self.plan, self.seed = shop, plan, seed
        windows, frames = (like_the_shops(each, shop) for each in (replay.windows, replay.frames))
        self.replay = replace(replay, windows=windows, frames=frames)
        self.weights = weights
        self.vary = Augmenter()
        self.places = {id(patches): _places(patches) for patches in (shop, windows)}

    def batch(self, number: int) -> ShopBatch:
        """The batch of that number, always the same."""
        random = np.random.default_rng([self.seed, number])
        plan = self.plan
        turn, place = divmod(number, plan.whole_every)
        if place == plan.whole_every - 1:
            if turn % plan.wholes:
                return as_batch([_one_of(self.replay.frames, random)], self.weights, 1)
            whole = _halved(_one_of(self.shop, random))
            return as_batch([self.vary(whole, _seed(random), whole.kind.shape)], self.weights, 0)
        size = plan.crop_hw
        patches = [
            self.vary(self._cut(self.shop, random, MARGIN), _seed(random), size)
            for _ in range(plan.crops)
        ]
        patches += [self._cut(self.replay.windows, random, 1.0) for _ in range(plan.replayed_crops)]
        return as_batch(_alike(patches), self.weights, plan.replayed_crops)

    def _cut(self, patches: Sequence[Patch], random: np.random.Generator, margin: float) -> Patch:
        """A crop around a deposit or anywhere."""
        places = self.places[id(patches)]
        h, w = (round(margin * side) for side in self.plan.crop_hw)
        if places and random.random() < NEAR:
            chances: Any = np.array([place.chance for place in places])
            place = places[int(random.choice(len(places), p=chances / chances.sum()))]
            down, right = (int(random.integers(-h // 4, h // 4 + 1)) for _ in range(2))
            return _window(patches[place.patch], place.y + down, place.x + right, (h, w))
        patch = _one_of(patches, random)
        y, x = (int(random.integers(0, int(side))) for side in patch.kind.shape)
        return _window(patch, y, x, (h, w))


def _places(patches: Sequence[Patch]) -> list[_Place]:
    """All deposits that count, each drawn in inverse proportion to its diameter."""
    found: list[_Place] = []
    for index, patch in enumerate(patches):
        shown = np.where(patch.weight > 0, patch.instance, 0)
        for number in (int(n) for n in np.unique(shown) if n):
            rows, cols = np.nonzero(shown == number)
            chance = 1 / max(float(np.sqrt(rows.size)), 4.0)
            middle = rows.size // 2
            found.append(_Place(index, int(rows[middle]), int(cols[middle]), chance))
    return found


def _window(patch: Patch, y: int, x: int, size_hw: tuple[int, int]) -> Patch:
    """A window around (y, x), moved inside the picture."""
    height, width = patch.kind.shape
    h, w = min(size_hw[0], height), min(size_hw[1], width)
    top = min(max(y - h // 2, 0), height - h)
    left = min(max(x - w // 2, 0), width - w)
    window = np.s_[top : top + h, left : left + w]
    return replace(patch, **{name: getattr(patch, name)[window] for name in MAPS})


def _alike(patches: Sequence[Patch]) -> list[Patch]:
    """All cut to the size that the smallest has."""
    h = min(patch.kind.shape[0] for patch in patches)
    w = min(patch.kind.shape[1] for patch in patches)
    return [_window(p, p.kind.shape[0] // 2, p.kind.shape[1] // 2, (h, w)) for p in patches]


def _one_of(patches: Sequence[Patch], random: np.random.Generator) -> Patch:
    return patches[int(random.integers(len(patches)))]


def _seed(random: np.random.Generator) -> int:
    return int(random.integers(2**31))


def _halved(patch: Patch) -> Patch:
    """A whole picture at half size."""
    import cv2

    cv: Any = cv2
    h, w = (max(1, side // 2) for side in patch.kind.shape)
    small: Any = cv.resize(patch.rgb, (w, h), interpolation=cv.INTER_AREA)
    masks = {
        name: np.ascontiguousarray(getattr(patch, name)[: 2 * h : 2, : 2 * w : 2])
        for name in MAPS[1:]
    }
    return replace(patch, rgb=small, **masks)


def as_batch(patches: Sequence[Patch], weights: LossWeights, replayed: int) -> ShopBatch:
    """Patches of one size as a training batch; what is not annotated has weight 0.

    replayed: how many of the last are renders.
    """

    def stacked(name: str) -> npt.NDArray[Any]:
        return np.stack([getattr(patch, name) for patch in patches])

    surface, kind = stacked("surface"), stacked("kind")
    known = torch.as_tensor((surface != NOT_ANNOTATED).astype(np.float32))
    counted = (stacked("weight") > 0) & (kind != NOT_ANNOTATED)
    renders = Renders(
        picture=torch.as_tensor(stacked("rgb")),
        surface=torch.as_tensor(np.where(surface == NOT_ANNOTATED, 0, surface)),
        kind=torch.as_tensor(np.where(kind == NOT_ANNOTATED, 0, kind)),
        instance=torch.as_tensor(stacked("instance")),
        weight=torch.as_tensor(counted.astype(np.float32)),
        unseen=torch.as_tensor(stacked("unseen").astype(np.float32) / 254),
        unlike=torch.tensor([patch.unlike for patch in patches]),
        truth=[{} for _ in patches],
    )
    batch = prepare(renders, weights)
    values = vars(batch) | {"surface_weight": batch.surface_weight * known}
    return ShopBatch(**values, replayed=replayed)
