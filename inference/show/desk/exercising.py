"""The pages of exercises: invented connectors whose truth is known, the machine's answer hidden."""

import asyncio
import json
import secrets
import shutil
import sys
import tempfile
from collections.abc import Mapping
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any, cast

import numpy as np
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from ....model.errors import UsageError
from ....model.kinds import KINDS
from ...keep.files import write_atomically
from ...record import utc_now
from .exercise import Mark, Truth, score_machine, score_marks
from .forms import read_form
from .job import PICTURES, Job, Shot
from .pages import Pages, files_of, kind_rows
from .runner import Runner
from .shelf import EXTRAS, Case, Shelf

__all__ = ["Exercising", "is_exercise", "is_hidden"]

RUN = "import sys; from fiberward.inference.show.app import main; sys.exit(main(sys.argv[1:]))"
VIEWS, SIZE = 4, "960x720"
DRAW_WAIT_S = 300.0
MOST_MARKS = 300
DONE = "exercise.json"


class Exercising:
    """Draws exercises, takes a learner's marks, and only then tells the truth."""

    def __init__(self, pages: Pages, shelf: Shelf, runner: Runner) -> None:
        self.pages, self.shelf, self.runner = pages, shelf, runner
        self._drawing = asyncio.Lock()

    def routes(self) -> list[Route]:
        """Their addresses."""
        one = "/c/{key:str}/exercise"
        return [
            Route("/exercises", self.listed),
            Route("/exercises/draw", self.draw, methods=["POST"]),
            Route(one, self.show),
            Route(f"{one}/data", self.data),
            Route(f"{one}/truth/{{index:int}}", self.truth),
            Route(f"{one}/marks", self.mark, methods=["POST"]),
        ]

    async def listed(self, request: Request) -> Response:
        """All exercises, and how they went."""
        cases = [case for case in self.shelf.cases() if is_exercise(case)]
        rows = [(case, _scores(case)) for case in cases]
        return HTMLResponse(self.pages.page("exercises.html", rows=rows, can_draw=_can_draw()))

    async def draw(self, request: Request) -> Response:
        """Draw an invented connector, and inspect it out of the learner's sight."""
        if not _can_draw():
            raise UsageError("drawing exercises needs the training parts: pip install '.[train]'")
        if self._drawing.locked():
            raise HTTPException(409, "an exercise is being drawn already")
        async with self._drawing:
            with tempfile.TemporaryDirectory() as folder:
                await _rendered(Path(folder))
                case = await asyncio.to_thread(self._begin, Path(folder))
        self.runner.start(case)
        return JSONResponse({"key": case.key}, 201)

    async def show(self, request: Request) -> Response:
        """The pictures to mark; after that what was missed."""
        case = self._case(request)
        if case.state in ("queued", "running"):
            return HTMLResponse(self.pages.page("running.html", case=case, job=case.job))
        if case.inspection is None:
            raise HTTPException(409, "this exercise could not be prepared; draw another")
        page = self.pages.page(
            "exercise.html", case=case, views=case.inspection.views, kind_list=KINDS[1:]
        )
        return HTMLResponse(page)

    async def data(self, request: Request) -> Response:
        """The pictures; with the marks and scores once they are given."""
        case = self._case(request)
        assert case.inspection is not None
        views = [
            {"picture": row["file"], "width": view.width_px, "height": view.height_px}
            for row, view in zip(case.page["views"], case.inspection.views, strict=True)
        ]
        return JSONResponse({"views": views, "kinds": kind_rows(), "done": _scores(case)})

    async def truth(self, request: Request) -> Response:
        """The kinds of the true deposits of one picture, as an index picture, once marks are in."""
        case, index = self._case(request), int(request.path_params["index"])
        if _scores(case) is None:
            raise HTTPException(409, "say first what you see")
        path = case.file(EXTRAS, f"truth-{index}.deposits.png")
        if path is None:
            raise HTTPException(404, "there is no such picture")
        return Response(await asyncio.to_thread(path.read_bytes), media_type="image/png")

    async def mark(self, request: Request) -> Response:
        """Take the marks of all pictures, once, and score them."""
        case = self._case(request)
        if _scores(case) is not None:
            raise HTTPException(409, "this exercise is done; draw another")
        if case.inspection is None:
            raise HTTPException(409, "this exercise is not ready yet")
        marks = _marks(await read_form(request), len(case.inspection.views))
        done = await asyncio.to_thread(_scored, case, marks)
        write_atomically(case.folder / EXTRAS / DONE, json.dumps(done).encode())
        return JSONResponse(done, 201)

    def _begin(self, folder: Path) -> Case:
        pictures = sorted(folder.glob("*-?.jpg"))
        truth = json.loads(next(folder.glob("c*.json")).read_bytes())
        turns = [row.get("turn_deg") for row in truth["views"]]
        shots = tuple(
            Shot(f"view-{k + 1}.jpg", "-" if turn is None else f"{turn % 360:g}")
            for k, turn in enumerate(turns)
        )
        job = Job(utc_now(), shots, came_from="exercise", exercise=True)
        case = self.shelf.begin(job)
        extras = case.folder / EXTRAS
        extras.mkdir()
        for k, (picture, shot) in enumerate(zip(pictures, shots, strict=True)):
            shutil.copyfile(picture, case.folder / PICTURES / shot.file)
            for part in ("deposits", "instances"):
                mask = picture.with_name(f"{picture.stem}.{part}.png")
                shutil.copyfile(mask, extras / f"truth-{k}.{part}.png")
        return case

    def _case(self, request: Request) -> Case:
        case = self.shelf.find(request.path_params["key"])
        if case is None or not is_exercise(case):
            raise HTTPException(404, "there is no such exercise")
        return case


