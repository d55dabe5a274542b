"""The kind of each part of a deposit, settled between neighbours.

Pixel by pixel a net wavers within one drop or film, and every island of another kind would be
listed as a deposit that nobody can find. So the kind map is the one of least energy

    E = sum over pixels of -log p(kind) + BORDER_COST * (pairs of side neighbours of unlike kinds)

a Potts model (R. B. Potts, Proc. Camb. Phil. Soc. 48, 106, 1952), gone down greedily: regions of
one kind, smallest first, take another kind where that lowers E. A grain on a film of which
the net is sure pays for its border and stays; a vote over the whole piece would lose it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from heapq import heapify, heappop, heappush

import numpy as np
import numpy.typing as npt

from ...model.kinds import KIND_NAMES, Kind
from .pieces import connected_pieces

__all__ = ["LikelyKinds", "joined", "settled_kinds"]

BORDER_COST = 3.0  # chosen on renders of our own, TRAINING-LOG.md
LEAST_P = 0.01  # below that the net's probabilities say no more
DIRT = len(KIND_NAMES) - int(Kind.PARTICLE)

Bytes = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class LikelyKinds:
    """What the net says of some pixels' kinds: at flat indices `pixels` int64 [n], rising, `dirt_p`
    float16 [6, n], the probability of each kind of deposit.
    """

    pixels: Ints
    dirt_p: npt.NDArray[np.float16]

    def likeliest(self, size_hw: tuple[int, int]) -> Bytes:
        """[H, W]: the likeliest kind of deposit, the first of equals; 0 where nothing is said."""
        plane = np.zeros(size_hw, np.uint8)
        if self.pixels.size:
            plane.flat[self.pixels] = self.dirt_p.argmax(axis=0) + int(Kind.PARTICLE)
        return plane


def joined(bands: Sequence[LikelyKinds]) -> LikelyKinds:
    """Bands of one picture, top to bottom, as one."""
    return LikelyKinds(
        np.concatenate([band.pixels for band in bands]),
        np.concatenate([band.dirt_p for band in bands], axis=1),
    )


def settled_kinds(
    mask: npt.NDArray[np.bool_], likely: LikelyKinds, min_px: int, border_cost: float = BORDER_COST
) -> Bytes:
    """The kind of each pixel in `mask` [H, W], 0 elsewhere; every pixel of it must be in `likely`.

    Regions smaller than `min_px` take a neighbour's kind in any case, if they have a neighbour.
    """
    kind = np.where(mask, likely.likeliest(mask.shape), np.uint8(0))
    if not mask.any():
        return kind
    inside = np.flatnonzero(mask)
    region, kinds = _regions(kind, inside)
    number = region.flat[inside] - 1
    log_p = np.log(np.maximum(likely.dirt_p[:, np.searchsorted(likely.pixels, inside)], LEAST_P))
    per_kind = [np.bincount(number, -row.astype(np.float64), kinds.size) for row in log_p]
    cost = np.stack(per_kind, axis=1).astype(np.float64)
    area = np.bincount(number, minlength=kinds.size)
    map_ = _RegionMap(kinds, area, cost, _borders(region, inside), min_px, border_cost)
    map_.settle()
    kind.flat[inside] = map_.final()[number]
    return kind


def _regions(kind: Bytes, inside: Ints) -> tuple[npt.NDArray[np.int32], Ints]:
    """The connected regions of one kind each, numbered from 1, and their kinds.

    `inside`: flat indices of the pixels of `kind` [H, W] that have one.
    """
    region, kinds = np.zeros(kind.shape, np.int32), [np.zeros(0, np.int64)]
    first = 0
    of_pixel = kind.flat[inside]
    for value in np.unique(of_pixel):
        mine = inside[of_pixel == value]
        pieces = connected_pieces(kind == value)
        count = pieces.area.size - 1
        region.flat[mine] = pieces.labels.flat[mine] + first
        kinds.append(np.full(count, value, np.int64))
        first += count
    return region, np.concatenate(kinds)


def _borders(region: npt.NDArray[np.int32], inside: Ints) -> Iterator[tuple[int, int, int]]:
    """Pairs of regions (from 0) that meet, and how many pairs of side neighbours do."""
    count, width = int(region.max()) + 1, region.shape[1]
    codes: list[Ints] = []
    for here, step in ((inside[inside >= width], width), (inside[inside % width > 0], 1)):
        one, other = region.flat[here], region.flat[here - step]
        meet = (one != other) & (other > 0)
        a, b = one[meet].astype(np.int64), other[meet].astype(np.int64)
        codes.append(np.minimum(a, b) * count + np.maximum(a, b))
    pairs, length = np.unique(np.concatenate(codes), return_counts=True)
    for pair, px in zip(pairs.tolist(), length.tolist(), strict=True):
        yield pair // count - 1, pair % count - 1, px


class _RegionMap:
    """The regions, who borders on whom, and the way down."""

    def __init__(
        self,
        kinds: Ints,
        area: Ints,
        cost: Floats,
        borders: Iterator[tuple[int, int, int]],
        min_px: int,
        border_cost: float,
    ) -> None:
        self._kind, self._area, self._cost = kinds.tolist(), area.tolist(), cost
        self._into = list(range(kinds.size))  # the region it has become part of
        self._min_px, self._border_cost = min_px, border_cost
        self._near: list[dict[int, int]] = [{} for _ in range(kinds.size)]
        for a, b, px in borders:
            self._near[a][b] = self._near[b][a] = px

    def settle(self) -> None:
        """Let regions take another kind, smallest first, until none gains."""
        waiting = [(area, number) for number, area in enumerate(self._area) if self._near[number]]
        heapify(waiting)
        noted = set(waiting)  # a large region's many neighbours wait once each

        def wait(number: int) -> None:
            entry = self._area[number], number
            if entry not in noted:
                noted.add(entry)
                heappush(waiting, entry)

        while waiting:
            entry = heappop(waiting)
            noted.remove(entry)
            area, number = entry
            if self._into[number] != number or self._area[number] != area:
                continue
            kind = self._better(number)
            if kind:
                # for the others nothing has changed: what they border on has the kind it had
                beside = list(self._near[number])
                wait(self._joined(number, kind))
                for other in beside:
                    if self._into[other] == other:
                        wait(other)

    def _better(self, number: int) -> int:
        """The kind that lowers the energy most, 0 if none does.

        What has been joined may as a whole be likeliest of a third kind, which no neighbour has.
        """
        change = self._cost[number] - self._cost[number, self._kind[number] - int(Kind.PARTICLE)]
        for other, px in self._near[number].items():
            change[self._kind[other] - int(Kind.PARTICLE)] -= self._border_cost * px
        kind = int(change.argmin()) + int(Kind.PARTICLE)
        if change.min() < 0:
            return kind
        if self._area[number] >= self._min_px or not self._near[number]:
            return 0
        return min(
            sorted({self._kind[other] for other in self._near[number]}),
            key=lambda kind: change[kind - int(Kind.PARTICLE)],
        )

    def _joined(self, number: int, kind: int) -> int:
        """The region that holds this one, given `kind`, and its neighbours that have it already.

        It is the one of them with most neighbours, so that few of those need to be told.
        """
        self._kind[number] = kind
        parts = [number, *(n for n in self._near[number] if self._kind[n] == kind)]
        whole = max(parts, key=lambda n: (len(self._near[n]), -n))
        for part in parts:
            if part != whole:
                self._take_in(whole, part)
        return whole

    def _take_in(self, whole: int, part: int) -> None:
        """Make `part`, which may not border on it yet, a part of `whole`."""
        for other, px in self._near[part].items():
            del self._near[other][part]
            if other != whole:
                self._near[whole][other] = self._near[whole].get(other, 0) + px
                self._near[other][whole] = self._near[whole][other]
        self._near[part] = {}
        self._into[part] = whole
        self._area[whole] += self._area[part]
        self._cost[whole] += self._cost[part]

    def final(self) -> Bytes:
        """The kind that each region of the beginning has now."""
        return np.array([self._kind[self._root(n)] for n in range(len(self._kind))], np.uint8)

    def _root(self, number: int) -> int:
        while self._into[number] != number:
            number = self._into[number]
        return number
