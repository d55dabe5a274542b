"""One connector pictured from several sides: one shape, one material, one set of deposits.

The views are the pictures of one batch. What belongs to the connector is drawn once and repeated
(`Draw` with copies); each deposit's place is a point of the surface, projected into every view, and
its own numbers (size, outline, tone) are the same in all of them. Restricted to upright (PC)
endfaces, whose travel distance is exact.
"""

from dataclasses import dataclass, fields, replace
from typing import Any

import torch
from torch import Tensor

from .anchors import Anchors, draw_anchors
from .canvas import new_canvas
from .connector_truth import connector_truth
from .deposit_set import ORDERS, Sides, draw_wanted, paint_anchors
from .draw import Draw
from .light import LitScene
from .optics import Exposure, draw_exposure
from .render import Developed, Renders, develop, light_scene, photograph
from .scene import Cameras, Connectors, Lights, Scene, draw_connectors, draw_lights, draw_materials
from .sizes import deposit_numbers
from .trace import project

__all__ = [
    "ConnectorPlan",
    "ConnectorRender",
    "ConnectorScene",
    "Draws",
    "draw_connector",
    "render_connector",
    "render_views",
]

LARGEST_STAIN_MM, LONGEST_THREAD_MM = 1.8, 2.5  # windows must hold these


@dataclass(frozen=True)
class ConnectorPlan:
    """How to picture a connector: a front view and `views` - 1 oblique ones, at `size_hw` px."""

    views: int = 4
    size_hw: tuple[int, int] = (960, 1280)


@dataclass(frozen=True)
class ConnectorScene:
    """One connector before its views: every batched field has one row per view.

    `stated_turns_deg` is what a person would note for each view, off by a degree or two.
    """

    scene: Scene
    exposure: Exposure
    stated_turns_deg: tuple[float, ...]


@dataclass(frozen=True)
class ConnectorRender:
    """The views of one connector, front first; `instance` holds deposit ids. `truth` is JSON."""

    views: Renders
    truth: dict[str, Any]


@dataclass(frozen=True)
class Draws:
    """Two streams: `own` draws anew for each view, `shared` the same for all of them."""

    own: Draw
    shared: Draw

    @classmethod
    def begin(cls, seed: int, views: int, device: torch.device | str = "cpu") -> "Draws":
        """Both streams of a connector's seed."""
        where = torch.device(device)
        return cls(Draw(2 * seed, where), Draw(2 * seed + 1, where, copies=views))


def render_connector(
    plan: ConnectorPlan, seed: int, device: torch.device | str = "cpu"
) -> ConnectorRender:
    """Draw and picture one connector: same seed, plan and kind of device, same bits."""
    draws = Draws.begin(seed, plan.views, device)
    return render_views(draw_connector(plan, draws), draws)


def draw_connector(plan: ConnectorPlan, draws: Draws) -> ConnectorScene:
    """Draw a connector, its lights and its views: the bench stands still, the connector turns."""
    n = plan.views
    connectors = upright(draw_connectors(draws.shared, n))
    cameras = draw_views(draws, connectors, plan)
    materials = draw_materials(draws.shared, n)
    lights = turn_lights(draw_lights(draws.shared, cameras), cameras.turn)
    exposure = draw_exposure(draws.shared, n)
    turns = torch.rad2deg(cameras.turn) + 1.2 * draws.own.normal(n)
    stated = tuple(float(turn) % 360 for turn in turns)
    return ConnectorScene(Scene(connectors, cameras, materials, lights), exposure, stated)


def upright(connectors: Connectors) -> Connectors:
    """The same connectors with upright endfaces."""
    axis = torch.zeros_like(connectors.dome_axis)
    axis[:, 2] = 1.0
    return replace(connectors, dome_axis=axis, apc_deg=torch.zeros_like(connectors.apc_deg))


def draw_views(draws: Draws, connectors: Connectors, plan: ConnectorPlan) -> Cameras:
    """One front view and oblique ones all round, well framed and in reasonable focus."""
    own, shared, n = draws.own, draws.shared, plan.views
    high, wide = plan.size_hw
    front = torch.arange(n, device=own.device) == 0
    tilt = torch.where(front, own.uniform(0, 3.0, n), shared.uniform(36.0, 56.0, n))
    tilt = tilt + torch.where(front, 0.0, 2.5 * own.normal(n))
    step = torch.arange(n, device=own.device).sub(1).clamp_min(0) * (360.0 / max(n - 1, 1))
    turn = shared.uniform(0, 360.0, n) + step + 1.0 * own.normal(n)
    share = shared.uniform(0.34, 0.62, n) * torch.exp(0.06 * own.normal(n))
    mm_per_px = 2 * connectors.ferrule_radius / (share * high)
    centre = torch.tensor([wide / 2, high / 2], device=own.device).repeat(n, 1)
    fiber = centre + own.normal(n, 2) * 0.02 * high
    fiber[:, 1] -= torch.where(front, 0.0, 0.05 * high)
    blur = shared.log_uniform(0.25, 3.0, n) * (0.0035 / mm_per_px).clamp(0.4, 2.5)
    focus = own.normal(n) * 0.2 + torch.where(front, 0.0, own.uniform(-0.1, 0.8, n))
    return Cameras(
        torch.deg2rad(tilt), torch.deg2rad(turn % 360), own.normal(n) * 0.02, mm_per_px,
        fiber, centre,
        shared.log_uniform(18.0, 150.0, n), focus, blur, shared.log_uniform(0.4, 1.1, n),
        plan.size_hw,
    )  # fmt: skip


