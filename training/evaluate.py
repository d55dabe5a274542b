"""Figures of a model file on pictures with exact truth, each with its n and 95 % interval.

A set is a folder of NAME.json with NAME-K.jpg|png and, for each, .surfaces.png, .deposits.png and
.instances.png; or renders of our own from fixed seeds. The model runs through the same `Segmenter`
as `fiberward inspect`. What counts as found or false is defined in `training.score_view`.
"""

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from ..inference.pipeline import SegmentsPictures
from ..inference.see.picture import read_picture
from ..model.errors import UnreadablePicture, UsageError
from ..model.kinds import KIND_NAMES
from ..model.surfaces import SURFACE_NAMES
from ..synthetic.render import RenderPlan
from .detection import fit_detection
from .gallery import Gallery
from .intervals import Figure, bootstrap, share
from .reliability import JudgedPiece, judged_pieces, reliability
from .score_view import DIRT, TrueDeposit, Truth, ViewScore, score_view, smallest_px
from .seeds import EVALUATION_SEED
from .source import Source

__all__ = ["as_text", "evaluate_views", "folder_views", "rendered_views", "summarise"]

SCHEMA = "fiberward.evaluation/1"
SIZE_EDGES_UM = (0.0, 20.0, 40.0, 80.0, 160.0, 320.0, float("inf"))
PICTURE_SUFFIXES = (".jpg", ".png")


def folder_views(folder: Path) -> Iterator[Truth]:
    """The views of a set, in the order of their names. Raises `UsageError` where it holds none."""
    heads = sorted(folder.glob("*.json"))
    if not heads:
        raise UsageError(f"{folder}: holds no NAME.json; give a folder of pictures with truth")
    for head in heads:
        document = json.loads(head.read_text(encoding="utf-8"))
        for view in document["views"]:
            path = folder / view["picture"]
            base = path.with_suffix("")
            yield Truth(
                name=path.stem,
                group=head.stem,
                rgb=read_picture(path).rgb,
                surface=read_mask(base.with_name(base.name + ".surfaces.png")).astype(np.uint8),
                kind=read_mask(base.with_name(base.name + ".deposits.png")).astype(np.uint8),
                instance=read_mask(base.with_name(base.name + ".instances.png")),
                um_per_px=float(view["um_per_px"]),
            )


def read_mask(path: Path) -> Any:
    """An index mask, int32 [H,W]."""
    from PIL import Image

    try:
        with Image.open(path) as picture:
            return np.asarray(picture).astype(np.int32)
    except (OSError, ValueError) as error:
        raise UnreadablePicture(f"{path}: cannot be read as an index mask ({error})") from error


def rendered_views(
    source: Source,
    connectors: int,
    size_hw: tuple[int, int],
    first_seed: int = 0,
    base: int = EVALUATION_SEED,
) -> Iterator[Truth]:
    """Renders of our own that no training sees: of each connector one dirty and one clean view.

    `base`: where this purpose's seeds start.
    """
    plan = RenderPlan(1, 1, size_hw, crop=False, clean_share=1.0, with_truth=True)
    for k in range(first_seed, first_seed + connectors):
        made = source(plan, base + k)
        for i in range(made.picture.shape[0]):
            scale: Any = made.truth[i].get("um_per_px")
            yield Truth(
                name=f"render-{k}-{i}",
                group=f"render-{k}",
                rgb=made.picture[i].cpu().numpy(),
                surface=made.surface[i].cpu().numpy(),
                kind=made.kind[i].cpu().numpy(),
                instance=made.instance[i].cpu().numpy().astype(np.int32),
                um_per_px=None if scale is None else float(scale),
                weight=made.weight[i].cpu().numpy(),
            )


