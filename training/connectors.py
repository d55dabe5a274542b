"""Whole connectors, rendered from several sides and inspected as a user would: verdicts and places.

A connector is dirty if the same rules stop it when the pictures' true masks, of the deposits that
they show, stand in the net's place; spotless if there is no deposit at all. The grade of the zones
alone is taken as faultless and strict: it stops every connector with any deposit, shown or not,
that reaches within 125 um of the fibre's axis, and passes all others.

Each connector's row is a file, so that a run which was cut off goes on where it stopped.
"""

import hashlib
import json
import math
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch

from ..inference.pipeline import Inspector
from ..inference.request import Request
from ..inference.see.connector_file import ConnectorFacts
from ..inference.see.model_file import ModelCard
from ..inference.see.picture import read_picture
from ..inference.see.segment import Segmentation, Segmenter
from ..model.errors import UsageError
from ..model.version import code_version
from ..synthetic.connector_files import replace_file, write_connector
from ..synthetic.views import ConnectorPlan, ConnectorRender, render_connector
from .placing import placed_particles
from .score_view import MIN_PX, Truth, is_shown
from .seeds import CONNECTOR_SEED

__all__ = ["ConnectorsPlan", "inspected_connectors"]

SCHEMA = "fiberward.connector-evaluation/1"
ZONES_UM = 125.0
STOPPED = ("clean-first", "retire")

Follow = Callable[[Iterable[int], str], Iterator[int]]


@dataclass(frozen=True)
class ConnectorsPlan:
    """`count` connectors from `first_seed` on, `views` pictures of `size_hw` px each."""

    count: int
    first_seed: int = 0
    views: int = 4
    size_hw: tuple[int, int] = (960, 1280)
    threads: int | None = None


class TrueMasks:
    """Stands in the net's place: the masks of the deposits that each picture shows."""

    def __init__(self, card: ModelCard, known: dict[str, Segmentation]) -> None:
        self.card, self.known = card, known

    def __call__(self, rgb: Any) -> Segmentation:
        """The true answer for one of the known pictures."""
        return self.known[digest(rgb)]


def inspected_connectors(
    model: Path, plan: ConnectorsPlan, out: Path, follow: Follow
) -> list[dict[str, Any]]:
    """The rows of all connectors, in order; those that lie in `out` already are taken from there.

    A row of another model or program version is made anew.
    """
    out.mkdir(parents=True, exist_ok=True)
    segmenter = Segmenter(model, plan.threads)
    inspector = Inspector(segmenter)
    seeds = range(plan.first_seed, plan.first_seed + plan.count)
    rows: list[dict[str, Any]] = []
    for seed in follow(seeds, "connectors"):
        path = out / f"connector-{seed:05d}.json"
        row = known_row(path, segmenter.card, plan)
        if row is None:
            row = identity(segmenter.card, plan, seed) | inspected(inspector, plan, seed)
            replace_file(path, (json.dumps(row, indent=1, allow_nan=False) + "\n").encode())
        rows.append(row)
    return rows


def identity(card: ModelCard, plan: ConnectorsPlan, seed: int) -> dict[str, Any]:
    """What a row depends on."""
    return {
        "schema": SCHEMA,
        "seed": seed,
        "pictures": plan.views,
        "size_hw": list(plan.size_hw),
        "model": {"id": card.id, "sha256": card.sha256},
        "code_version": code_version(),
    }


def known_row(path: Path, card: ModelCard, plan: ConnectorsPlan) -> dict[str, Any] | None:
    """The row at `path` if it is whole and of the same model, program and plan."""
    try:
        row: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        wanted = identity(card, plan, int(row["seed"]))
        same = all(row[key] == value for key, value in wanted.items() if key != "model")
        return row if same and row["model"]["sha256"] == card.sha256 else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def inspected(inspector: Inspector, plan: ConnectorsPlan, seed: int) -> dict[str, Any]:
    """Render one connector, inspect it with the net and with true masks, compare with the truth."""
    device = "cuda" if torch.cuda.is_available() else "cpu"
    render_plan = ConnectorPlan(plan.views, plan.size_hw)
    made = render_connector(render_plan, CONNECTOR_SEED + seed, device)
    with tempfile.TemporaryDirectory(prefix="fiberward-") as folder:
        write_connector(made, "c", Path(folder))
        pictures = tuple(Path(folder, f"c-{k}.jpg") for k in range(plan.views))
        ferrule_mm = 2.5 if made.truth["ferrule_diameter_mm"] > 2 else 1.25
        request = Request(
            pictures,
            tuple(view["turn_deg"] for view in made.truth["views"]),
            ConnectorFacts(ferrule_mm=ferrule_mm),
        )
        found = outcome(inspector, request)
        masks = TrueMasks(inspector.segmenter.card, true_answers(made, pictures))
        ideal = outcome(Inspector(masks), request)
    return compared(made.truth, found, ideal["verdict"])


