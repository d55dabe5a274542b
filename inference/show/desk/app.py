"""The desk's addresses and what each answers."""

import asyncio
import contextlib
import traceback
from collections.abc import AsyncGenerator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    RedirectResponse,
    Response,
)
from starlette.routing import Mount, Route
from starlette.types import ASGIApp

from ....model.errors import FiberwardError
from ...keep.cautions import CAUTIONS
from ..explanation import explain_number
from ..words import VERDICT_WORDS
from .before_after import FATE_WORDS, before_after, comparison_data
from .camera import LiveCamera
from .demo import begin_demo
from .exercising import Exercising, is_hidden
from .forms import read_form
from .gate import Gate, Keys
from .history import connectors
from .intake import add_picture, harmless
from .job import PICTURES, Shot, with_stated, write_job
from .labelling import Labelling, can_be_labelled
from .pages import (
    Pages,
    case_data,
    command_line,
    files_of,
    list_of,
)
from .recorded import Recorded
from .retraining import Retraining
from .runner import Runner
from .sheets import Sheets
from .shelf import REPORT, Case, Shelf
from .shooting import Shooting, can_be_added_to
from .statics import KEPT, static_routes
from .uploads import TooLarge, TooSlow, check_length
from .wanted import next_of_inspection, next_of_job
from .watched import Watched

__all__ = ["Desk"]

NAME_HEADER = "x-file-name"
# Facts that hold for a connector's next inspection too.
LASTING = (
    *("label", "end", "lot", "ferrule_mm", "finish", "fiber_mode", "method", "operator"),
    *("matings_so_far", "key_deg"),
)
STATUS_OF: dict[type[Exception], int] = {TooLarge: 413, TooSlow: 408}
# What a browser can show of what can be taken in.
SHOWN = {".png": "png", ".jpg": "jpeg", ".gif": "gif", ".bmp": "bmp", ".webp": "webp"}


