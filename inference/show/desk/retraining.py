"""A retraining run started and watched from the page; it runs as the command line would run it."""

import asyncio
import contextlib
import shlex
import signal
import sys
from collections import deque
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from .labelling import LABELS
from .retraining_file import KeptRun, read_run, write_run

__all__ = ["Retraining"]

RUN = "import sys; from fiberward.inference.show.app import main; sys.exit(main(sys.argv[1:]))"
MOST_LINES = 400
MOST_LETTERS = 400
REFUSED = 2
ENDED = {
    0: "done",
    1: "done, with a negative answer",
    REFUSED: "refused; its last line says why",
}
STOPPED = "stopped; with the same labels it can go on from there, whenever you like"
PAUSE_WAIT_S = 20.0
LINE_BYTES = 1 << 20


class Retraining:
    """At most one child process of `fiberward retrain`, and the last lines that it said.

    A run that was stopped, or that ended with the desk, is remembered under the name of its new
    model, and goes on under that name whenever a person says so.
    """

    def __init__(self, folder: Path, db: str | None) -> None:
        self.desk, self.folder, self.db = folder, folder / LABELS, db
        self.run = read_run(folder)
        self.lines: deque[str] = deque(maxlen=MOST_LINES)
        self.task, self.state = "", "not started"
        self._stopped = False
        self._process: asyncio.subprocess.Process | None = None
        self._following: asyncio.Task[None] | None = None

    def routes(self) -> list[Route]:
        """Their addresses."""
        return [
            Route("/retrain/check", self.check, methods=["POST"]),
            Route("/retrain/start", self.start, methods=["POST"]),
            Route("/retrain/go-on", self.go_on, methods=["POST"]),
            Route("/retrain/stop", self.stop, methods=["POST"]),
            Route("/retrain", self.progress),
        ]

    def words(self, *more: str) -> list[str]:
        """The command line, as words."""
        db = [] if self.db is None else [f"--db={self.db}"]
        return ["retrain", *more, *db, str(self.folder)]

    def command(self) -> str:
        """The command line, to copy."""
        return shlex.join(["fiberward", *self.words()])

    async def progress(self, request: Request) -> Response:
        """How far it is."""
        return JSONResponse(self._told())

    async def check(self, request: Request) -> Response:
        """Check the labels only."""
        return self._begin("Check", "--check")

    async def start(self, request: Request) -> Response:
        """A new run."""
        self._refuse_two("Retraining")
        return self._retrain(KeptRun.new())

    async def go_on(self, request: Request) -> Response:
        """The run that was stopped goes on."""
        self._refuse_two("Retraining")
        if self.run is None or not self.run.open:
            raise HTTPException(409, "no run was stopped; begin a new one")
        return self._retrain(self.run)

    async def stop(self, request: Request) -> Response:
        """Interrupt it; what was learnt so far is kept by the command itself."""
        if self._process is not None and self._process.returncode is None:
            self._stopped = True
            self._process.send_signal(signal.SIGINT)
        return JSONResponse(self._told(), 202)

    async def close(self) -> None:
        """End with the desk: it may keep what it has learnt, but not for ever."""
        if self._process is not None and self._process.returncode is None:
            self._stopped = True
            self._process.send_signal(signal.SIGINT)
            try:
                await asyncio.wait_for(self._process.wait(), PAUSE_WAIT_S)
            except TimeoutError:
                self._process.kill()
                await self._process.wait()
        if self._following is not None:
            self._following.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._following

    def _retrain(self, run: KeptRun) -> Response:
        self._begin("Retraining", "--name", run.name)
        self._remember(run)
        return JSONResponse(self._told(), 202)

    def _refuse_two(self, task: str) -> None:
        if self.state == "running":
            raise HTTPException(409, f"{task.lower()}: running already")
        if not self.folder.is_dir():
            raise HTTPException(409, "write the labelled pictures for retraining first")

    def _begin(self, task: str, *more: str) -> Response:
        self._refuse_two(task)
        self.task, self.state, self._stopped = task, "running", False
        self.lines.clear()
        words = self.words(*more)
        self.lines.append(f"$ {shlex.join(['fiberward', *words])}")
        self._following = asyncio.create_task(self._run(words))
        return JSONResponse(self._told(), 202)

    def _remember(self, run: KeptRun) -> None:
        self.run = run
        write_run(self.desk, run)

    async def _run(self, words: list[str]) -> None:
        try:
            self._process = process = await asyncio.create_subprocess_exec(
                sys.executable,
                # -P: nothing is imported from the folder that the desk was started in
                *("-P", "-c", RUN, *words),
                start_new_session=True,  # Ctrl-C stops the desk, which then lets the run pause
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.STDOUT,
                limit=LINE_BYTES,
            )
        except OSError as error:
            self.state = f"no process could be started ({error.strerror})"
            return
        assert process.stdout is not None
        async for line in process.stdout:
            told = line.decode(errors="replace").rstrip()[:MOST_LETTERS]
            self.lines.append(told)
            if self.task == "Retraining" and self.run is not None:
                run = self.run.told(told)
                if run != self.run:
                    self._remember(run)
        code = await process.wait()
        # a run that paused when it was asked to also ends with 1
        paused = self._stopped and code != 0
        self.state = STOPPED if paused else ENDED.get(code, f"ended with exit code {code}")
        if self.task == "Retraining" and self.run is not None and not paused and code in ENDED:
            # one that was refused before its first step cannot go on
            begun = code == REFUSED and self.run.of > 0
            self._remember(replace(self.run, open=begun))

    def _told(self) -> Mapping[str, Any]:
        run = None if self.run is None else asdict(self.run)
        return {"task": self.task, "state": self.state, "lines": list(self.lines), "run": run}
