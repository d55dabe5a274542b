"""One view's answer beside its truth: pixels counted, deposits found or missed, false pieces.

Definitions
    shown    a true deposit of at least 12 px that the picture can show. Own renders know it from
             their clean twin; for other pictures see `shows`. Others count neither way
    found    answered deposits (any kind) cover a fifth of a shown deposit's pixels; for lint and
             damage, which are thin, a tenth, and 2 px beside count as on it
    false    an answered piece (8-connected, 12 px or more) with less than a fifth of its pixels
             within 2 px of any true deposit, shown or not
    kind     what most of the answered pixels within 2 px of a found deposit are
    vouched  a shown piece of dirt that a mate's words cover: on a surface of which coverage speaks,
             in a picture that an inspection could use, no smaller there than the smallest deposit
             that an inspection would say it can show, and of at least the contrast with its ground
             that this limit stands for (`see.quality`)
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ..inference.see.coverage import COVERED
from ..inference.see.pieces import Pieces, connected_pieces, ring_around
from ..inference.see.quality import LIMIT_CONTRAST, measure_quality
from ..inference.see.segment import Segmentation
from ..model.kinds import KIND_NAMES, Kind
from ..model.surfaces import SURFACE_NAMES

__all__ = [
    "DIRT",
    "TrueDeposit",
    "Truth",
    "ViewScore",
    "false_pieces",
    "score_view",
    "shows",
    "smallest_px",
]

MIN_PX = 12
COVER, COVER_THIN = 0.2, 0.1
NEAR_PX = 2
ROSE = 6.0  # a little above Rose's 5: contrast x sqrt(pixels) / noise
THIN = (Kind.LINT, Kind.DAMAGE)
DIRT = (Kind.PARTICLE, Kind.LINT, Kind.FILM, Kind.RESIDUE, Kind.LIQUID)
RING_PX = 6

Bytes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Truth:
    """A picture and what is in it. rgb uint8 [H,W,3]; surface, kind uint8 and instance int [H,W].

    group: the connector, within which views are not independent. weight float32 [H,W]: 0 where a
    deposit cannot be seen; None where nobody knows, then `shows` decides.
    """

    name: str
    group: str
    rgb: Bytes
    surface: Bytes
    kind: Bytes
    instance: npt.NDArray[np.int32]
    um_per_px: float | None = None
    weight: npt.NDArray[np.float32] | None = None


@dataclass(frozen=True)
class TrueDeposit:
    """A shown deposit and what became of it. size_um: area-equivalent diameter, as pictured.

    number: its id in the picture's `instance` map. vouched: a mate's words cover such dirt there.
    """

    surface: int
    kind: int
    size_px: float
    size_um: float | None
    found: bool
    kind_found: int
    number: int = 0
    vouched: bool = False


@dataclass(frozen=True)
class ViewScore:
    """What one view adds: pixel tables [truth, answer], deposits, false pieces."""

    name: str
    group: str
    surfaces: npt.NDArray[np.int64]  # [7, 7] px
    deposit_hit_px: int
    deposit_union_px: int
    deposits: tuple[TrueDeposit, ...]
    not_shown: int
    false_pieces: int
    clean: bool


def smallest_px(rgb: Bytes, answer: Segmentation) -> float | None:
    """Diameter of the smallest deposit that an inspection would say a picture shows; None where the
    picture would be no evidence.
    """
    quality = measure_quality(rgb, answer)
    return quality.detection_limit_px if quality.readable else None


def score_view(
    truth: Truth, surface: Bytes, kind: Bytes, limit_px: float | None = None
) -> ViewScore:
    """Compare an answer (surface, kind: uint8 [H,W]) with the truth.

    `limit_px`: as of `smallest_px`; without it nothing is vouched for.
    """
    classes = len(SURFACE_NAMES)
    index = truth.surface.astype(np.int64) * classes + surface
    table = np.bincount(index.ravel(), minlength=classes * classes).reshape(classes, classes)
    answered = kind > 0
    pieces = connected_pieces(answered)
    answered &= (pieces.area >= MIN_PX)[pieces.labels]
    deposits: list[TrueDeposit] = []
    hidden = np.zeros(answered.shape, bool)
    ids = [int(i) for i in np.unique(truth.instance) if i > 0]
    for number in ids:
        mask = truth.instance == number
        if is_shown(truth, mask):
            found = replace(look_up(truth, mask, kind * answered), number=number)
            vouched = is_vouched(found, limit_px) and contrast(truth.rgb, mask) >= LIMIT_CONTRAST
            deposits.append(replace(found, vouched=vouched))
        else:
            hidden |= mask
    true = truth.instance > 0
    return ViewScore(
        name=truth.name,
        group=truth.group,
        surfaces=table,
        deposit_hit_px=int((true & answered & ~hidden).sum()),
        deposit_union_px=int(((true | answered) & ~hidden).sum()),
        deposits=tuple(deposits),
        not_shown=len(ids) - len(deposits),
        false_pieces=count_false(answered, true),
        clean=not ids,
    )


def look_up(truth: Truth, mask: Mask, kind: Bytes) -> TrueDeposit:
    """What the answer says where this deposit is."""
    near = mask | ring_around(mask, NEAR_PX)
    true_kind = most_frequent(truth.kind[mask], len(KIND_NAMES))
    if true_kind in THIN:
        reached = (kind > 0) | ring_around(kind > 0, NEAR_PX)
        found = (mask & reached).sum() >= COVER_THIN * mask.sum()
    else:
        found = (mask & (kind > 0)).sum() >= COVER * mask.sum()
    size_px = float(np.sqrt(4 * mask.sum() / np.pi))
    answered = kind[near & (kind > 0)]
    return TrueDeposit(
        surface=most_frequent(truth.surface[mask], len(SURFACE_NAMES)),
        kind=true_kind,
        size_px=size_px,
        size_um=None if truth.um_per_px is None else size_px * truth.um_per_px,
        found=bool(found),
        kind_found=most_frequent(answered, len(KIND_NAMES)) if answered.size else 0,
    )


def is_vouched(deposit: TrueDeposit, limit_px: float | None) -> bool:
    """Whether a mate would have said that no such dirt lies there, if its contrast suffices."""
    if limit_px is None or deposit.size_px < limit_px:
        return False
    return deposit.kind in DIRT and deposit.surface in COVERED


def most_frequent(labels: Bytes, classes: int) -> int:
    """The label that occurs most often."""
    return int(np.bincount(labels, minlength=classes).argmax())


def count_false(answered: Mask, true: Mask) -> int:
    """Answered pieces that lie on nothing true."""
    return len(false_pieces(answered, true)[1])


def false_pieces(answered: Mask, true: Mask) -> tuple[Pieces, list[int]]:
    """The answered pieces, and the labels of those that lie on nothing true."""
    pieces = connected_pieces(answered)
    near = true | ring_around(true, NEAR_PX)
    on_true = np.bincount(pieces.labels[near], minlength=pieces.area.size)
    wrong = on_true[1:] < COVER * pieces.area[1:]
    return pieces, [int(label) + 1 for label in np.flatnonzero(wrong)]


def is_shown(truth: Truth, mask: Mask) -> bool:
    """Whether the picture can show this deposit."""
    if mask.sum() < MIN_PX:
        return False
    if truth.weight is not None:
        return float(truth.weight[mask].mean()) >= 0.5
    return shows(truth.rgb, mask)


def shows(rgb: Bytes, mask: Mask) -> bool:
    """Rose's criterion in the best of red, green and blue.

    Contrast is what the deposit's root mean square distance from the median of its surroundings
    exceeds that of the surroundings themselves (as variances), so that a textured deposit counts as
    well as an even one and noise alone does not. Surroundings: a ring from 2 to 8 px outside.
    """
    plane, inside, ring = with_ring(rgb, mask)
    if ring.sum() < MIN_PX:
        return False
    channels = (plane[..., channel] for channel in range(3))
    return max(signal_to_noise(values, inside, ring) for values in channels) >= ROSE


def contrast(rgb: Bytes, mask: Mask) -> float:
    """How far the deposit's mean lies from the median of its surroundings, as a share of that, in
    the best of red, green and blue; 0 without surroundings.
    """
    plane, inside, ring = with_ring(rgb, mask)
    if not ring.any():
        return 0.0
    ground = np.median(plane[ring], axis=0)
    return float(np.max(np.abs(plane[inside].mean(0) - ground) / np.maximum(ground, 1.0)))


def with_ring(rgb: Bytes, mask: Mask) -> tuple[npt.NDArray[np.float64], Mask, Mask]:
    """A window of the picture round a deposit, the deposit in it, and a ring 2 to 8 px outside."""
    hit: Any = np.nonzero(mask)
    rows, cols = hit
    pad = NEAR_PX + RING_PX + 1
    window = np.s_[
        max(rows.min() - pad, 0) : rows.max() + pad + 1,
        max(cols.min() - pad, 0) : cols.max() + pad + 1,
    ]
    inside = mask[window]
    ring = ring_around(inside | ring_around(inside, NEAR_PX), RING_PX)
    return rgb[window].astype(np.float64), inside, ring


def signal_to_noise(values: npt.NDArray[np.float64], inside: Mask, ring: Mask) -> float:
    """Contrast x sqrt(pixels) / noise of `inside` against `ring`; noise is at least 1 level."""
    middle = float(np.median(values[ring]))
    noise = max(float(np.sqrt(np.mean((values[ring] - middle) ** 2))), 1.0)
    signal = float(np.mean((values[inside] - middle) ** 2)) - noise**2
    return float(np.sqrt(max(signal, 0.0) * int(inside.sum()))) / noise