def is_exercise(case: Case) -> bool:
    """Whether a case is an exercise."""
    return case.job is not None and case.job.exercise


def is_hidden(case: Case) -> bool:
    """Whether a case's result is hidden until the learner has said what they see."""
    return is_exercise(case) and _scores(case) is None


def _can_draw() -> bool:
    return any(point.name == "render" for point in entry_points(group="fiberward.commands"))


async def _rendered(folder: Path) -> None:
    """One invented connector's pictures and truth; raises UsageError where that fails."""
    words = ["render", "--count", "1", "--views", str(VIEWS), "--size", SIZE, "--quiet"]
    words += ["--seed", str(secrets.randbelow(1_000_000)), "--out", str(folder)]
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        # -P: nothing is imported from the folder that the desk was started in
        *("-P", "-c", RUN, *words),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        async with asyncio.timeout(DRAW_WAIT_S):
            _, said = await process.communicate()
    except TimeoutError as error:
        raise UsageError("drawing the exercise took too long; try again") from error
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    if process.returncode != 0:
        last = said.decode(errors="replace").strip().rpartition("\n")[2][:200]
        raise UsageError(f"the exercise could not be drawn: {last}")


def _marks(form: Mapping[str, Any], views: int) -> list[list[Mark]]:
    """The marks by picture; raises UsageError for what are none."""
    rows = form.get("marks")
    if not isinstance(rows, list) or len(cast(list[Any], rows)) != views:
        raise UsageError("marks: expected a list for each picture")
    try:
        found = [[_mark(*mark) for mark in row] for row in cast(list[list[list[Any]]], rows)]
    except (TypeError, ValueError, OverflowError) as error:
        raise UsageError("marks: expected x, y and kind of each") from error
    if max(map(len, found), default=0) > MOST_MARKS:
        raise UsageError(f"marks: expected {MOST_MARKS} in a picture at most")
    return found


def _mark(x: Any, y: Any, kind: Any) -> Mark:
    if not isinstance(kind, int) or not 0 < kind < len(KINDS):
        raise ValueError(kind)
    mark = Mark(float(x), float(y), kind)
    if not (np.isfinite(mark.x) and np.isfinite(mark.y)):
        raise ValueError(x)
    return mark


def _scored(case: Case, marks: list[list[Mark]]) -> dict[str, Any]:
    views: list[dict[str, Any]] = []
    for index, row in enumerate(marks):
        truth = _truth(case, index)
        machine = _plane(files_of(case)[f"view-{index}.png"].path)
        learner, net = score_marks(truth, row), score_machine(truth, machine)
        given = [[mark.x, mark.y, mark.kind] for mark in row]
        views.append({"marks": given, "learner": learner.to_json(), "machine": net.to_json()})
    return {"views": views}


def _truth(case: Case, index: int) -> Truth:
    assert case.inspection is not None
    view = case.inspection.views[index]
    extras = case.folder / EXTRAS
    limit, scale = view.detection_limit_um, view.um_per_px
    limit_px = limit / scale if limit is not None and scale else 0.0
    instances = _plane(extras / f"truth-{index}.instances.png")
    return Truth(instances, _plane(extras / f"truth-{index}.deposits.png"), limit_px)


def _plane(path: Path) -> Any:
    from PIL import Image

    with Image.open(path) as image:
        return np.asarray(image)


def _scores(case: Case) -> dict[str, Any] | None:
    """What was said of an exercise, and what it was worth; None before that."""
    try:
        return json.loads((case.folder / EXTRAS / DONE).read_bytes())
    except (OSError, ValueError):
        return None
