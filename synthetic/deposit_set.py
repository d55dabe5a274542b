"""One set of deposits on one batch of scenes, from spotless to filthy."""

from collections.abc import Sequence
from dataclasses import dataclass

import torch
from torch import Tensor

from .anchors import Anchors, draw_anchors
from .canvas import Canvas
from .draw import Draw
from .light import LitScene
from .lint import Threads, paint_lint
from .solids import Ellipsoids, Grains, paint_drops, paint_grains
from .stains import paint_chips, paint_films, paint_residues, paint_scratches

__all__ = [
    "BOTTOM_TO_TOP",
    "ORDERS",
    "Bodies",
    "Sides",
    "draw_wanted",
    "paint_anchors",
    "paint_deposits",
]

GRAIN_SLOTS = 28
# Chance of each group (fibre, endface, chamfer, barrel, cavity, housing) to be asked for.
GRAIN_PLACES = (0.05, 0.28, 0.20, 0.27, 0.16, 0.04)
STAIN_PLACES = (0.05, 0.42, 0.20, 0.26, 0.07, 0.0)
SCRATCH_PLACES = (0.03, 0.72, 0.12, 0.13, 0.0, 0.0)
CHIP_PLACES = (0.04, 0.25, 0.46, 0.22, 0.03, 0.0)


@dataclass(frozen=True)
class Order:
    """What is asked for: kind's name, places, number of slots.

    A slot is used with the chance `dirt` x the picture's dirtiness + `damage` x its damage.
    """

    kind: str
    places: tuple[float, ...]
    dirt: float
    damage: float = 0.0
    slots: int = 1


# Damage, films, residues, drops, lint, grains. Of each pair the first is small.
ORDERS = (
    *[Order("damage", CHIP_PLACES, 0.14, 0.5)] * 2,
    *[Order("damage", SCRATCH_PLACES, 0.25, 1.0)] * 3,
    *[Order("film", STAIN_PLACES, 0.35), Order("residue", STAIN_PLACES, 0.35)] * 2,
    *[Order("liquid", STAIN_PLACES, 0.4)] * 2,
    *[Order("lint", GRAIN_PLACES, 0.55)] * 2,
    Order("particle", GRAIN_PLACES, 1.0, slots=GRAIN_SLOTS),
)
BOTTOM_TO_TOP = (0, 1, 2, 4, 3, *range(5, len(ORDERS)))  # instance numbers follow this order


@dataclass(frozen=True)
class Sides:
    """Sides of the windows that deposits are painted in, px."""

    small: int = 144
    large: int = 352
    lint: int = 352


@dataclass(frozen=True)
class Bodies:
    """The solids that were painted, for their sizes; None where there was none to paint."""

    drops: tuple[Ellipsoids, Ellipsoids]
    threads: tuple[Threads | None, Threads | None]
    grains: Grains | None


def paint_deposits(draw: Draw, canvas: Canvas, lit: LitScene) -> list[tuple[str, Anchors]]:
    """Paint one draw of deposits; returns what was placed where, for the truth."""
    wanted = draw_wanted(draw, canvas.kind.shape[0])
    anchors = draw_anchors(draw, lit.ground, wanted, [order.slots for order in ORDERS])
    paint_anchors(draw, canvas, lit, anchors)
    return [(ORDERS[k].kind, anchors[k]) for k in BOTTOM_TO_TOP]


def draw_wanted(draw: Draw, n: int) -> Tensor:
    """Which slot of which order is used, and on which group: int64 [N, K], -1 for unused.

    About a fifth of the pictures stay spotless, a third are slightly dirty.
    """
    level = draw.pick((0.2, 0.35, 0.45), n)  # spotless, slight, dirty
    dirty = torch.tensor([0.0, 0.35, 1.0], device=draw.device)[level]
    chips = torch.where(draw.chance(0.15, n), 0.6, 0.0)  # damage comes on clean connectors too
    grains = dirty * draw.log_uniform(0.12, 1.0, n)
    wanted: list[Tensor] = []
    for order in ORDERS:
        chance = order.dirt * dirty + order.damage * chips
        if order.kind == "particle":
            chance = grains
        used = draw.unit(n, order.slots) < chance[:, None]
        wanted.append(torch.where(used, draw.pick(order.places, n, order.slots), -1))
    return torch.cat(wanted, 1)


def paint_anchors(
    draw: Draw,
    canvas: Canvas,
    lit: LitScene,
    anchors: Sequence[Anchors],
    sides: Sides | None = None,
) -> Bodies:
    """Paint deposits at given places, one entry of `anchors` per entry of `ORDERS`.

    All but the grains' entry hold at most one place per picture.
    """
    sides = sides or Sides()
    flat = (
        (paint_chips, sides.small), (paint_chips, sides.large),
        (paint_scratches, sides.small), (paint_scratches, sides.large),
        (paint_scratches, sides.large),
        (paint_films, sides.small), (paint_residues, sides.small),
        (paint_films, sides.large), (paint_residues, sides.large),
    )  # fmt: skip
    for k, (paint, side) in zip(BOTTOM_TO_TOP, flat, strict=False):
        paint(draw, canvas, lit.ground, anchors[k], side)
    drop_s, drop_l, lint_a, lint_b, grains = anchors[len(flat) :]
    small = paint_drops(draw, canvas, lit, drop_s, sides.small)
    large = paint_drops(draw, canvas, lit, drop_l, sides.large)
    first = paint_lint(draw, canvas, lit, lint_a, sides.lint)
    second = paint_lint(draw, canvas, lit, lint_b, sides.lint)
    solids = paint_grains(draw, canvas, lit, grains)
    return Bodies((small, large), (first, second), solids)
