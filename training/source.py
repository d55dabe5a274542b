"""Where a run's pictures come from: rendered on the fly, a function of (seed, step, rank).

Nothing about the source needs saving: a run that goes on at step k sees the pictures that an
uninterrupted one would have seen. Batches are rendered ahead while the net learns.
"""

import contextlib
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import torch

from ..synthetic.freed_memory import keep_freed_memory
from ..synthetic.render import RenderPlan, Renders, render_batch

if TYPE_CHECKING:
    from .losses import Batch

__all__ = ["AHEAD", "Prefetcher", "Source", "render_source"]

AHEAD = 6  # batches made ahead at most


class Source(Protocol):
    """Gives the batch of a plan and a seed, always the same for the same pair."""

    def __call__(self, plan: RenderPlan, seed: int) -> Renders: ...


def render_source(device: torch.device) -> Source:
    """The renderer on `device`."""
    if device.type == "cpu":
        keep_freed_memory()

    def source(plan: RenderPlan, seed: int) -> Renders:
        return render_batch(plan, seed, device)

    return source


@dataclass(frozen=True)
class _Ready:
    """A batch and the events between which the device made its group (on a GPU)."""

    batch: "Batch"
    span: tuple[torch.cuda.Event, torch.cuda.Event] | None


class Prefetcher:
    """Makes groups of batches ahead, in a thread and on a stream of its own where there is a GPU.

    make(group) -> the batches of that group, one per step; `ahead` batches wait at most. Call
    `start(group, skip)` once, then `take()` for each step. `busy_s()` gives the device seconds
    spent in `make` since last asked.
    The renderer's many small calls keep one core busy; in a thread they overlap with the net's.
    """

    def __init__(
        self, make: "Callable[[int], list[Batch]]", device: torch.device, ahead: int = AHEAD
    ) -> None:
        self.make, self.device = make, device
        self.ready: queue.Queue[_Ready | BaseException] = queue.Queue(maxsize=ahead)
        self.spans: list[tuple[torch.cuda.Event, torch.cuda.Event]] = []
        self.wall_s = 0.0
        self.ended = threading.Event()
        self.thread: threading.Thread | None = None

    def start(self, group: int, skip: int) -> None:
        """Make groups from `group` on; the first `skip` batches of the first one are left out."""
        self.thread = threading.Thread(target=self._work, args=(group, skip), daemon=True)
        self.thread.start()

    def stop(self) -> None:
        """Wait for the thread to end what it is making; nothing is left running."""
        self.ended.set()
        while self.thread is not None and self.thread.is_alive():
            with contextlib.suppress(queue.Empty):
                self.ready.get_nowait()  # makes room for what the thread still hands over
            self.thread.join(timeout=0.05)

    def _work(self, group: int, skip: int) -> None:
        try:
            on_gpu = self.device.type == "cuda"
            stream = torch.cuda.Stream(self.device) if on_gpu else None
            while not self.ended.is_set():
                begun = time.perf_counter()
                batches, span = self._make_on(stream, group)
                self.wall_s += time.perf_counter() - begun
                for k, batch in enumerate(batches[skip:]):
                    if self.ended.is_set():
                        return
                    self.ready.put(_Ready(batch, span if k == 0 else None))
                group, skip = group + 1, 0
        except BaseException as error:  # handed to the training thread, which raises it
            self.ready.put(error)

    def _make_on(
        self, stream: torch.cuda.Stream | None, group: int
    ) -> "tuple[list[Batch], tuple[torch.cuda.Event, torch.cuda.Event] | None]":
        if stream is None:
            return self.make(group), None
        torch.cuda.set_device(self.device)
        first, last = (torch.cuda.Event(enable_timing=True) for _ in range(2))
        with torch.cuda.stream(stream):
            first.record(stream)
            batches = self.make(group)
            last.record(stream)
        stream.synchronize()  # so that a batch that is handed over is there
        return batches, (first, last)

    def take(self) -> "Batch":
        """The next step's batch, ready for the current stream."""
        got = self.ready.get()
        if isinstance(got, BaseException):
            raise got
        if got.span is not None:
            self.spans.append(got.span)
        if self.device.type == "cuda":
            current = torch.cuda.current_stream(self.device)
            for value in vars(got.batch).values():
                value.record_stream(current)  # its memory is not reused before this stream is done
        return got.batch

    def busy_s(self) -> float:
        """Seconds of `make` since the last call."""
        if self.device.type != "cuda":
            busy, self.wall_s = self.wall_s, 0.0
            return busy
        busy = sum(first.elapsed_time(last) for first, last in self.spans) / 1000.0
        self.spans.clear()
        return busy
