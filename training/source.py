"""Where a run's pictures come from: rendered on the fly, each batch a function of (seed, step,
rank).

Nothing about the source needs saving: a run that goes on at step k sees the pictures that an
uninterrupted one would have seen. The next batch is rendered while the device still works on
the last.
"""

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

import torch

from ..synthetic.render import RenderPlan, Renders, render_batch
from .config import TrainingConfig

if TYPE_CHECKING:
    from .losses import Batch

__all__ = ["VALIDATION_SEED", "Prefetcher", "Source", "batch_seed", "render_source"]

RUN_STRIDE, STEP_STRIDE = 2**36, 64  # seeds of runs, steps and processes never meet
VALIDATION_SEED = 2**52  # frozen validation renders start here; training never gets this far


class Source(Protocol):
    """Gives the batch of a plan and a seed, always the same for the same pair."""

    def __call__(self, plan: RenderPlan, seed: int) -> Renders: ...


def batch_seed(config: TrainingConfig, step: int, rank: int) -> int:
    """The seed of what process `rank` sees at `step`; at most 64 processes, 2**30 steps."""
    return config.seed * RUN_STRIDE + step * STEP_STRIDE + rank


def render_source(device: torch.device) -> Source:
    """The renderer on `device`."""

    def source(plan: RenderPlan, seed: int) -> Renders:
        return render_batch(plan, seed, device)

    return source


class Prefetcher:
    """Makes batches one ahead, on a stream of its own where the device is a GPU.

    make(step) -> Batch. Call `start(step)` after a step's work has been queued, then `take()`.
    `busy_s()` gives the device seconds spent in `make` since it was last asked.
    """

    def __init__(self, make: "Callable[[int], Batch]", device: torch.device) -> None:
        self.make, self.device = make, device
        self.stream = torch.cuda.Stream(device) if device.type == "cuda" else None
        self.batch: Batch | None = None
        self.spans: list[tuple[torch.cuda.Event, torch.cuda.Event]] = []
        self.wall_s = 0.0

    def start(self, step: int) -> None:
        """Make the batch of `step`."""
        begun = time.perf_counter()
        if self.stream is None:
            self.batch = self.make(step)
            self.wall_s += time.perf_counter() - begun
            return
        first, last = (torch.cuda.Event(enable_timing=True) for _ in range(2))
        with torch.cuda.stream(self.stream):
            first.record(self.stream)
            self.batch = self.make(step)
            last.record(self.stream)
        self.spans.append((first, last))

    def take(self) -> "Batch":
        """The batch made last, ready for the current stream."""
        batch, self.batch = self.batch, None
        if batch is None:
            raise RuntimeError("no batch was started")
        if self.stream is not None:
            current = torch.cuda.current_stream(self.device)
            current.wait_stream(self.stream)
            for value in vars(batch).values():
                value.record_stream(current)  # its memory is not reused before this stream is done
        return batch

    def busy_s(self) -> float:
        """Seconds of `make` since the last call; waits for the device."""
        busy, self.wall_s = self.wall_s, 0.0
        for first, last in self.spans:
            last.synchronize()
            busy += first.elapsed_time(last) / 1000.0
        self.spans.clear()
        return busy
