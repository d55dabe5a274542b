"""A folder that is watched: pictures that appear in it come onto the desk by themselves.

A sub-folder is one connector (with its connector.toml, if there is one); it becomes a case and is
inspected as soon as its files have stopped changing. Pictures that lie in the folder itself belong
to nobody yet: they are offered to the case that is being made, and a person says that they are its.
"""

import asyncio
import contextlib
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from ....model.errors import FiberwardError, UnreadablePicture, UsageError
from ....model.families import FAMILIES
from ...record import utc_now
from ...see.connector_file import ConnectorFacts
from ...see.inputs import expand_inputs, pictures_in
from ..watch import FolderWatch
from .intake import add_picture, chunks_of
from .job import Job
from .shelf import Case, Shelf

__all__ = ["Watched"]

EVERY_S = 1.0
SETTLE_S = 3.0
MOST_SAID = 20


class Watched:
    """Watches `folder` (None: nothing) for the cases of `shelf`; `start` inspects one."""

    def __init__(self, folder: Path | None, shelf: Shelf, start: Callable[[Case], None]) -> None:
        self.folder, self.shelf, self.start = folder, shelf, start
        self.said: deque[str] = deque(maxlen=MOST_SAID)
        self.loose: list[Path] = []
        self._taken: set[tuple[str, int, int]] = set()
        self._sizes: dict[str, tuple[tuple[int, int], float]] = {}
        if folder is not None:
            if not folder.is_dir():
                raise UsageError(f"{folder}: is no folder; give the one to watch")
            if folder.resolve() == shelf.folder.resolve():
                raise UsageError(f"{folder}: is where results go; watch another folder")

    def routes(self) -> list[Route]:
        """Their addresses."""
        return [
            Route("/watched", self.told),
            Route("/c/{key:str}/watched", self.take, methods=["POST"]),
        ]

    async def told(self, request: Request) -> Response:
        """The pictures that lie there, and what could not be taken."""
        return JSONResponse({"pictures": [p.name for p in self.loose], "said": list(self.said)})

    async def take(self, request: Request) -> Response:
        """Take the pictures that lie there into a case."""
        case = self.shelf.find(request.path_params["key"])
        if case is None or case.job is None or not case.job.open:
            raise HTTPException(404, "there is no such inspection that takes pictures")
        problems: list[str] = []
        taken = 0
        for path in list(self.loose):
            try:
                await add_picture(case, chunks_of(path), path.name)
                taken += 1
            except (FiberwardError, OSError) as error:
                problems.append(
                    f"{path.name}: {error}" if isinstance(error, OSError) else str(error)
                )
            self._set_aside(path)
        return JSONResponse({"taken": taken, "problems": problems}, 201)

    async def run(self) -> None:
        """Look again and again until cancelled."""
        if self.folder is None:
            return
        loop = asyncio.get_running_loop()

        def inspect(source: Path, results: Path) -> int:
            asyncio.run_coroutine_threadsafe(self._begin(source), loop).result()
            return 0

        watch = FolderWatch(self.folder, self.shelf.folder, inspect, self._say, SETTLE_S)
        while True:
            try:
                await asyncio.to_thread(watch.poll)
            except FiberwardError as error:
                self._say(str(error))
            self.loose = await asyncio.to_thread(self._settled)
            await asyncio.sleep(EVERY_S)

    def _say(self, line: str) -> None:
        if line not in self.said:
            self.said.append(line)

    async def _begin(self, source: Path) -> None:
        """A case of one connector's folder, inspected at once."""
        inputs = expand_inputs([source])
        for problem in inputs.problems:
            raise problem
        [connector] = inputs.connectors
        case = self.shelf.begin(_stated(connector.facts, source.name))
        for path, turn in zip(connector.pictures, connector.turns_deg, strict=True):
            try:
                await add_picture(
                    case, chunks_of(path), path.name, "-" if turn is None else f"{turn:g}"
                )
            except UnreadablePicture as error:
                self._say(f"{source.name}: {error}")
        self.start(case)

    def _settled(self) -> list[Path]:
        """The pictures in the folder itself that are new and have stopped changing."""
        assert self.folder is not None
        found: list[Path] = []
        try:
            pictures = pictures_in(self.folder)
        except UnreadablePicture as error:
            self._say(str(error))
            return found
        for path in pictures:
            with contextlib.suppress(OSError):
                status = path.stat()
                state = (status.st_size, status.st_mtime_ns)
                before = self._sizes.get(path.name)
                if before is None or before[0] != state:
                    self._sizes[path.name] = (state, time.monotonic())
                    continue
                still = time.monotonic() - before[1] >= SETTLE_S
                if still and (path.name, *state) not in self._taken:
                    found.append(path)
        return found

    def _set_aside(self, path: Path) -> None:
        """Not to be offered again, unless it changes."""
        self.loose = [each for each in self.loose if each != path]
        with contextlib.suppress(OSError):
            status = path.stat()
            self._taken.add((path.name, status.st_size, status.st_mtime_ns))


def _stated(facts: ConnectorFacts, name: str) -> Job:
    """What connector.toml states, as a person would state it on the page."""
    family = next((each for each in FAMILIES if each.name == facts.family), None)
    ferrule_mm = facts.ferrule_mm or (None if family is None else family.ferrule_mm)
    return Job(
        utc_now(),
        came_from=name,
        label=facts.label,
        end=facts.end,
        lot=facts.lot,
        ferrule_mm=None if ferrule_mm is None else f"{ferrule_mm:g}",
        finish=facts.finish or (None if family is None else family.finish),
        fiber_mode=facts.fiber_mode,
        stage=facts.stage,
        method=facts.method,
        matings_so_far=None if facts.matings_so_far is None else str(facts.matings_so_far),
        key_deg=None if facts.key_deg is None else f"{facts.key_deg:g}",
    )
