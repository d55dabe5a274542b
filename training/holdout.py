"""Pictures that judge a net and nothing else: a shop's own, and frozen renders of ours.

The renders follow from fixed seeds. They are kept on disk once made (a minute or two on a CPU),
under a name that changes with the renderer's source.
"""

import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..inference.keep.files import write_atomically
from ..inference.see.segment import Segmentation, Segmenter
from ..synthetic.render import RenderPlan
from ..synthetic.renderer_hash import renderer_hash
from .evaluate import rendered_views
from .labels.folder import LabelledView
from .labels.label import NOT_ANNOTATED
from .score_view import Truth, ViewScore, score_view, smallest_px
from .seeds import FOREIGN_SEED, GATE_SEED
from .source import Source

__all__ = ["HoldOut", "foreign_pictures", "frozen_truths", "score_on", "shop_truths"]

FRAME_HW = (720, 960)
Follow = Callable[[Iterable[Any], str], Iterator[Any]]


@dataclass(frozen=True)
class HoldOut:
    """A named set of pictures with truth; 255 in `surface` and `kind` is not annotated."""

    name: str
    truths: Sequence[Truth]


def shop_truths(views: Sequence[LabelledView]) -> list[Truth]:
    """Labelled pictures as truth."""
    return [
        Truth(
            name=view.name,
            group=view.connector,
            rgb=view.picture.rgb,
            surface=view.label.surface,
            kind=view.label.kind,
            instance=view.label.instance,
        )
        for view in views
    ]


def score_on(model: Segmenter, truths: Iterable[Truth]) -> list[ViewScore]:
    """The net's answers beside the truth; what is not annotated counts neither way."""
    return [score_annotated(truth, model(truth.rgb)) for truth in truths]


def score_annotated(truth: Truth, answer: Segmentation) -> ViewScore:
    """`score_view` on what is annotated."""
    no_surface, no_kind = truth.surface == NOT_ANNOTATED, truth.kind == NOT_ANNOTATED
    surface, kind = answer.surface.copy(), answer.kind.copy()
    surface[no_surface], kind[no_kind] = 0, 0
    known = replace(
        truth,
        surface=np.where(no_surface, 0, truth.surface).astype(np.uint8),
        kind=np.where(no_kind, 0, truth.kind).astype(np.uint8),
        instance=np.where(no_kind, 0, truth.instance),
    )
    score = score_view(known, surface, kind, smallest_px(truth.rgb, answer))
    table = score.surfaces.copy()
    table[0, 0] -= int(no_surface.sum())  # both were set to 0 there
    return replace(score, surfaces=table, clean=score.clean and not no_kind.all())


def frozen_truths(source: Source, connectors: int, cache: Path, follow: Follow) -> list[Truth]:
    """A dirty and a clean view of each of so many rendered connectors, kept in `cache`."""
    folder = cache / f"renders-{renderer_hash()}"
    folder.mkdir(parents=True, exist_ok=True)
    found: list[Truth] = []
    for k in follow(range(connectors), "renders to judge by"):
        path = folder / f"connector-{k:04d}.npz"
        if not path.exists():
            made = rendered_views(source, 1, FRAME_HW, k, base=GATE_SEED)
            save_truths(path, list(made))
        found += load_truths(path)
    return found


def save_truths(path: Path, truths: Sequence[Truth]) -> None:
    """One file of truths, whole or not at all."""
    values: dict[str, Any] = {}
    for i, truth in enumerate(truths):
        scale = np.nan if truth.um_per_px is None else truth.um_per_px
        values |= {f"{i}.name": truth.name, f"{i}.group": truth.group, f"{i}.scale": scale}
        values |= {f"{i}.{key}": getattr(truth, key) for key in ("rgb", "surface", "kind")}
        values[f"{i}.instance"] = truth.instance.astype(np.int16)
        weight: Any = truth.weight
        values[f"{i}.weight"] = (weight >= 0.5).astype(np.uint8)
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **values)
    write_atomically(path, buffer.getvalue())


def load_truths(path: Path) -> list[Truth]:
    """What `save_truths` wrote."""
    with np.load(path, allow_pickle=False) as file:
        values: dict[str, Any] = {key: file[key] for key in file.files}
    found: list[Truth] = []
    for i in range(sum(key.endswith(".rgb") for key in values)):
        scale = float(values[f"{i}.scale"])
        found.append(
            Truth(
                name=str(values[f"{i}.name"]),
                group=str(values[f"{i}.group"]),
                rgb=values[f"{i}.rgb"],
                surface=values[f"{i}.surface"],
                kind=values[f"{i}.kind"],
                instance=values[f"{i}.instance"].astype(np.int32),
                um_per_px=None if np.isnan(scale) else scale,
                weight=values[f"{i}.weight"].astype(np.float32),
            )
        )
    return found


def foreign_pictures(source: Source, count: int) -> list[Any]:
    """Pictures that show no connector, uint8 [H, W, 3] each."""
    plan = RenderPlan(max(count, 1), 1, (240, 320), crop=True, negative_share=1.0)
    made = source(plan, FOREIGN_SEED)
    return [made.picture[i].cpu().numpy() for i in range(len(made.unlike)) if made.unlike[i] > 0.5]
