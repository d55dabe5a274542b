"""The training loop, for one process or several (`torchrun`), on CPU or GPU.

    python -m fiberward.training.loop --config CONFIG.toml --run DIR [--minutes M]
    torchrun --nproc_per_node 2 -m fiberward.training.loop --config ... --run ... --minutes ...

A call goes on from DIR's last checkpoint if there is one. One warm-up and one cosine run over all
calls. Everything random is a function of the settings' seed, the step and the process, so a
checkpoint's step number is its random state. Needs torch and numpy only.
"""

import argparse
import contextlib
import math
import os
import signal
import sys
import time
from collections.abc import Generator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import torch
import torch.distributed as dist
from torch import Tensor, nn
from torch.optim.swa_utils import get_ema_multi_avg_fn

from ..model.errors import FiberwardError, TrainingError
from ..model.net import Logits
from . import checkpoint
from .checkpoint import RunState
from .config import TrainingConfig, read_config
from .echo import again, last_use, render_of
from .losses import Batch, LossParts, deal, loss, mirrored, prepare
from .nets import build_net
from .optimiser import make_optimisers
from .report import Reporter, machine
from .seeds import ECHO_SEED, training_seed
from .source import AHEAD, Prefetcher, Source, render_source
from .validation import validate

__all__ = ["Processes", "Trainer", "learning_rate", "main", "train"]

CLOCK = 1_000_000  # the processes agree on the clock as a whole number of its millionths
GO_ON, SAVE, STOP, BROKEN = 0, 1, 2, 3  # what the processes agree on, the largest wins


@dataclass(frozen=True)
class Processes:
    """This process among those of the run."""

    rank: int
    world: int
    device: torch.device

    @staticmethod
    def join() -> "Processes":
        """As torchrun's environment says; a single process without it."""
        rank, world = int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
        local = int(os.environ.get("LOCAL_RANK", "0"))
        on_gpu = torch.cuda.is_available()
        device = torch.device("cuda", local) if on_gpu else torch.device("cpu")
        if on_gpu:
            torch.cuda.set_device(device)
        if world > 1 and not dist.is_initialized():
            dist.init_process_group("nccl" if on_gpu else "gloo")
        return Processes(rank, world, device)

    def agree(self, code: int) -> int:
        """The largest code that any process says."""
        if self.world == 1:
            return code
        value = torch.tensor(code, device=self.device)
        dist.all_reduce(value, dist.ReduceOp.MAX)
        return int(value.item())


def learning_rate(config: TrainingConfig, step: int, elapsed: float = 0.0) -> float:
    """Linear warm-up, then half a cosine down to 0 at `config.steps`.

    elapsed: share of the call's time gone, where the call has to finish the run: the cosine then
    follows whichever is further on, steps or clock.
    """
    if step < config.warmup_steps:
        return config.learning_rate * (step + 1) / config.warmup_steps
    done = (step - config.warmup_steps) / max(config.steps - config.warmup_steps, 1)
    done = max(done, elapsed)
    return config.learning_rate * 0.5 * (1 + math.cos(math.pi * min(done, 1.0)))


def computes_in_bf16(device_type: str) -> bool:
    """Whether bfloat16 is quicker here: on a GPU, and on processors with matrix units for it."""
    ask: Any = getattr(torch.cpu, "get_capabilities", None)  # torch before 2.12 cannot tell
    return device_type == "cuda" or (ask is not None and bool(ask().get("amx_bf16", False)))


def hold_still(net: nn.Module, only: Sequence[str]) -> None:
    """Let only the named parts learn; the others keep weights and running statistics."""
    for name, part in net.named_children():
        learns = not only or name in only
        part.train(learns)
        for parameter in part.parameters():
            parameter.requires_grad_(learns)