def evaluate_views(
    model: SegmentsPictures,
    views: Iterator[Truth],
    pieces: list[JudgedPiece] | None = None,
    gallery: Gallery | None = None,
) -> list[ViewScore]:
    """Run the model on each view and score it.

    `pieces`: a list that collects what it listed. `gallery`: takes in what went wrong.
    """
    scores: list[ViewScore] = []
    for truth in views:
        answer = model(truth.rgb)
        limit_px = smallest_px(truth.rgb, answer)
        scores.append(score_view(truth, answer.surface, answer.kind, limit_px))
        if gallery is not None:
            gallery.add(truth, answer, scores[-1])
        if pieces is not None:
            pieces += judged_pieces(answer, truth.instance, truth.group)
    return scores


def summarise(
    scores: Sequence[ViewScore],
    model: SegmentsPictures,
    name: str,
    pieces: Sequence[JudgedPiece] | None = None,
) -> dict[str, Any]:
    """All figures as one plain document; `reliability` is null where no pieces were collected."""
    if not scores:
        raise UsageError(f"{name}: holds no views; nothing was evaluated")
    groups = grouped(scores)
    found = [d for view in scores for d in view.deposits]
    return {
        "schema": SCHEMA,
        "set": name,
        "model": {"id": model.card.id, "sha256": model.card.sha256},
        "views": len(scores),
        "clean_views": sum(view.clean for view in scores),
        "connectors": len(groups),
        "deposits_shown": len(found),
        "deposits_not_shown": sum(view.not_shown for view in scores),
        "headline": headline(groups, found),
        "surface_iou": {
            s: bootstrap(groups, one_surface_iou(i)).as_dict() for i, s in enumerate(SURFACE_NAMES)
        },
        "recall_by_surface": recall_by(found, SURFACE_NAMES, lambda d: d.surface),
        "recall_by_kind": recall_by(found, KIND_NAMES, lambda d: d.kind),
        "recall_by_size_um": recall_by(found, size_names(), size_class),
        "kind_right_by_kind": {
            k: kind_right([d for d in found if d.kind == i]).as_dict()
            for i, k in enumerate(KIND_NAMES)
            if i
        },
        "surface_confusion_px": surface_table(scores).tolist(),
        "kind_confusion": kind_table(found),
        "detection": detection(found),
        "reliability": None if pieces is None else reliability(pieces, model.card.confidence),
    }


def headline(groups: Sequence[Sequence[ViewScore]], found: Sequence[TrueDeposit]) -> dict[str, Any]:
    """The figures by which nets are compared, and that a model file carries as its `scores`.

    `recall_vouched` is the one that a mate rests on.
    """
    figures = {
        "surfaces_mean_iou": bootstrap(groups, mean_surface_iou),
        "deposits_iou": bootstrap(groups, deposits_iou),
        "recall": recall(found),
        "recall_dirt": recall([d for d in found if d.kind in DIRT]),
        "recall_vouched": recall_vouched(groups),
        "false_per_view": bootstrap(groups, false_rate(clean_only=False)),
        "false_per_clean_view": bootstrap(clean_groups(groups), false_rate(clean_only=True)),
        "kind_right": bootstrap(groups, mean_kind_right),
    }
    return {name: figure.as_dict() for name, figure in figures.items()}


def detection(deposits: Sequence[TrueDeposit]) -> dict[str, Any]:
    """Probability of detection against size in px and um: of all, by surface and by kind."""
    groups = {"all": list(deposits)}
    for index, name in enumerate(SURFACE_NAMES):
        groups[f"on {name}"] = [d for d in deposits if d.surface == index]
    for index, name in enumerate(KIND_NAMES):
        groups[name] = [d for d in deposits if d.kind == index]
    rows: dict[str, Any] = {}
    for name, members in groups.items():
        if members:
            scaled = [(d.size_um, d.found) for d in members if d.size_um is not None]
            rows[name] = {
                "px": fit_detection(
                    [d.size_px for d in members], [d.found for d in members]
                ).as_dict(),
                "um": fit_detection([um for um, _ in scaled], [hit for _, hit in scaled]).as_dict(),
            }
    return rows


