"""Cases inspected one after another, each in a process of its own that can be stopped."""

import asyncio
import json
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from .job import Job, State, read_job, write_job
from .shelf import RESULT, Case, Shelf

__all__ = ["Progress", "Runner"]

WORKER = "fiberward.inference.show.desk.worker"
FINISHED = (0, 1, 3)  # exit codes that leave an inspection
DIED = "the inspection ended unexpectedly (perhaps for lack of memory); try again"


@dataclass
class Progress:
    """How far the running inspection is."""

    key: str
    step: str = "starting"
    done: int = 0
    of: int = 0
    problem: str | None = None
    stopped: bool = False
    begun: float = field(default_factory=time.monotonic)

    def to_json(self) -> dict[str, Any]:
        """For the page; `left_s` None while it cannot be told."""
        spent = time.monotonic() - self.begun
        left = spent / self.done * (self.of - self.done) if 0 < self.done < self.of else None
        shown = {"step": self.step, "done": self.done, "of": self.of}
        return {**shown, "spent_s": round(spent, 1), "left_s": left and round(left, 1)}


class Runner:
    """The queue. `settings`: model, db, record and threads, for the worker."""

    def __init__(self, shelf: Shelf, settings: Mapping[str, Any]) -> None:
        self.shelf, self.settings = shelf, settings
        self.current: Progress | None = None
        self._process: asyncio.subprocess.Process | None = None
        self._wanted = asyncio.Event()

    def start(self, case: Case) -> None:
        """Put a case in the queue."""
        _set_state(case.folder, "queued")
        self._wanted.set()

    def stop(self, case: Case) -> None:
        """Take a case out of the queue, or end its inspection."""
        if self.current is not None and self.current.key == case.key:
            self.current.stopped = True
            if self._process is not None and self._process.returncode is None:
                self._process.kill()
        elif case.state == "queued":
            _set_state(case.folder, "stopped")

    async def run(self) -> None:
        """Work the queue until cancelled, beginning with what an earlier server left undone."""
        for case in self.shelf.cases():
            if case.job is not None and case.job.state == "running":
                # whole results mean that only the last word was missing
                finished = (case.folder / RESULT).exists()
                _set_state(case.folder, "done" if finished else "queued")
        try:
            while True:
                waiting = [case for case in self.shelf.cases() if case.state == "queued"]
                if waiting:
                    await self._inspect(waiting[-1])
                else:
                    self._wanted.clear()
                    await self._wanted.wait()
        finally:
            if self._process is not None and self._process.returncode is None:
                self._process.kill()

    async def _inspect(self, case: Case) -> None:
        self.current = progress = Progress(case.key)
        (case.folder / RESULT).unlink(missing_ok=True)
        _set_state(case.folder, "running")
        # -P: nothing is imported from the folder that the desk was started in
        words = ["-P", "-m", WORKER, str(case.folder), json.dumps(dict(self.settings))]
        try:
            self._process = process = await asyncio.create_subprocess_exec(
                sys.executable,
                *words,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.PIPE,
            )
        except OSError as error:
            _set_state(case.folder, "failed", f"no process could be started ({error.strerror})")
            self.current = None
            return
        try:
            if progress.stopped:
                process.kill()
            assert process.stdout is not None
            async for line in process.stdout:
                _take(progress, line)
            code = await process.wait()
            self._conclude(case, progress, code)
        finally:
            self.current, self._process = None, None

    def _conclude(self, case: Case, progress: Progress, code: int) -> None:
        if code in FINISHED and (case.folder / RESULT).exists():
            _set_state(case.folder, "done")
        elif progress.stopped:
            _set_state(case.folder, "stopped")
        else:
            _set_state(case.folder, "failed", progress.problem or DIED)


def _take(progress: Progress, line: bytes) -> None:
    try:
        message = json.loads(line)
    except ValueError:
        return  # a library's own word; progress can do without it
    if "step" in message:
        progress.step, progress.done, progress.of = (message[k] for k in ("step", "done", "of"))
    elif "problem" in message:
        progress.problem = message["problem"]


def _set_state(folder: Path, state: State, problem: str | None = None) -> None:
    job: Job | None = read_job(folder)
    if job is not None:
        write_job(folder, replace(job, state=state, problem=problem))