class Trainer:
    """One process's net, optimiser, average and source."""

    def __init__(self, config: TrainingConfig, source: Source, processes: Processes) -> None:
        self.config, self.source, self.processes = config, source, processes
        torch.manual_seed(config.seed)  # pyright: ignore[reportUnknownMemberType]
        device = processes.device
        net = build_net(config.architecture, config.net).to(device)
        hold_still(net, config.only)
        if device.type == "cuda":
            net = net.to(memory_format=torch.channels_last)
            torch.backends.cudnn.benchmark = True
        self.state = RunState(
            net=net,
            ema={k: v.detach().clone() for k, v in net.state_dict().items()},
            optimisers=make_optimisers(net, config),
        )
        self.finite = torch.ones((), dtype=torch.bool, device=device)
        ahead = max(AHEAD, config.steps_per_render * config.echoes) if config.echoes > 1 else AHEAD
        self.prefetcher = Prefetcher(self.make_batches, device, ahead)
        self.forward: nn.Module = net
        self.elapsed = 0.0
        self.pool: dict[int, list[Batch]] = {}

    def wrap(self) -> None:
        """Compile and distribute the net; after a checkpoint has been loaded."""
        net: nn.Module = self.state.net
        if self.config.compile:
            net = cast(nn.Module, torch.compile(net))
        if self.processes.world > 1:
            on_gpu = self.processes.device.type == "cuda"
            net = nn.parallel.DistributedDataParallel(
                net,
                device_ids=[self.processes.device.index] if on_gpu else None,
                broadcast_buffers=False,
                gradient_as_bucket_view=True,
            )
        self.forward = net

    def make_batches(self, group: int) -> list[Batch]:
        """The batches of a group of steps: one big render, dealt out picture by picture."""
        config = self.config
        number, echo = render_of(group, config.echoes, config.echo_lag)
        if config.pool:
            number %= config.pool
        with torch.no_grad():
            batches = self.rendered(number)
            if echo:
                seed = training_seed(config.seed, group, self.processes.rank)
                batches = [again(b, seed + ECHO_SEED + k) for k, b in enumerate(batches)]
            batches = batches + [mirrored(batch) for batch in batches if config.mirror]
        if echo == config.echoes - 1:
            self.forget(group // config.echoes)
        return batches

    def rendered(self, number: int) -> list[Batch]:
        """A render's batches, made where they are not in memory."""
        if number not in self.pool:
            plan = self.config.batches[number % len(self.config.batches)]
            seed = training_seed(self.config.seed, number, self.processes.rank)
            batch = prepare(self.source(plan, seed), self.config.loss)
            self.pool[number] = deal(batch, self.config.chunks)
        return self.pool[number]

    def forget(self, slot: int) -> None:
        """Drop the renders that no slot after this one uses."""
        echoes, lag = self.config.echoes, self.config.echo_lag
        if not self.config.pool:
            done = [n for n in self.pool if last_use(n, echoes, lag) <= slot]
            for number in done:
                del self.pool[number]

    def step(self, *batches: Batch) -> dict[str, Tensor]:
        """One step of descent on the mean of the batches' losses, one batch at a time in memory.

        Gives the last one's parts as device scalars, without waiting.
        """
        rate = learning_rate(self.config, self.state.step, self.elapsed)
        for optimiser in self.state.optimisers:
            for group in optimiser.param_groups:
                group["lr"] = rate * group["share"]
            optimiser.zero_grad(set_to_none=True)
        results = [self.descend(batch, 1 / len(batches)) for batch in batches]
        norm = nn.utils.clip_grad_norm_(self.state.net.parameters(), self.config.clip)
        for result in results:
            self.finite &= torch.isfinite(result.total.detach())
        self.finite &= torch.isfinite(norm)
        for optimiser in self.state.optimisers:
            optimiser.step()
        self.average()
        self.state.step += 1
        last = results[-1]
        return last.parts | {"total": last.total.detach(), "gradient": norm.detach()}

    def descend(self, batch: Batch, share: float) -> LossParts:
        """Add a batch's gradient, weighted by `share`."""
        with self.precision():
            out = cast(Logits, self.forward(batch.picture))
        result = loss(out, batch, self.config.loss)
        (share * result.total).backward()  # pyright: ignore[reportUnknownMemberType]
        return result

    def precision(self) -> torch.autocast:
        """Nets compute in bfloat16 within it, where the settings allow that and it is quicker."""
        device_type = self.processes.device.type
        half = self.config.bf16 and computes_in_bf16(device_type)
        return torch.autocast(device_type, torch.bfloat16, enabled=half)

    @torch.no_grad()
    def average(self) -> None:
        """Move the average towards the net; a young run averages over what there is of it."""
        decay = min(self.config.ema_decay, (1 + self.state.step) / (10 + self.state.step))
        now = self.state.net.state_dict()
        moving = [k for k, v in self.state.ema.items() if v.is_floating_point()]
        blend = cast(Any, get_ema_multi_avg_fn)(decay)
        blend([self.state.ema[k] for k in moving], [now[k] for k in moving], 0)


@dataclass
class Deadline:
    """When to stop or to save: the call's minutes, a signal, or the time since the last save."""

    minutes: float | None
    save_minutes: float
    begun_s: float
    saved_s: float
    finish: bool = False
    signalled: bool = False

    @contextlib.contextmanager
    def listening(self) -> Generator[None]:
        """Meanwhile SIGTERM and SIGINT end the call after the current steps, with a checkpoint."""

        def note(_number: int, _frame: Any) -> None:
            self.signalled = True

        before = {number: signal.signal(number, note) for number in (signal.SIGTERM, signal.SIGINT)}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def code(self) -> int:
        """What this process would do now."""
        now = time.monotonic()
        if self.signalled or (self.minutes is not None and now - self.begun_s >= 60 * self.minutes):
            return STOP
        return SAVE if now - self.saved_s >= 60 * self.save_minutes else GO_ON

    def elapsed(self) -> float:
        """Share of the call's minutes gone, 0 without a limit."""
        return (time.monotonic() - self.begun_s) / (60 * self.minutes) if self.minutes else 0.0


def keep(trainer: Trainer, run: Path, deadline: Deadline) -> None:
    """Round the state in every process, write it in the first."""
    checkpoint.round_state(trainer.state)
    if trainer.processes.rank == 0:
        about = machine(trainer.processes.device, trainer.processes.world)
        checkpoint.save(run, trainer.state, trainer.config, about)
    deadline.saved_s = time.monotonic()


def check(trainer: Trainer, deadline: Deadline) -> int:
    """What all processes do next. Raises `TrainingError` in each if any loss was not finite."""
    code = trainer.processes.agree(deadline.code() if bool(trainer.finite) else BROKEN)
    if code == BROKEN:
        raise TrainingError(
            f"step {trainer.state.step}: the loss or its gradient is not finite; the last "
            "checkpoint is from before; lower learning_rate or look at the renders"
        )
    if deadline.finish:
        trainer.elapsed = trainer.processes.agree(int(CLOCK * deadline.elapsed())) / CLOCK
    return code


def run_steps(trainer: Trainer, run: Path, deadline: Deadline, reporter: Reporter) -> None:
    """Train until the run's last step or the deadline; leaves a checkpoint."""
    state, config = trainer.state, trainer.config
    trainer.prefetcher.start(*divmod(state.step, config.steps_per_render))
    try:
        while state.step < config.steps:
            batch = trainer.prefetcher.take()
            parts = trainer.step(batch)
            reporter.add(parts, batch.picture.shape[0] * trainer.processes.world)
            if state.step % config.check_every and state.step < config.steps:
                continue
            rate = learning_rate(config, state.step - 1, trainer.elapsed)
            code = check(trainer, deadline)
            reporter.write(state.step, rate, trainer.prefetcher.busy_s())
            if code == SAVE:
                keep(trainer, run, deadline)
            if code == STOP:
                break
    finally:
        trainer.prefetcher.stop()
    keep(trainer, run, deadline)


def train(
    config: TrainingConfig,
    source: Source,
    run: Path,
    minutes: float | None,
    finish: bool = False,
    start: Path | None = None,
) -> int:
    """Train or go on training in the folder `run`; gives the step reached.

    minutes: wall-clock limit of this call, after which it saves and ends; None = to the last step.
    start: another run whose net this one begins with.
    finish: bring the rate down to 0 within `minutes`, whatever step that is.
    Raises `TrainingError` for a non-finite loss, `ModelError` for a damaged or foreign checkpoint.
    """
    begun = time.monotonic()
    processes = Processes.join()
    trainer = Trainer(config, source, processes)
    resumed = checkpoint.load(run, trainer.state, config)
    if start is not None and not resumed:
        checkpoint.start_from(start, trainer.state)
    trainer.wrap()
    deadline = Deadline(minutes, config.save_minutes, begun, time.monotonic(), finish)
    with Reporter(run, config, quiet=processes.rank != 0) as reporter:
        reporter.note(
            f"{'goes on' if resumed else 'begins'} at step {trainer.state.step} of {config.steps}"
        )
        with deadline.listening():
            run_steps(trainer, run, deadline, reporter)
        if processes.rank == 0 and config.validation_batches:
            net, _, _ = checkpoint.load_ema(run)
            figures = validate(net.to(processes.device), source, config)
            reporter.figures(trainer.state.step, figures)
    if processes.world > 1:
        dist.barrier()
    return trainer.state.step


def main(arguments: Sequence[str] | None = None) -> int:
    """The loop's own command line; exit code as the project's."""
    parser = argparse.ArgumentParser(prog="fiberward.training.loop", description="Train the net.")
    parser.add_argument("--config", type=Path, required=True, help="TOML with the run's settings")
    parser.add_argument(
        "--run", type=Path, required=True, help="folder of the run; goes on if begun"
    )
    parser.add_argument("--minutes", type=float, default=None, help="stop after this long, saved")
    parser.add_argument(
        "--finish",
        action="store_true",
        help="end the run with this call: the rate falls with the clock; needs --minutes",
    )
    parser.add_argument("--start-from", type=Path, help="begin with the net of this other run")
    options = parser.parse_args(arguments)
    if options.finish and options.minutes is None:
        parser.error("--finish needs --minutes: how long the call has")
    try:
        config = read_config(options.config)
        device = Processes.join().device
        train(
            config,
            render_source(device),
            options.run,
            options.minutes,
            options.finish,
            options.start_from,
        )
    except FiberwardError as error:
        print(f"fiberward: {error}", file=sys.stderr, flush=True)
        return error.exit_code
    finally:
        if dist.is_initialized():
            with contextlib.suppress(RuntimeError):
                dist.destroy_process_group()
    return 0


if __name__ == "__main__":
    sys.exit(main())