def detection_line(name: str, unit: str, row: dict[str, Any]) -> str:
    """One fit for a person; says why where there is none."""
    head = f"  {name:12} n {row['n']:4}  "
    if row["why_not"] is not None:
        return f"{head}no size in {unit}: {row['why_not']}"
    bound = "none at 95 %" if row["a90_95"] is None else f"{row['a90_95']:.3g}"
    notes = [] if row["enough"] else ["under 60 targets"]
    notes += ["a90 beyond the sizes tried"] if row["beyond"] else []
    sizes = f"a50 {row['a50']:.3g}  a90 {row['a90']:.3g}  a90/95 {bound} {unit}"
    return head + sizes + (f"  ({', '.join(notes)})" if notes else "")


def reliability_line(found: dict[str, Any]) -> str:
    """Expected calibration errors for a person."""
    sides = [(side, found[side]) for side in ("before", "after") if found[side] is not None]
    errors = [f"{side} {Figure(**row['expected_calibration_error'])}" for side, row in sides]
    return f"  {found['pieces']} pieces, {found['true']} true: {'; '.join(errors)}"


def grouped(scores: Sequence[ViewScore]) -> list[list[ViewScore]]:
    """Views by connector, in order of first appearance."""
    groups: dict[str, list[ViewScore]] = {}
    for view in scores:
        groups.setdefault(view.group, []).append(view)
    return list(groups.values())


def clean_groups(groups: Sequence[Sequence[ViewScore]]) -> list[list[ViewScore]]:
    """Only the clean views, of connectors that have some."""
    kept = [[view for view in group if view.clean] for group in groups]
    return [group for group in kept if group]


def surface_table(views: Sequence[ViewScore]) -> Any:
    """int64 [7,7] px by truth and answer."""
    return np.sum([view.surfaces for view in views], axis=0)


def surface_ious(groups: Sequence[Sequence[ViewScore]]) -> list[float | None]:
    """Per surface over all pixels; None where it neither is nor is answered."""
    table = surface_table([view for group in groups for view in group])
    hit = np.diag(table)
    union = table.sum(0) + table.sum(1) - hit
    return [float(h / u) if u else None for h, u in zip(hit, union, strict=True)]


def mean_surface_iou(groups: Sequence[Sequence[ViewScore]]) -> float | None:
    """Mean over the surfaces that occur."""
    known = [v for v in surface_ious(groups) if v is not None]
    return sum(known) / len(known) if known else None


def one_surface_iou(index: int) -> Callable[[Sequence[Sequence[ViewScore]]], float | None]:
    """The figure of one surface."""
    return lambda groups: surface_ious(groups)[index]


def deposits_iou(groups: Sequence[Sequence[ViewScore]]) -> float | None:
    """Any deposit, over all pixels but those of deposits that are not shown."""
    union = sum(view.deposit_union_px for group in groups for view in group)
    hit = sum(view.deposit_hit_px for group in groups for view in group)
    return hit / union if union else None


def false_rate(clean_only: bool) -> Callable[[Sequence[Sequence[ViewScore]]], float | None]:
    """False pieces per view."""

    def rate(groups: Sequence[Sequence[ViewScore]]) -> float | None:
        views = [v for group in groups for v in group if v.clean or not clean_only]
        return sum(v.false_pieces for v in views) / len(views) if views else None

    return rate


def mean_kind_right(groups: Sequence[Sequence[ViewScore]]) -> float | None:
    """Share of found deposits given their kind: mean over the kinds found."""
    found = [d for group in groups for view in group for d in view.deposits]
    by_kind = [
        kind_right([d for d in found if d.kind == k]).value for k in range(1, len(KIND_NAMES))
    ]
    known = [v for v in by_kind if v is not None]
    return sum(known) / len(known) if known else None


def kind_right(deposits: Sequence[TrueDeposit]) -> Figure:
    """Of the found ones, the share whose kind is right."""
    found = [d for d in deposits if d.found]
    return share(sum(d.kind_found == d.kind for d in found), len(found))


