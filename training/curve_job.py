"""The learning curve of a shop's labels: several short retrainings, none of which is kept."""

import hashlib
import json
import shutil
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from torch import nn

from ..inference.keep.model_store import ModelStore, StoredModel
from ..inference.see.segment import Segmenter
from ..inference.show.terminal import Terminal
from ..model.errors import ModelError
from ..model.net import SightNet
from . import checkpoint
from .augment import Patch
from .config import LossWeights
from .labels.check import CheckReport
from .labels.folder import LabelledView
from .learning_curve import Curve, Point, learning_curve, parts_of
from .loop import Processes
from .retrain import Limits, RetrainSettings, layer_scores, retrain_net
from .retrain_job import HOLD_OUTS, RUNS, replay_for
from .shop_pool import Pool, patch_of_view
from .shop_split import read_parts, remember_parts, split_views
from .source import render_source

__all__ = ["run_curve"]


class _Paused(Exception):
    """The learning was asked to stop."""


def run_curve(
    report: CheckReport,
    store: ModelStore,
    parent: StoredModel,
    learning: RetrainSettings,
    threads: int | None = None,
) -> Curve | None:
    """Retrain on growing parts of the teaching connectors; None: paused, the same call goes on.

    Raises UsageError where the data cannot be split, ModelError without the parent's weights.
    """
    if parent.weights is None:
        raise ModelError(f"{parent.name}: no weights to start from; choose another --parent")
    split = split_views(report.data.views, read_parts(store.folder))
    remember_parts(store.folder, split)
    old = Segmenter(parent.onnx, threads)
    parts = [_by_connector(part, old, learning.seed)
             for part in (split.learn, split.stop, split.judge)]  # fmt: skip
    curve = _CurveRun(store, parent, learning, *parts)
    try:
        found = curve.all_points()
    except _Paused:
        return None
    shutil.rmtree(curve.folder, ignore_errors=True)
    return found


def _by_connector(views: Sequence[LabelledView], old: Segmenter, seed: int) -> list[list[Patch]]:
    """The pictures of each connector; the connectors in an order that their names do not decide."""
    groups: dict[str, list[Patch]] = {}
    for view in views:
        groups.setdefault(view.connector, []).append(patch_of_view(view, old))
    found = list(groups.values())
    return [found[int(k)] for k in np.random.default_rng(seed).permutation(len(found))]


@dataclass(frozen=True)
class _CurveRun:
    """Everything that the points share; patches by connector."""

    store: ModelStore
    parent: StoredModel
    learning: RetrainSettings
    learn: list[list[Patch]]
    stop: list[list[Patch]]
    judge: list[list[Patch]]

    @property
    def folder(self) -> Path:
        """Where the runs lie until the last is done: of these pictures, parent and settings."""
        about = [self.parent.sha256, asdict(self.learning)]
        digest = hashlib.sha256(json.dumps(about, sort_keys=True).encode())
        for patch in (p for group in (*self.learn, *self.stop) for p in group):
            digest.update(patch.rgb.tobytes() + patch.kind.tobytes() + patch.surface.tobytes())
        return self.store.folder / RUNS / f"learning-curve-{digest.hexdigest()[:12]}"

    def all_points(self) -> Curve:
        """The parent's point, then one for each part."""
        weights = self.parent.weights
        assert weights is not None
        net = SightNet(self.learning.net)
        checkpoint.fill(net, checkpoint.read_tensors(weights), weights)
        device = Processes.join().device
        before = Point(0, 0, self.scores(net.to(device).eval()))
        source = render_source(device)
        replay = replay_for(self.learning, source, self.store.folder / HOLD_OUTS)
        folder, stop = self.folder, [patch for group in self.stop for patch in group]
        terminal = Terminal.current()

        def learn(count: int) -> Point:
            terminal.note(f"learning from {count} of {len(self.learn)} connectors")
            shop = [patch for group in self.learn[:count] for patch in group]
            pool = Pool(shop, replay, self.learning.plan, self.learning.seed, LossWeights())
            trained = retrain_net(
                pool, stop, self.learning, folder / str(count), weights, Limits(), terminal.note
            )
            if not trained.done:
                raise _Paused
            return Point(count, len(shop), self.scores(trained.net.to(device)))

        return learning_curve(before, parts_of(len(self.learn)), learn)

    def scores(self, net: nn.Module) -> list[tuple[float | None, float | None]]:
        """How a net answers each connector that judges."""
        return [layer_scores(net, group) for group in self.judge]
