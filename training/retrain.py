"""Going on from known weights with a few labelled pictures, on a CPU if need be.

The net learns as a whole at a low rate, each step from several crops, its batch norms' statistics
stay (a handful of crops would spoil them). At every look the average so far is tried, and the
middle between it and the parent, which keeps more of what the parent knew (Wortsman et al., "Robust
fine-tuning of zero-shot models", CVPR 2022). Connectors that do not teach, and renders that no
batch holds, say which net is kept. A run lies in a folder: killed or paused at any moment, the same
call goes on where it was.
"""

import json
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import cast

import torch
from torch import Tensor, nn

from ..model.errors import ModelError
from ..model.kinds import KIND_NAMES
from ..model.net import Logits, NetShape, SightNet
from ..model.surfaces import SURFACE_NAMES
from ..synthetic.render import RenderPlan, Renders
from . import checkpoint
from .augment import Patch
from .config import TrainingConfig
from .gate import FIRM
from .labels.label import NOT_ANNOTATED
from .loop import GO_ON, STOP, Deadline, Processes, Trainer, check, keep
from .losses import Batch, LossParts, loss
from .remembering import departure
from .shop_pool import BatchPlan, Pool, ShopBatch
from .validation import confusion, iou_from_confusion

__all__ = [
    "Limits",
    "RetrainSettings",
    "ShopTrainer",
    "Trained",
    "layer_scores",
    "retrain_net",
    "stop_parts",
]

BEST, BEST_NET = "best.json", "best.pt"
FALL = min(FIRM.values())  # how much a part may lose on the connectors that stop
SHARES = (1.0, 0.5)  # of what was learnt, in the nets that are tried
Say = Callable[[str], None]


@dataclass(frozen=True)
class RetrainSettings:
    """How a net goes on learning.

    learning_rate, kernel_rate: AdamW's and Muon's peaks; the latter turns the shipped net's kernels
    by some 0.1 % a step. steps: at most; batches: whose mean each step descends on; check_every:
    steps between looks at the connectors that stop; patience: looks without gain after which it
    ends. replayed_windows, replayed_frames: renders against forgetting; asked_frames: others, which
    tell of it.
    """

    seed: int = 1
    steps: int = 80
    batches: int = 4
    learning_rate: float = 2e-4
    kernel_rate: float = 0.015
    check_every: int = 30
    patience: int = 5
    replayed_windows: int = 64
    replayed_frames: int = 32
    asked_frames: int = 16
    plan: BatchPlan = field(default_factory=BatchPlan)
    net: NetShape = field(default_factory=NetShape)

    def config(self) -> TrainingConfig:
        """The same as the training loop knows it."""
        return TrainingConfig(
            seed=self.seed,
            steps=self.steps,
            batches=(RenderPlan(1, 1, self.plan.crop_hw),),
            chunks=1,
            mirror=False,
            learning_rate=self.learning_rate,
            kernel_rate=self.kernel_rate,
            warmup_steps=self.steps // 8,
            ema_decay=0.98,
            check_every=self.check_every,
            save_minutes=1.0,
            validation_batches=0,
            net=self.net,
        )


@dataclass(frozen=True)
class Limits:
    """Minutes of this call's learning, None for no limit: after which it pauses, to be gone on
    with; after which it ends, its rate brought down by the clock, and the best so far is taken.
    """

    pause_after: float | None = None
    end_after: float | None = None

    def deadline(self, save_minutes: float, begun_s: float) -> Deadline:
        """What comes first of both, by the clock."""
        pause, end = self.pause_after, self.end_after
        ends = end is not None and (pause is None or end <= pause)
        return Deadline(end if ends else pause, save_minutes, begun_s, time.monotonic(), ends)


@dataclass(frozen=True)
class Trained:
    """What a run came to. done: False where it was paused. net: the best so far.

    best_share: how much of what was learnt until then is in it, the rest is the parent's.
    """

    net: SightNet
    done: bool
    step: int
    best_step: int
    best_share: float
    best_score: float
    first_score: float


