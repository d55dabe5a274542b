"""A whole retraining: check, split, learn, export, gate, keep, and perhaps activate."""

import hashlib
import json
import shutil
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import torch

from ..inference.keep.files import write_atomically
from ..inference.keep.model_store import RETRAIN_FILE, ModelStore, StoredModel, utc_now
from ..inference.see.segment import Segmenter
from ..inference.show.terminal import Terminal
from ..model.errors import ModelError
from ..model.version import code_version
from ..synthetic.renderer_hash import renderer_hash
from .config import LossWeights
from .evaluate import summarise
from .export import export_net
from .gate import RENDERS, SHOP, GateResult, compare_foreign, compare_on, decide
from .holdout import foreign_pictures, frozen_truths, score_on, shop_truths
from .label_audit import audit_labels, audit_view
from .labels.check import CheckReport
from .labels.label import NOT_ANNOTATED
from .loop import Processes
from .matched import matched_thresholds, truth_of_patch
from .model_metadata import rewrite_metadata
from .replay import kept_replay
from .report import machine
from .retrain import Limits, RetrainSettings, Trained, retrain_net
from .shop_pool import Pool, Replay, patch_of_view
from .shop_split import Split, read_parts, remember_parts, split_views
from .source import Source, render_source

__all__ = ["HOLD_OUTS", "RUNS", "JobSettings", "Outcome", "replay_for", "run_job"]

RUNS, HOLD_OUTS = "runs", "hold-outs"
FOREIGN_COUNT = 12
UNLIKE = 0.5


@dataclass(frozen=True)
class JobSettings:
    """name: of the new model. judged_renders: connectors of our own renders that the gate asks."""

    name: str
    limits: Limits = field(default_factory=Limits)
    judged_renders: int = 24
    threads: int | None = None
    learning: RetrainSettings = field(default_factory=RetrainSettings)


@dataclass(frozen=True)
class Outcome:
    """What came of it. model None: paused, the same call goes on."""

    model: StoredModel | None
    gate: GateResult | None
    trained: Trained


def run_job(
    report: CheckReport, store: ModelStore, parent: StoredModel, settings: JobSettings
) -> Outcome:
    """Retrain on checked data and keep the new model in the store; activation is the caller's.

    Raises UsageError where the data cannot be split, ModelError without the parent's weights.
    """
    if parent.weights is None:
        raise ModelError(f"{parent.name}: no weights to start from; choose another --parent")
    terminal = Terminal.current()
    views = report.data.views
    split = split_views(views, read_parts(store.folder))
    remember_parts(store.folder, split)
    for line in split.lines():
        terminal.note(line)
    run = store.folder / RUNS / settings.name
    begin_or_check(run, parent, split, settings)
    old = Segmenter(parent.onnx, settings.threads)
    source = render_source(Processes.join().device)
    replay = replay_for(settings.learning, source, store.folder / HOLD_OUTS)
    trained = _learn(split, (parent, old), replay, run, settings)
    if not trained.done:
        return Outcome(None, None, trained)
    audited = [audit_view(view, old) for view in views]
    doubts = audit_labels(audited) + [str(p) for p in report.problems if p.stops]
    model, gate = _judged(trained, split, (parent, old, replay), doubts, (store, settings))
    shutil.rmtree(run)
    return Outcome(model, gate, trained)


def begin_or_check(run: Path, parent: StoredModel, split: Split, settings: JobSettings) -> None:
    """Note what a run is of; refuse to go on with another parent, data or settings."""
    about = {
        "parent_sha256": parent.sha256,
        "split": split.as_dict(),
        "learning": asdict(settings.learning),
    }
    text = json.dumps(about, sort_keys=True)
    path = run / "about.json"
    if path.exists() and path.read_text(encoding="utf-8") != text:
        raise ModelError(
            f"{run}: was begun with other pictures, parent or settings; give the new model another "
            "--name, or remove that folder"
        )
    run.mkdir(parents=True, exist_ok=True)
    write_atomically(path, text.encode())


def _learn(
    split: Split,
    before: tuple[StoredModel, Segmenter],
    replay: Replay,
    run: Path,
    settings: JobSettings,
) -> Trained:
    (parent, old), learning = before, settings.learning
    weights = parent.weights
    assert weights is not None
    learn = [patch_of_view(v, old) for v in _follow(split.learn, "labelled pictures")]
    stop = [patch_of_view(v, old) for v in split.stop]
    pool = Pool(learn, replay, learning.plan, learning.seed, LossWeights())
    return retrain_net(pool, stop, learning, run, weights, settings.limits, Terminal.current().note)


