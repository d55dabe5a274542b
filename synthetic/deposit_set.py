"""One set of deposits on one batch of scenes, from spotless to filthy."""

import torch
from torch import Tensor

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
    draw: Draw, canvas: Canvas, ground: Ground, scene: Scene, rays: Rays, lit: tuple[Shaded, Surroundings]
) -> list[tuple[str, Anchors]]:
    """Paint one draw of deposits; returns what was placed where, for the truth.

    About a fifth of the pictures stay spotless, a third are slightly dirty. Order is bottom to top:
    damage, films, residues, drops, lint, grains.
    """
    n = canvas.kind.shape[0]
    level = draw.pick((0.2, 0.35, 0.45), n)  # spotless, slight, dirty
    dirty = torch.tensor([0.0, 0.35, 1.0], device=draw.device)[level]
    chips = torch.where(draw.chance(0.15, n), 0.6, 0.0)  # damage comes on clean connectors too

    def slot(places: tuple[float, ...], chance: Tensor) -> Anchors:
        wanted = torch.where(draw.unit(n) < chance, draw.pick(places, n), -1)
        return draw_anchors(draw, ground, wanted[:, None])

    placed: list[tuple[str, Anchors]] = []

    def keep(name: str, anchors: Anchors) -> Anchors:
        placed.append((name, anchors))
        return anchors

    for side in (SMALL, LARGE):
        paint_chips(draw, canvas, ground, keep("damage", slot(CHIP_PLACES, 0.14 * dirty + chips * 0.5)), side)
    for side in (SMALL, LARGE, LARGE):
        paint_scratches(draw, canvas, ground, keep("damage", slot(SCRATCH_PLACES, 0.25 * dirty + chips)), side)
    for side in (SMALL, LARGE):
        paint_films(draw, canvas, ground, keep("film", slot(STAIN_PLACES, 0.3 * dirty)), side)
        paint_residues(draw, canvas, ground, keep("residue", slot(STAIN_PLACES, 0.3 * dirty)), side)
    for side in (SMALL, LARGE):
        drops = keep("liquid", slot(STAIN_PLACES, 0.32 * dirty))
        paint_drops(draw, canvas, ground, rays, lit[1], drops, side)
    for _ in range(2):
        lint = keep("lint", slot(GRAIN_PLACES, 0.38 * dirty))
        paint_lint(draw, canvas, ground, scene, lit, lint, LARGE)
    crowd = dirty * draw.log_uniform(0.12, 1.0, n)
    wanted = torch.where(draw.unit(n, GRAIN_SLOTS) < crowd[:, None], draw.pick(GRAIN_PLACES, n, GRAIN_SLOTS), -1)
    paint_grains(draw, canvas, ground, rays, lit, keep("particle", draw_anchors(draw, ground, wanted)))
    return placed