class ShopTrainer(Trainer):
    """A trainer whose batches come from a pool. parent: the weights that it began with.

    The shop's pictures teach their labels, the renders that nothing else changes.
    """

    def __init__(
        self, config: TrainingConfig, pool: Pool, processes: Processes, parent: Path
    ) -> None:
        super().__init__(config, _no_source, processes)
        self.batches = pool
        begun = SightNet(config.net)
        checkpoint.fill(begun, checkpoint.read_tensors(parent), parent)
        self.before = begun.to(processes.device).eval().requires_grad_(False)
        self.parent = self.before.state_dict()
        for part in self.state.net.modules():
            if isinstance(part, nn.BatchNorm2d):
                part.eval()

        # that a picture shows no connector is learnt from whole pictures only
        self.crop_weights = replace(config.loss, unlike=0.0)

    def descend(self, batch: Batch, share: float) -> LossParts:
        """Add the gradient of the shop's labels, and of what was forgotten of the renders."""
        assert isinstance(batch, ShopBatch)
        count = batch.picture.shape[0]
        taught = count - batch.replayed
        with self.precision():
            out = cast(Logits, self.forward(batch.picture))
            with torch.no_grad():
                before = self.before(batch.picture[taught:]) if batch.replayed else None
        results: list[LossParts] = []
        if taught:
            weights = self.config.loss if count == 1 else self.crop_weights
            results.append(loss(Logits(*(v[:taught] for v in out)), batch.shops(), weights))
        if before is not None:
            now, pixels = Logits(*(v[taught:] for v in out)), batch.kind_weight[taught:]
            results.append(departure(now, before, pixels, self.config.loss))
        total = torch.stack([result.total for result in results]).sum()
        (share * total).backward()  # pyright: ignore[reportUnknownMemberType]
        return LossParts(total, {k: v for result in results for k, v in result.parts.items()})

    def begin(self) -> None:
        """Take the parent's weights."""
        self.state.net.load_state_dict(self.parent)
        for name, value in self.parent.items():
            self.state.ema[name].copy_(value)

    def net_with(self, share: float) -> SightNet:
        """The parent, with so much of what the average has learnt."""
        mixed = {
            name: torch.lerp(value, self.state.ema[name], share)
            if value.is_floating_point() else value
            for name, value in self.parent.items()
        }  # fmt: skip
        net = SightNet(self.config.net).to(self.processes.device)
        net.load_state_dict(mixed)
        return net.eval()

    def make_batches(self, group: int) -> list[Batch]:
        """The one batch of a group."""
        batch = self.batches.batch(group)
        device = self.processes.device
        return [replace(batch, **{k: v.to(device) for k, v in batch.maps().items()})]


def _no_source(plan: RenderPlan, seed: int) -> Renders:
    raise AssertionError("a shop's batches come from its pool")


@dataclass
class _Best:
    """The best net so far, as it lies in the run's folder; the parent's own parts."""

    step: int
    share: float
    score: float
    first_score: float
    looks_since: int
    first_parts: list[float]

    @classmethod
    def read(cls, run: Path) -> "_Best | None":
        path = run / BEST
        if not path.exists():
            return None
        try:
            return cls(**json.loads(path.read_text(encoding="utf-8")))
        except (OSError, ValueError, TypeError) as error:
            raise ModelError(f"{path}: cannot be read ({error}); begin a new run") from error

    def write(self, run: Path, net: nn.Module | None = None) -> None:
        run.mkdir(parents=True, exist_ok=True)
        if net is not None:
            waiting = run / f"{BEST_NET}.writing"
            torch.save({k: v.cpu() for k, v in net.state_dict().items()}, waiting)
            waiting.replace(run / BEST_NET)
        checkpoint.write_atomically(run / BEST, json.dumps(vars(self)))


def stop_parts(net: nn.Module, patches: list[Patch]) -> list[float]:
    """Both of `layer_scores`; a layer that nobody annotated is left out."""
    return [value for value in layer_scores(net, patches) if value is not None]


def layer_scores(net: nn.Module, patches: Sequence[Patch]) -> tuple[float | None, float | None]:
    """The surfaces' mean IoU over all pictures; any deposit's Dice, mean of the pictures; 0..1.

    Each picture counts alike in the Dice, or one film would outweigh the grains of all others. It
    has 200 px added above and below, so that a clean picture with few false pixels is no failure.
    What is not annotated does not count; None for a layer that nobody annotated.
    """
    classes = len(SURFACE_NAMES)
    table = torch.zeros(classes, classes, dtype=torch.long)
    dice: list[float] = []
    for patch in patches:
        surfaces, kinds = _tables(net, patch)
        table += surfaces
        if kinds.sum():
            hit, union_twice = kinds[1:, 1:].sum(), kinds[1:].sum() + kinds[:, 1:].sum()
            dice.append(float((2 * hit + 200) / (union_twice + 200)))
    known = [v for v in iou_from_confusion(table) if v is not None]
    mean_iou = sum(known) / len(known) if known else None
    return mean_iou, sum(dice) / len(dice) if dice else None


def _tables(net: nn.Module, patch: Patch) -> tuple[Tensor, Tensor]:
    """Pixels by true and found surface, and by true and found kind, of a whole picture."""
    device = next(net.parameters()).device
    with torch.inference_mode():
        out = cast(Logits, net(torch.as_tensor(patch.rgb[None].copy()).to(device)))
    counted = patch.surface != NOT_ANNOTATED, (patch.kind != NOT_ANNOTATED) & (patch.weight > 0)
    surfaces, kinds = (
        confusion(torch.as_tensor(truth), logits.argmax(1)[0].cpu(), torch.as_tensor(known), n)
        for truth, logits, known, n in (
            (patch.surface, out.surface, counted[0], len(SURFACE_NAMES)),
            (patch.kind, out.kind, counted[1], len(KIND_NAMES)),
        )
    )
    return surfaces, kinds