class Desk:
    """One desk: its cases, its queue, its keys, and the application that serves them."""

    def __init__(self, folder: Path, port: int, settings: Mapping[str, Any]) -> None:
        self.shelf = Shelf(folder)
        self.runner = Runner(self.shelf, _for_worker(settings))
        self.keys = Keys.of(folder)
        self.watched = Watched(settings.get("watch"), self.shelf, self.runner.start)
        watches = None if self.watched.folder is None else self.watched.folder.name
        self.pages = Pages(self.keys.post, settings.get("camera") is not None, watches)
        self.retraining = Retraining(folder, settings.get("db"))
        self.labelling = Labelling(self.pages, self.shelf, self.retraining.command())
        self.camera = LiveCamera(settings.get("camera"), settings)
        self.shooting = Shooting(self.pages, self.shelf, self.camera)
        self.exercising = Exercising(self.pages, self.shelf, self.runner)
        self.recorded = Recorded(self.pages, settings.get("db"))
        self.sheets = Sheets(self.pages)
        inner = Starlette(
            routes=self._routes(),
            lifespan=self._lifespan,
            exception_handlers={
                FiberwardError: self.told,
                HTTPException: self.told,
                Exception: _broke,
            },
        )
        self.application: ASGIApp = Gate(inner, port, self.keys)

    def _routes(self) -> list[Route | Mount]:
        case = "/c/{key:str}"
        return [
            Route("/", self.home),
            Route("/help", self.help),
            Route("/cases", self.begin, methods=["POST"]),
            Route("/demo", self.demo, methods=["POST"]),
            Route(case, self.show),
            Route(f"{case}/data", self.data),
            Route(f"{case}/progress", self.progress),
            Route(f"{case}/file/{{name:str}}", self.file),
            Route(f"{case}/shot/{{number:int}}", self.shot),
            Route(f"{case}/rows", self.rows),
            Route(f"{case}/deposit/{{number:int}}", self.deposit),
            Route(f"{case}/since/{{other:str}}", self.compare),
            Route(f"{case}/since/{{other:str}}/data", self.moves),
            Route(f"{case}/pictures", self.upload, methods=["POST"]),
            Route(f"{case}/remove/{{number:int}}", self.remove, methods=["POST"]),
            Route(f"{case}/stated", self.state, methods=["POST"]),
            Route(f"{case}/start", self.start, methods=["POST"]),
            Route(f"{case}/stop", self.stop, methods=["POST"]),
            Route(f"{case}/again", self.again, methods=["POST"]),
            *self.shooting.routes(),
            *self.watched.routes(),
            *self.exercising.routes(),
            *self.recorded.routes(),
            *self.sheets.routes(),
            *self.labelling.routes(),
            *self.retraining.routes(),
            *static_routes(),
        ]

    @contextlib.asynccontextmanager
    async def _lifespan(self, app: Starlette) -> AsyncGenerator[None]:
        working = [asyncio.create_task(each.run()) for each in (self.runner, self.watched)]
        working.append(asyncio.create_task(asyncio.to_thread(self.pages.read_ahead)))
        try:
            yield
        finally:
            for each in working:
                each.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await each
            await self.camera.close()
            await self.retraining.close()

    # -- pages -----------------------------------------------------------------------------------

    async def home(self, request: Request) -> Response:
        """All connectors, and where to drop pictures of the next."""
        cases = await asyncio.to_thread(self.shelf.cases)
        return HTMLResponse(self.pages.page("home.html", connectors=connectors(cases)))

    async def help(self, request: Request) -> Response:
        """How to take the pictures, the keys, the cautions."""
        return HTMLResponse(self.pages.page("help.html", cautions=CAUTIONS))

    async def show(self, request: Request) -> Response:
        """One case: the form, the progress, or the result."""
        case = self._case(request)
        if is_hidden(case):
            return RedirectResponse(f"/c/{case.key}/exercise", 303)
        if case.state in ("queued", "running"):
            return HTMLResponse(self.pages.page("running.html", case=case, job=case.job))
        if case.inspection is None:
            command = command_line(case)
            wanted = None if case.job is None else next_of_job(case.job)
            page = self.pages.page(
                "draft.html", case=case, job=case.job, command=command, wanted=wanted
            )
            return HTMLResponse(page)
        it = case.inspection
        page = self.pages.page(
            "case.html",
            case=case,
            it=it,
            verdict=VERDICT_WORDS[it.verdict],
            **list_of(it),
            command=command_line(case),
            reported=case.file(REPORT) is not None,
            earlier=self._others(case),
            wanted=next_of_inspection(it.next_picture),
            addable=can_be_added_to(case),
            labelled=can_be_labelled(case),
        )
        return HTMLResponse(page)

    async def rows(self, request: Request) -> Response:
        """The rest of a long list of deposits, a part of a page."""
        inspection = self._done(request).inspection
        assert inspection is not None
        page = await asyncio.to_thread(self.pages.page, "more_rows.html", **list_of(inspection))
        return HTMLResponse(page)

    async def deposit(self, request: Request) -> Response:
        """One deposit explained, a part of a page."""
        case = self._done(request)
        assert case.inspection is not None
        it = explain_number(case.inspection, request.path_params["number"])
        return HTMLResponse(self.pages.page("deposit.html", it=it))

    async def compare(self, request: Request) -> Response:
        """What became of the deposits since another inspection of the connector."""
        before, after = self._pair(request)
        it = await asyncio.to_thread(before_after, before, after)
        return HTMLResponse(
            self.pages.page("compare.html", it=it, before=before, after=after, fates=FATE_WORDS)
        )

    # -- data ------------------------------------------------------------------------------------

    async def data(self, request: Request) -> Response:
        """What the scripts draw a result from."""
        return JSONResponse(case_data(self._done(request)))

    async def moves(self, request: Request) -> Response:
        """What the scripts draw a comparison from."""
        before, after = self._pair(request)
        return JSONResponse(await asyncio.to_thread(comparison_data, before, after))

    async def progress(self, request: Request) -> Response:
        """How far an inspection is."""
        case = self._case(request)
        running = self.runner.current
        if running is not None and running.key == case.key:
            return JSONResponse({"state": "running", **running.to_json()})
        return JSONResponse({"state": case.state})

    async def file(self, request: Request) -> Response:
        """A file of the case, of those that it has."""
        found = files_of(self._case(request)).get(request.path_params["name"])
        if found is None:
            raise HTTPException(404, "there is no such file")
        headers = {} if found.policy is None else {"content-security-policy": found.policy}
        if "v" in request.query_params:  # the page adds when it was inspected
            headers |= KEPT
        return FileResponse(found.path, media_type=found.media_type, headers=headers)

    async def shot(self, request: Request) -> Response:
        """A picture as it was taken in."""
        case = self._case(request)
        name = self._shot(case, request).file
        path, kind = case.file(PICTURES, name), SHOWN.get(Path(name).suffix)
        if path is None or kind is None:
            raise HTTPException(404, "a browser cannot show this picture")
        policy = {"content-security-policy": "default-src 'none'; sandbox"}
        return FileResponse(path, media_type=f"image/{kind}", headers=policy)

    # -- changes ---------------------------------------------------------------------------------

    async def begin(self, request: Request) -> Response:
        """A new case."""
        return JSONResponse({"key": self.shelf.begin().key}, 201)

    async def demo(self, request: Request) -> Response:
        """A case with the shipped pictures of an invented connector."""
        return JSONResponse({"key": begin_demo(self.shelf).key}, 201)

    async def upload(self, request: Request) -> Response:
        """Take in one picture, the body of the request."""
        case = self._open_case(request)
        name = harmless(unquote(request.headers.get(NAME_HEADER, "")))
        check_length(request.headers.get("content-length"), name)
        file = await add_picture(case, request.stream(), name)
        return JSONResponse({"file": file}, 201)

    async def remove(self, request: Request) -> Response:
        """Take one picture out of a case again."""
        case = self._open_case(request)
        assert case.job is not None
        gone = self._shot(case, request)
        kept = tuple(shot for shot in case.job.shots if shot is not gone)
        write_job(case.folder, replace(case.job, shots=kept))
        path = case.file(PICTURES, gone.file)
        if path is not None:
            path.unlink()
        return JSONResponse({})

    async def state(self, request: Request) -> Response:
        """Keep what the form says; answers with the command line that does the same."""
        case = self._open_case(request)
        assert case.job is not None
        write_job(case.folder, with_stated(case.job, await read_form(request)))
        return JSONResponse({"command": command_line(self._case(request))})

    async def start(self, request: Request) -> Response:
        """Inspect."""
        case = self._open_case(request)
        if case.job is None or not case.job.shots:
            raise HTTPException(409, "there is no picture to inspect; add at least one")
        self.runner.start(case)
        return JSONResponse({}, 202)

    async def stop(self, request: Request) -> Response:
        """Cancel an inspection; its pictures and facts stay."""
        self.runner.stop(self._case(request))
        return JSONResponse({}, 202)

    async def again(self, request: Request) -> Response:
        """A new case of the same connector, to be pictured after cleaning."""
        case = self._case(request)
        new = self.shelf.begin()
        if new.job is not None:
            write_job(new.folder, with_stated(new.job, {**_lasting(case), "stage": "cleaned"}))
        return JSONResponse({"key": new.key}, 201)

    async def told(self, request: Request, error: Exception) -> Response:
        """What a person can mend: a page where one was asked for, else one line of JSON."""
        if isinstance(error, HTTPException):
            status, words = error.status_code, error.detail
        else:
            status = STATUS_OF.get(type(error), 422)
            words = str(error)
        if "text/html" in request.headers.get("accept", ""):
            words = f"{words[:1].upper()}{words[1:]}"
            return HTMLResponse(self.pages.page("problem.html", problem=words), status)
        return JSONResponse({"problem": words}, status)

    # -- looking things up -----------------------------------------------------------------------

    def _case(self, request: Request) -> Case:
        case = self.shelf.find(request.path_params["key"])
        if case is None:
            raise HTTPException(404, "there is no such inspection")
        return case

    def _done(self, request: Request) -> Case:
        case = self._case(request)
        if case.inspection is None:
            raise HTTPException(409, "it is not inspected yet")
        return case

    def _pair(self, request: Request) -> tuple[Case, Case]:
        """The two inspections of a comparison, the earlier first."""
        after, before = self._done(request), self.shelf.find(request.path_params["other"])
        if before is None or before.inspection is None or before.key == after.key:
            raise HTTPException(404, "there is no such inspection to compare with")
        return min(before, after, key=_when), max(before, after, key=_when)

    def _open_case(self, request: Request) -> Case:
        case = self._case(request)
        if case.job is None or not case.job.open:
            raise HTTPException(409, "its inspection has begun; inspect it again instead")
        return case

    def _shot(self, case: Case, request: Request) -> Shot:
        shots: tuple[Shot, ...] = () if case.job is None else case.job.shots
        number = int(request.path_params["number"])
        if number >= len(shots):
            raise HTTPException(404, "there is no such picture")
        return shots[number]

    def _others(self, case: Case) -> list[Case]:
        """Other inspections of the same connector, newest first."""
        if case.label is None:
            return []
        same = [each for each in self.shelf.cases() if each.label == case.label]
        return [each for each in same if each.key != case.key and each.inspection is not None]


def _lasting(case: Case) -> dict[str, str]:
    """What was stated of the case's connector and holds for it after a cleaning."""
    if case.job is not None:
        stated = {name: getattr(case.job, name) for name in LASTING}
    else:  # made by the command line
        assert case.inspection is not None
        stated = {name: case.inspection.connector.get(name) for name in LASTING}
    return {
        name: f"{value:g}" if isinstance(value, float) else str(value)
        for name, value in stated.items()
        if value is not None
    }


def _for_worker(settings: Mapping[str, Any]) -> dict[str, Any]:
    known = ("model", "db", "record", "threads")
    return {name: settings[name] for name in known if name in settings}


def _when(case: Case) -> tuple[str, str]:
    return case.created_at, case.key


async def _broke(request: Request, error: Exception) -> Response:
    if isinstance(error, ClientDisconnect):
        return Response(status_code=400)
    traceback.print_exception(error)
    return JSONResponse({"problem": f"internal error, {type(error).__name__}"}, 500)
