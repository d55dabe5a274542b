"""The exact truth of one connector and its views, as written beside its pictures."""

from collections.abc import Sequence
from typing import Any

import torch
from torch import Tensor

from ..model.kinds import KIND_NAMES
from ..model.surfaces import SURFACE_NAMES
from .anchors import Anchors
from .deposit_set import BOTTOM_TO_TOP, ORDERS, Bodies
from .light import LitScene
from .lint import Threads
from .scene import Scene
from .sizes import area_diameter, footprint_areas_mm2, solid_diameters_mm, thread_lengths_mm
from .trace import project
from .truth import UM, deposit_row, rim_points_mm, surface_ends, view_row

__all__ = ["connector_truth"]

SHOWN_PX, SHOWN_WEIGHT = 12, 0.5


def connector_truth(
    lit: LitScene,
    stated_turns_deg: Sequence[float],
    masks: tuple[Tensor, Tensor],
    places: Sequence[Anchors],
    bodies: Bodies,
) -> dict[str, Any]:
    """Connector, deposits and views; lengths in um unless the name says mm.

    `masks`: deposit ids and label weights, [V, H, W]. `dirty`: some view shows a deposit of a
    removable kind; `shown` says so of each: 12 px or more, and contrast enough against the clean
    twin. A deposit's place is where it is anchored; `size_um` its area-equivalent diameter, for
    flat kinds by the area it shows in the view that shows most of it, null where none shows any.
    `turn_deg` is the stated turn, `true_turn_deg` the exact one.
    """
    scene, (instance, weight) = lit.scene, masks
    deposits = deposit_rows(lit, instance, places, bodies)
    for row, shown in zip(deposits, shown_deposits(instance, weight, len(deposits)), strict=True):
        row["shown"] = shown
    return {
        "dirty": any(row["shown"] and row["kind"] != "damage" for row in deposits),
        "ferrule_diameter_mm": round(2 * float(scene.connectors.ferrule_radius[0]), 4),
        "endface_radius_mm": round(float(scene.connectors.dome_radius[0]), 3),
        "um": {name: round(end, 1) for name, end in surface_ends(scene, 0).items()},
        "surfaces": list(SURFACE_NAMES),
        "kinds": list(KIND_NAMES),
        "deposits": deposits,
        "views": view_rows(scene, stated_turns_deg, instance),
    }


def shown_deposits(instance: Tensor, weight: Tensor, count: int) -> list[bool]:
    """Whether some view shows each of `count` deposits: pixels enough, of weight enough."""
    own = instance.long().flatten(1)
    none = torch.zeros(own.shape[0], count + 1, device=own.device)
    pixels = none.scatter_add(1, own, torch.ones_like(weight).flatten(1))
    learnt = none.scatter_reduce(1, own, weight.flatten(1), "amax")
    return ((pixels >= SHOWN_PX) & (learnt >= SHOWN_WEIGHT)).any(0)[1:].tolist()


def deposit_rows(
    lit: LitScene, instance: Tensor, places: Sequence[Anchors], bodies: Bodies
) -> list[dict[str, Any]]:
    """One row per deposit, by id; ids follow the order of painting."""
    count = sum(own.batch.shape[0] for own in places)
    covered = area_diameter(footprint_areas_mm2(lit, instance, count).amax(0)) * UM
    solid = solid_diameters_mm(bodies, places)
    threads = [k for k, order in enumerate(ORDERS) if order.kind == "lint"]
    long = {k: body for k, body in zip(threads, bodies.threads, strict=True) if body is not None}
    rows: list[dict[str, Any]] = []
    for k in BOTTOM_TO_TOP:
        for j in range(places[k].batch.shape[0]):
            number = len(rows) + 1
            size = float(solid[k][j]) * UM if k in solid else float(covered[number])
            row = deposit_row(places[k], j, ORDERS[k].kind, number)
            row |= {"size_um": round(size, 2) if size > 0 else None}
            if k in long:
                row |= {"length_um": round(thread_length(long[k], j), 1)}
            rows.append(row)
    return rows


def thread_length(threads: Threads, j: int) -> float:
    """Length of thread `j`, um."""
    return float(thread_lengths_mm(threads)[j]) * UM


def view_rows(
    scene: Scene, stated_turns_deg: Sequence[float], instance: Tensor
) -> list[dict[str, Any]]:
    """One row per view: camera, eight rim points, visible pixels by deposit id."""
    rims, _ = project(scene.cameras, rim_points_mm(scene.connectors))
    rows: list[dict[str, Any]] = []
    for i, stated in enumerate(stated_turns_deg):
        ids, pixels = torch.unique(instance[i][instance[i] > 0], return_counts=True)
        row: dict[str, Any] = {"view": "oblique" if i else "front"} | view_row(scene.cameras, i)
        row["true_turn_deg"] = row["turn_deg"]
        row["turn_deg"] = round(stated, 2)
        row["rim_px"] = [[round(float(v), 2) for v in point] for point in rims[i]]
        row["visible"] = {str(int(id_)): int(seen) for id_, seen in zip(ids, pixels, strict=True)}
        rows.append(row)
    return rows