def turn_lights(lights: Lights, turn: Tensor) -> Lights:
    """Lights [N, L, 3] that stand beside the camera while the connector is turned by `turn` [N]."""
    c, s = turn.cos()[:, None], turn.sin()[:, None]
    x, y, z = lights.direction.unbind(-1)
    return replace(lights, direction=torch.stack([x * c - y * s, x * s + y * c, z], -1))


def render_views(
    connector: ConnectorScene, draws: Draws, wanted: Tensor | None = None
) -> ConnectorRender:
    """Picture a connector with one set of deposits.

    `wanted` int64 [1, K]: the group that each slot of `ORDERS` lies on, -1 for unused; drawn if
    not given.
    """
    with torch.no_grad():
        lit = light_scene(draws.shared, connector.scene)
        clean = new_canvas(lit.ground.hits, lit.shaded)
        clean_light, sigma = develop(lit.scene, clean)
        canvas = new_canvas(lit.ground.hits, lit.shaded)
        places = draw_places(draws.own, lit, wanted)
        shown = [in_every_view(lit.scene, own) for own in places]
        bodies = paint_anchors(draws.shared, canvas, lit, shown, window_sides(lit.scene))
        light, _ = develop(lit.scene, canvas)
        film = Developed(light, clean_light, sigma)
        shots = photograph(draws.own, connector.exposure, lit, canvas, film)
        numbers = deposit_numbers(places, canvas.kind.shape[0]).to(canvas.kind.device)
        instance = numbers[shots.instance.long()]
        truth = connector_truth(
            lit, connector.stated_turns_deg, (instance, shots.weight), places, bodies
        )
        return ConnectorRender(replace(shots, instance=instance), truth)


def draw_places(draw: Draw, lit: LitScene, wanted: Tensor | None = None) -> list[Anchors]:
    """Places of one set of deposits, one entry per `ORDERS`, each on a pixel of a random view.

    So a place is shown by at least one view: dirt that no view could show is not placed.
    """
    views = lit.scene.cameras.tilt.shape[0]
    wanted = draw_wanted(draw, 1) if wanted is None else wanted
    view = draw.pick([1.0] * views, wanted.shape[1])
    here = torch.arange(views, device=wanted.device)[:, None] == view[None]
    return draw_anchors(
        draw, lit.ground, torch.where(here, wanted, -1), [order.slots for order in ORDERS]
    )


def in_every_view(scene: Scene, places: Anchors) -> Anchors:
    """Places [D] as anchors in all V views, view by view: [V * D].

    Pixels may lie off the picture or on something nearer: what is hidden is then decided by the
    depth of each pixel. The scale is the finest of the views, so that size limits agree.
    """
    views, count = scene.cameras.tilt.shape[0], places.batch.shape[0]
    px, depth = project(scene.cameras, places.point[None].expand(views, -1, -1))
    cameras = scene.cameras
    scale = cameras.mm_per_px[:, None] * (1 + depth / cameras.depth[:, None])
    everywhere = Anchors(*(
        getattr(places, field.name).repeat(views, *[1] * (getattr(places, field.name).dim() - 1))
        for field in fields(places)
    ))  # fmt: skip
    finest = scale.min(0).values if count else places.mm_per_px
    batch = torch.arange(views, device=px.device).repeat_interleave(count)
    return replace(everywhere, batch=batch, px=px.reshape(-1, 2), mm_per_px=finest.repeat(views))


def window_sides(scene: Scene) -> Sides:
    """Windows that hold the largest stain and the longest thread in every view, px."""
    finest = float(scene.cameras.mm_per_px.min())
    most = 2 * max(scene.cameras.size_hw)
    stain = min(int(LARGEST_STAIN_MM / finest) // 2 * 2 + 2, most)
    thread = min(int(LONGEST_THREAD_MM / finest) // 2 * 2 + 2, most)
    return Sides(small=stain, large=stain, lint=thread)