def replay_for(learning: RetrainSettings, source: Source, cache: Path) -> Replay:
    """The renders that a retraining replays, and those that it asks what was forgotten."""
    Terminal.current().note("renders against forgetting")
    frames, asked = learning.replayed_frames, learning.asked_frames
    whole = kept_replay(source, frames + asked, False, cache)
    windows = kept_replay(source, learning.replayed_windows, True, cache)
    return Replay(windows, whole[:frames], whole[frames:])


def _follow(items: Iterable[Any], label: str) -> Any:
    return Terminal.current().progress(items, label)


def _judged(
    trained: Trained,
    split: Split,
    before: tuple[StoredModel, Segmenter, Replay],
    doubts: Sequence[str],
    where: tuple[ModelStore, JobSettings],
) -> tuple[StoredModel, GateResult]:
    """Export, choose thresholds on what taught neither, score both nets, decide, and write it."""
    (parent, old, replay), (store, settings) = before, where
    name, source = settings.name, render_source(torch.device("cpu"))
    folder = store.folder / name
    onnx = folder / f"{name}.onnx.trial"
    export_net(trained.net, onnx, source, False, _about(trained, split, old, parent))
    # of the replayed frames too: they taught the parent's answers, not their truth
    unseen = [*shop_truths(split.stop), *map(truth_of_patch, [*replay.asked, *replay.frames])]
    chosen = matched_thresholds(old, Segmenter(onnx, settings.threads), unseen)
    fitted = None if chosen is None else chosen.figures()
    inherited = {
        "thresholds": asdict(old.card.thresholds if chosen is None else chosen.thresholds),
        "calibration": (old.card.calibration or {})
        | {"inherited_from": old.card.sha256, "fitted": fitted},
    }
    rewrite_metadata(onnx, onnx, inherited)
    new = Segmenter(onnx, settings.threads)
    made_by = render_source(Processes.join().device)
    renders = frozen_truths(made_by, settings.judged_renders, store.folder / HOLD_OUTS, _follow)
    scores = [score_on(net, _follow(renders, "judged renders")) for net in (old, new)]
    shop = [score_on(net, shop_truths(split.judge)) for net in (old, new)]
    foreign = foreign_pictures(source, FOREIGN_COUNT)
    known = [[net(rgb).unlike >= UNLIKE for rgb in foreign] for net in (old, new)]
    rows = [
        *compare_on(SHOP, shop[0], shop[1]),
        *compare_on(RENDERS, scores[0], scores[1]),
        compare_foreign(known[0], known[1]),
    ]
    gate = decide(rows, doubts, annotated(split))
    headline = summarise(scores[1], new, RENDERS)["headline"]
    rewrite_metadata(onnx, onnx, {"scores": headline, "parent": old.card.sha256})
    torch.save(trained.net.state_dict(), folder / "weights.pt")
    document = {
        "schema": "fiberward.retraining/1",
        "created_at": utc_now(),
        "code_version": code_version(),
        "parent": {"name": parent.name, "sha256": old.card.sha256},
        "data": split.as_dict(),
        "settings": asdict(settings),
        "judged_renders": {"connectors": settings.judged_renders, "renderer": renderer_hash()},
        "trained": {k: v for k, v in vars(trained).items() if k != "net"},
        "gate": gate.as_dict(),
    }
    write_atomically(folder / RETRAIN_FILE, json.dumps(document, indent=1).encode())
    onnx.rename(folder / f"{name}.onnx")
    return store.find(name), gate


def annotated(split: Split) -> dict[str, bool]:
    """Which layers somebody annotated in the pictures that judge."""
    labels = [view.label for view in split.judge]
    return {
        "surfaces": any(bool((label.surface != NOT_ANNOTATED).any()) for label in labels),
        "deposits": any(bool((label.kind != NOT_ANNOTATED).any()) for label in labels),
    }


def _about(trained: Trained, split: Split, old: Segmenter, parent: StoredModel) -> dict[str, Any]:
    """What the new file's metadata says of its making."""
    data = json.dumps(split.as_dict(), sort_keys=True)
    text = f"{data} {old.card.training_hash} {old.card.sha256} {trained.best_step}"
    return {
        "um_per_px_range": list(old.card.um_per_px_range),
        "training_hash": hashlib.sha256(text.encode()).hexdigest(),
        "scores": None,
        "training": {
            "step": trained.best_step,
            "steps": trained.step,
            "parent": parent.name,
            "labelled_pictures": len(split.learn),
            **machine(Processes.join().device, 1),
        },
    }
