"""Nets side by side on the same renders: what they find, how large they are, how long they take."""

import math
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..inference.pipeline import SegmentsPictures
from ..inference.see.segment import Segmentation, Segmenter
from ..model.errors import ModelError
from .checkpoint import load_ema
from .contrast import fitted_contrast
from .evaluate import evaluate_views, rendered_views, summarise
from .export import about_run, export_net
from .intervals import Figure
from .model_metadata import load, values_of
from .nets import gflop
from .seeds import FIT_SEED
from .source import Source

__all__ = ["Candidate", "ComparePlan", "as_text", "candidates", "compare_nets"]

SCHEMA = "fiberward.net-comparison/1"
CONTRAST = "contrast"
FIGURES = (
    "surfaces_mean_iou", "recall_dirt", "false_per_view", "false_per_clean_view", "deposits_iou",
    "kind_right",
)  # fmt: skip
BLIND = ("surfaces_mean_iou", "kind_right")  # what local contrast says nothing about

Follow = Callable[[Iterable[Any], str], Iterator[Any]]


@dataclass(frozen=True)
class ComparePlan:
    """On `renders` connectors, a dirty and a clean view of `size_hw` px each, with `threads`."""

    renders: int = 40
    size_hw: tuple[int, int] = (960, 1280)
    threads: int = 2


@dataclass(frozen=True)
class Candidate:
    """One way to see deposits. None where it has no such figure."""

    name: str
    sees: SegmentsPictures
    parameters: int | None
    gflop: float | None
    trained: str | None


class Timed:
    """A segmenter with a clock."""

    def __init__(self, sees: SegmentsPictures) -> None:
        self.sees, self.card = sees, sees.card
        self.seconds: list[float] = []

    def __call__(self, rgb: Any) -> Segmentation:
        """The segmenter's answer; how long it took is noted."""
        begun = time.perf_counter()
        answer = self.sees(rgb)
        self.seconds.append(time.perf_counter() - begun)
        return answer


def candidates(
    given: Sequence[str], source: Source, plan: ComparePlan, folder: Path
) -> Iterator[Candidate]:
    """What was named: training runs, ONNX files, or `contrast`. A run's net is exported first."""
    for name in given:
        path = Path(name)
        if name == CONTRAST:
            views = rendered_views(source, max(plan.renders // 2, 2), plan.size_hw, base=FIT_SEED)
            fitted = fitted_contrast(views)
            yield Candidate(fitted.card.id, fitted, None, None, None)
        elif path.is_dir():
            yield of_run(path, source, plan, folder)
        elif path.suffix == ".onnx":
            yield of_file(path, plan)
        else:
            raise ModelError(f"{name}: no training run and no ONNX file; name one, or {CONTRAST}")


def of_run(run: Path, source: Source, plan: ComparePlan, folder: Path) -> Candidate:
    """A run's averaged net, exported as it would be shipped (but of any size)."""
    net, config, head = load_ema(run)
    parameters = sum(p.numel() for p in net.parameters())
    out = folder / f"{run.name}.onnx"
    export_net(net, out, source, False, about_run(config, head, None), largest_bytes=None)
    return Candidate(
        f"{config.architecture} ({run.name})",
        Segmenter(out, plan.threads),
        parameters,
        gflop(config.architecture, config.net, plan.size_hw),
        f"step {head['step']} of {config.steps}",
    )


def of_file(path: Path, plan: ComparePlan) -> Candidate:
    """An ONNX file as it is."""
    model = load(path)
    parameters = sum(math.prod(w.dims) for w in model.graph.initializer if len(w.dims) > 0)
    trained = values_of(model).get("training_hash", "")[:12]
    return Candidate(path.name, Segmenter(path, plan.threads), parameters, None, trained or None)


def compare_nets(
    given: Sequence[str], source: Source, plan: ComparePlan, follow: Follow
) -> dict[str, Any]:
    """Every candidate on the same withheld renders, one after the other."""
    rows: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory(prefix="fiberward-") as folder:
        for one in candidates(given, source, plan, Path(folder)):
            timed = Timed(one.sees)
            views = rendered_views(source, plan.renders, plan.size_hw)
            scores = evaluate_views(timed, follow(views, one.name))
            headline = summarise(scores, timed, one.name)["headline"]
            if one.parameters is None:
                headline |= {key: Figure(None, None, None, 0).as_dict() for key in BLIND}
            rows.append({
                "name": one.name,
                "trained": one.trained,
                "parameters": one.parameters,
                "gflop": one.gflop,
                "seconds_per_view": round(float(np.median(timed.seconds)), 3),
                "figures": {key: headline[key] for key in FIGURES},
            })  # fmt: skip
    return {
        "schema": SCHEMA,
        "renders": plan.renders,
        "size_hw": list(plan.size_hw),
        "threads": plan.threads,
        "nets": rows,
    }


def as_text(document: dict[str, Any]) -> str:
    """The table for a person."""
    height, width = document["size_hw"]
    lines = [
        f"{document['renders']} rendered connectors, two views each, {width}x{height} px; seconds "
        f"per view are medians on {document['threads']} threads, all in this run"
    ]
    for row in document["nets"]:
        size = "-" if row["parameters"] is None else f"{row['parameters'] / 1e6:.2f} million"
        work = "-" if row["gflop"] is None else f"{row['gflop']:.0f}"
        lines.append(f"{row['name']}  {row['trained'] or ''}")
        lines.append(
            f"  parameters {size}, GFLOP per view {work}, seconds per view "
            f"{row['seconds_per_view']:.2f}"
        )
        for name, figure in row["figures"].items():
            lines.append(f"  {name.replace('_', ' '):24} {Figure(**figure)}")
    return "\n".join(lines)
