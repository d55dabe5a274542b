"""A retraining run started and watched from the page; it runs as the command line would run it."""

import asyncio
import contextlib
import shlex
import signal
import sys
from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from .labelling import LABELS

__all__ = ["Retraining"]

RUN = "import sys; from fiberward.inference.show.app import main; sys.exit(main(sys.argv[1:]))"
MOST_LINES = 400
MOST_LETTERS = 400
ENDED = {0: "done", 1: "done, with a negative answer"}
STOPPED = "stopped; today, with the same labels, Retrain goes on from there"
LINE_BYTES = 1 << 20


class Retraining:
    """At most one child process of `fiberward retrain`, and the last lines that it said."""

    def __init__(self, folder: Path, db: str | None) -> None:
        self.folder, self.db = folder / LABELS, db
        self.lines: deque[str] = deque(maxlen=MOST_LINES)
        self.task, self.state = "", "not started"
        self._stopped = False
        self._process: asyncio.subprocess.Process | None = None
        self._following: asyncio.Task[None] | None = None

    def routes(self) -> list[Route]:
        """Their addresses."""
        return [
            Route("/retrain/check", self._starting("Check", "--check"), methods=["POST"]),
            Route("/retrain/start", self._starting("Retraining"), methods=["POST"]),
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

    async def stop(self, request: Request) -> Response:
        """Interrupt it; what was learnt so far is kept by the command itself."""
        if self._process is not None and self._process.returncode is None:
            self._stopped = True
            self._process.send_signal(signal.SIGINT)
        return JSONResponse(self._told(), 202)

    async def close(self) -> None:
        """End with the desk."""
        if self._process is not None and self._process.returncode is None:
            self._process.kill()
            await self._process.wait()
        if self._following is not None:
            self._following.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._following

    def _starting(self, task: str, *more: str) -> Callable[[Request], Any]:
        async def start(request: Request) -> Response:
            if self.state == "running":
                raise HTTPException(409, f"{self.task.lower()}: running already")
            if not self.folder.is_dir():
                raise HTTPException(409, "write the labelled pictures for retraining first")
            self.task, self.state, self._stopped = task, "running", False
            self.lines.clear()
            words = self.words(*more)
            self.lines.append(f"$ {shlex.join(['fiberward', *words])}")
            self._following = asyncio.create_task(self._run(words))
            return JSONResponse(self._told(), 202)

        return start

    async def _run(self, words: list[str]) -> None:
        try:
            self._process = process = await asyncio.create_subprocess_exec(
                sys.executable,
                # -P: nothing is imported from the folder that the desk was started in
                *("-P", "-c", RUN, *words),
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
            self.lines.append(line.decode(errors="replace").rstrip()[:MOST_LETTERS])
        code = await process.wait()
        # a run that paused when it was asked to also ends with 1
        ended = ENDED.get(code, f"ended with exit code {code}")
        self.state = STOPPED if self._stopped and code != 0 else ended

    def _told(self) -> Mapping[str, Any]:
        return {"task": self.task, "state": self.state, "lines": list(self.lines)}