def recall(deposits: Sequence[TrueDeposit]) -> Figure:
    """Share of the shown deposits that were found."""
    return share(sum(d.found for d in deposits), len(deposits))


def recall_vouched(groups: Sequence[Sequence[ViewScore]]) -> Figure:
    """Share found of the dirt that a mate's words cover (see `training.score_view`).

    Each view counts for itself, though an inspection has several, and what is unsure counts as not
    found: both on the safe side. Deposits of one picture are found or missed together, so the
    interval is the wider of Wilson's, which takes them as independent, and that over resampled
    connectors, which has no width where none was missed.
    """
    plain = recall(vouched_in(groups))
    if plain.low is None or plain.high is None:
        return plain
    over = bootstrap(
        [g for g in groups if vouched_in([g])], lambda some: recall(vouched_in(some)).value
    )
    if over.low is None or over.high is None:
        return plain
    return replace(plain, low=min(plain.low, over.low), high=max(plain.high, over.high))


def vouched_in(groups: Sequence[Sequence[ViewScore]]) -> list[TrueDeposit]:
    """The dirt that a mate's words cover."""
    return [d for group in groups for view in group for d in view.deposits if d.vouched]


def recall_by(
    deposits: Sequence[TrueDeposit], names: Sequence[str], key: Callable[[TrueDeposit], int | None]
) -> dict[str, Any]:
    """Recall per class, classes without a deposit left out."""
    rows: dict[str, Any] = {}
    for index, name in enumerate(names):
        members = [d for d in deposits if key(d) == index]
        if members:
            rows[name] = recall(members).as_dict()
    return rows


def size_names() -> list[str]:
    """Names of the size classes, um."""
    pairs = zip(SIZE_EDGES_UM, SIZE_EDGES_UM[1:], strict=False)
    return [f"{a:g} to {b:g}" if np.isfinite(b) else f"over {a:g}" for a, b in pairs]


def size_class(deposit: TrueDeposit) -> int | None:
    """Index into `size_names`; None where the scale is not known."""
    if deposit.size_um is None:
        return None
    return int(np.searchsorted(SIZE_EDGES_UM, deposit.size_um, side="right")) - 1


def kind_table(deposits: Sequence[TrueDeposit]) -> list[list[int]]:
    """Deposits by true kind (row) and answered kind (column; clean = missed)."""
    table = np.zeros((len(KIND_NAMES), len(KIND_NAMES)), np.int64)
    for d in deposits:
        table[d.kind, d.kind_found if d.found else 0] += 1
    return table.tolist()


def as_text(document: dict[str, Any]) -> str:
    """The document's figures for a person."""
    lines = [
        f"{document['set']}: {document['views']} views ({document['clean_views']} clean) of "
        f"{document['connectors']} connectors, {document['deposits_shown']} deposits shown, "
        f"{document['deposits_not_shown']} not shown"
    ]
    for title in ("headline", "surface_iou", "recall_by_surface", "recall_by_kind",
                  "recall_by_size_um", "kind_right_by_kind"):  # fmt: skip
        lines.append(title.replace("_", " ") + (" (95 % interval)" if title == "headline" else ""))
        for name, figure in document[title].items():
            lines.append(f"  {name.replace('_', ' '):24} {Figure(**figure)}")
    lines.append("kind confusion (row: true; column: answered, clean = missed)")
    lines.append("  " + " " * 10 + "".join(f"{k:>10}" for k in KIND_NAMES))
    for name, row in list(zip(KIND_NAMES, document["kind_confusion"], strict=True))[1:]:
        lines.append(f"  {name:10}" + "".join(f"{n:>10}" for n in row))
    lines.append("probability of detection (hit/miss model; a90/95: upper 95 % bound of a90)")
    for name, row in document["detection"].items():
        lines += [detection_line(name, unit, row[unit]) for unit in ("um", "px")]
    if document["reliability"] is not None:
        lines.append("expected calibration error of confidence, before and after calibration")
        lines.append(reliability_line(document["reliability"]))
    return "\n".join(lines)
