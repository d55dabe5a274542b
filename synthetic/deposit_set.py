"""One set of deposits on one batch of scenes, from spotless to filthy."""

import torch

from .anchors import Anchors, Ground, draw_anchors
from .canvas import Canvas
from .draw import Draw
from .light import Shaded, Surroundings
from .lint import paint_lint
from .scene import Scene
from .solids import paint_drops, paint_grains
from .stains import paint_chips, paint_films, paint_residues, paint_scratches
from .trace import Rays

__all__ = ["paint_deposits"]

GRAIN_SLOTS = 28
# Chance of each group (fibre, endface, chamfer, barrel, cavity, housing) to be asked for.
GRAIN_PLACES = (0.05, 0.28, 0.20, 0.27, 0.16, 0.04)
STAIN_PLACES = (0.05, 0.42, 0.20, 0.26, 0.07, 0.0)
SCRATCH_PLACES = (0.03, 0.72, 0.12, 0.13, 0.0, 0.0)
CHIP_PLACES = (0.04, 0.25, 0.46, 0.22, 0.03, 0.0)
SMALL, LARGE = 144, 352  # sides of stain windows, px


def paint_deposits(
    draw: Draw,
    canvas: Canvas,
    ground: Ground,
    scene: Scene,
    rays: Rays,
    lit: tuple[Shaded, Surroundings],
) -> list[tuple[str, Anchors]]:
    """Paint one draw of deposits; returns what was placed where, for the truth.

    About a fifth of the pictures stay spotless, a third are slightly dirty. Order is bottom to top:
    damage, films, residues, drops, lint, grains.
    """
    n = canvas.kind.shape[0]
    level = draw.pick((0.2, 0.35, 0.45), n)  # spotless, slight, dirty
    dirty = torch.tensor([0.0, 0.35, 1.0], device=draw.device)[level]
    chips = torch.where(draw.chance(0.15, n), 0.6, 0.0)  # damage comes on clean connectors too

    # (kind, chance of a slot to be used, places, slots), bottom to top
    orders = [
        *[("damage", 0.14 * dirty + chips * 0.5, CHIP_PLACES, 1)] * 2,
        *[("damage", 0.25 * dirty + chips, SCRATCH_PLACES, 1)] * 3,
        *[("film", 0.3 * dirty, STAIN_PLACES, 1), ("residue", 0.3 * dirty, STAIN_PLACES, 1)] * 2,
        *[("liquid", 0.32 * dirty, STAIN_PLACES, 1)] * 2,
        *[("lint", 0.38 * dirty, GRAIN_PLACES, 1)] * 2,
        ("particle", dirty * draw.log_uniform(0.12, 1.0, n), GRAIN_PLACES, GRAIN_SLOTS),
    ]
    wanted = [
        torch.where(draw.unit(n, slots) < chance[:, None], draw.pick(places, n, slots), -1)
        for _, chance, places, slots in orders
    ]
    anchors = draw_anchors(draw, ground, torch.cat(wanted, 1), [slots for *_, slots in orders])
    chip_s, chip_l, scratch_s, scratch_l, scratch_m, film_s, residue_s, film_l, residue_l, *rest = (
        anchors
    )
    drop_s, drop_l, lint_a, lint_b, grains = rest
    for own, side in ((chip_s, SMALL), (chip_l, LARGE)):
        paint_chips(draw, canvas, ground, own, side)
    for own, side in ((scratch_s, SMALL), (scratch_m, LARGE), (scratch_l, LARGE)):
        paint_scratches(draw, canvas, ground, own, side)
    for film, residue, side in ((film_s, residue_s, SMALL), (film_l, residue_l, LARGE)):
        paint_films(draw, canvas, ground, film, side)
        paint_residues(draw, canvas, ground, residue, side)
    for own, side in ((drop_s, SMALL), (drop_l, LARGE)):
        paint_drops(draw, canvas, ground, rays, lit[1], own, side)
    for own in (lint_a, lint_b):
        paint_lint(draw, canvas, ground, scene, lit, own, LARGE)
    paint_grains(draw, canvas, ground, rays, lit, grains)
    painted = (
        chip_s,
        chip_l,
        scratch_s,
        scratch_m,
        scratch_l,
        film_s,
        residue_s,
        film_l,
        residue_l,
        *rest,
    )
    names = (
        ("damage",) * 5 + ("film", "residue") * 2 + ("liquid",) * 2 + ("lint",) * 2 + ("particle",)
    )
    return list(zip(names, painted, strict=True))