def outcome(inspector: Inspector, request: Request) -> dict[str, Any]:
    """The inspection as JSON; verdict `refused` where what was stated contradicts the pictures."""
    try:
        return inspector.inspect(request).inspection.to_json()
    except UsageError:
        nothing = {"readable": False, "um_per_px": None, "tilt_deg": None}
        views = [nothing] * len(request.pictures)
        return {"verdict": "refused", "reasons": [], "deposits": [], "views": views}


def digest(rgb: Any) -> str:
    """Names a picture by its pixels."""
    return hashlib.sha256(rgb.tobytes()).hexdigest()


def true_answers(made: ConnectorRender, pictures: Sequence[Path]) -> dict[str, Segmentation]:
    """The true masks of the deposits that each picture shows, by the picture's pixels."""
    known: dict[str, Segmentation] = {}
    views = made.views
    for k, path in enumerate(pictures):
        rgb = read_picture(path).rgb
        surface, kind, instance, weight, unseen = (
            plane[k].cpu().numpy()
            for plane in (views.surface, views.kind, views.instance, views.weight, views.unseen)
        )
        truth = Truth("", "", rgb, surface, kind, instance.astype(np.int32), None, weight)
        shown = [i for i in np.unique(instance[instance > 0]) if is_shown(truth, instance == i)]
        kept = np.where(np.isin(instance, shown), kind, 0).astype(np.uint8)
        sure = (kept > 0).astype(np.float32)
        known[digest(rgb)] = Segmentation(
            surface, kept, sure, unseen.astype(np.float32), 0.0, None, MIN_PX
        )
    return known


def compared(truth: dict[str, Any], found: dict[str, Any], ideal: str) -> dict[str, Any]:
    """One connector's row."""
    shown = [row for row in truth["deposits"] if row["shown"]]
    particles = [row for row in shown if row["kind"] == "particle" and row["size_um"]]
    pairs = placed_particles(particles, found["deposits"], truth["ferrule_diameter_mm"] * 500)
    return {
        "verdict": found["verdict"],
        "reasons": sorted({reason["rule"] for reason in found["reasons"]}),
        "verdict_of_true_masks": ideal,
        "dirty": ideal in STOPPED,
        "spotless": not truth["deposits"],
        "zones_touched": any(map(touches_zones, truth["deposits"])),
        "views": [
            view_errors(true, seen)
            for true, seen in zip(truth["views"], found["views"], strict=True)
        ],
        "deposits": len(truth["deposits"]),
        "deposits_shown": len(shown),
        "listed": len(found["deposits"]),
        "particles_shown": len(particles),
        "placed": pairs,
    }


def touches_zones(deposit: dict[str, Any]) -> bool:
    """Whether a true deposit reaches into the graded zones."""
    on_face = deposit["surface"] in ("fiber", "endface")
    return on_face and deposit["s_um"] - (deposit["size_um"] or 0.0) / 2 < ZONES_UM


def view_errors(true: dict[str, Any], seen: dict[str, Any]) -> dict[str, Any]:
    """Errors of scale (share) and tilt; null where the view was not placed."""
    scale, tilt = seen["um_per_px"], seen["tilt_deg"]
    return {
        "readable": seen["readable"],
        "scale_error": None if scale is None else abs(math.log(scale / true["um_per_px"])),
        "tilt_error_deg": None if tilt is None else abs(tilt - true["tilt_deg"]),
    }