def looked_at(net: nn.Module, stop: list[Patch], pool: Pool) -> tuple[float, list[float]]:
    """The mean of `stop_parts` on the connectors that stop; the same parts, then those of renders.

    A mean of 0 where nobody annotated anything.
    """
    parts = stop_parts(net, stop)
    asked = stop_parts(net, list(pool.replay.asked)) if pool.replay.asked else []
    return sum(parts) / max(len(parts), 1), [*parts, *asked]


def retrain_net(
    pool: Pool,
    stop: list[Patch],
    settings: RetrainSettings,
    run: Path,
    parent: Path,
    limits: Limits,
    say: Say,
) -> Trained:
    """Train in the folder `run` from the weights at `parent`, or go on with what lies there.

    Raises `TrainingError` for a loss that is not finite, `ModelError` where the folder holds a run
    of other settings.
    """
    processes = Processes.join()
    config = settings.config()
    trainer = ShopTrainer(config, pool, processes, parent)
    begun = time.monotonic()
    resumed = checkpoint.load(run, trainer.state, config)
    best = _Best.read(run)
    if not resumed:
        trainer.begin()
    if best is None:
        score, parts = looked_at(trainer.net_with(0.0), stop, pool)
        best = _Best(0, 0.0, score, score, 0, parts)
        best.write(run, trainer.net_with(0.0))
    say(f"{'goes on' if resumed else 'begins'} at step {trainer.state.step} of {config.steps}; "
        f"score on the connectors that stop: {best.first_score:.3f} before")  # fmt: skip
    deadline = limits.deadline(config.save_minutes, begun)
    with deadline.listening():
        done = _run(trainer, stop, (settings, run, deadline), best, say)
    net = SightNet(config.net)
    checkpoint.fill(net, checkpoint.read_tensors(run / BEST_NET), run / BEST_NET)
    step = trainer.state.step
    return Trained(
        net.eval(), done, step, best.step, best.share, best.score, best.first_score
    )  # fmt: skip


def _run(
    trainer: ShopTrainer,
    stop: list[Patch],
    where: tuple[RetrainSettings, Path, Deadline],
    best: _Best,
    say: Say,
) -> bool:
    """Train until the last step, the end of patience or of the time, or a pause; True unless
    paused.
    """
    settings, run, deadline = where
    state, config = trainer.state, trainer.config
    pace = _Pace(state.step, time.monotonic())
    trainer.prefetcher.start(settings.batches * state.step, 0)
    try:
        while state.step < config.steps and best.looks_since < settings.patience:
            parts = trainer.step(*(trainer.prefetcher.take() for _ in range(settings.batches)))
            if state.step - pace.step == 3:
                say(f"about {pace.left_min(config.steps, state.step, deadline):.0f} minutes of "
                    "training at most")  # fmt: skip
            code = check(trainer, deadline)
            ends = code == STOP and deadline.finish and not deadline.signalled
            if state.step % config.check_every == 0 or state.step == config.steps or ends:
                score = _look(trainer, stop, best, run)
                say(
                    f"step {state.step} of {config.steps}: loss {float(parts['total']):.3f}, "
                    f"score {score:.3f} (best {best.score:.3f} at step {best.step}), "
                    f"{pace.left_min(config.steps, state.step, deadline):.1f} minutes left at most"
                )
                keep(trainer, run, deadline)
            elif code != GO_ON:
                keep(trainer, run, deadline)
            if code == STOP:
                return ends
    finally:
        trainer.prefetcher.stop()
    return True


def _look(trainer: ShopTrainer, stop: list[Patch], best: _Best, run: Path) -> float:
    """Score what was learnt; keep the best net so far of which no part is worse than at first.

    Else a gain in surfaces would pay for deposits lost, and the gate would refuse what was kept.
    """
    scores: list[float] = []
    best.looks_since += 1
    for share in SHARES:
        net = trainer.net_with(share)
        score, parts = looked_at(net, stop, trainer.batches)
        scores.append(score)
        fall = max(first - part for first, part in zip(best.first_parts, parts, strict=True))
        if score > best.score and fall <= FALL:
            best.step, best.share, best.score = trainer.state.step, share, score
            best.looks_since = 0
            best.write(run, net)
    best.write(run)
    return max(scores)


@dataclass(frozen=True)
class _Pace:
    """Where and when this call began."""

    step: int
    at_s: float

    def left_min(self, steps: int, step: int, deadline: Deadline) -> float:
        """Minutes to the last step at the pace so far, or to the end of the time."""
        each = (time.monotonic() - self.at_s) / max(step - self.step, 1)
        left = each * (steps - step) / 60
        if deadline.finish and deadline.minutes is not None:
            left = min(left, deadline.minutes * max(1 - deadline.elapsed(), 0.0))
        return left
