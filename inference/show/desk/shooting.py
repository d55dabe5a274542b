"""Pictures by the camera of the workstation, one connector at a time, and more of an old one."""

import shutil
from dataclasses import replace

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from ...keep.cautions import CAUTIONS
from ...record import utc_now
from .camera import LiveCamera
from .forms import read_form
from .intake import add_picture, chunks_of
from .job import PICTURES, Job, read_job, write_job
from .pages import Pages
from .shelf import Case, Shelf
from .wanted import next_of_inspection, next_of_job

__all__ = ["Shooting", "can_be_added_to"]


def can_be_added_to(case: Case) -> bool:
    """Whether one more picture can be inspected together with those of a case.

    Not after a cleaning that was judged: the next look at it is a look after another cleaning.
    """
    if case.job is None or case.inspection is None:
        return False
    return case.job.stage != "cleaned" or case.inspection.verdict == "reshoot"


class Shooting:
    """The pages of taking pictures with the camera."""

    def __init__(self, pages: Pages, shelf: Shelf, camera: LiveCamera) -> None:
        self.pages, self.shelf, self.camera = pages, shelf, camera

    def routes(self) -> list[Route]:
        """Their addresses."""
        case = "/c/{key:str}"
        return [
            Route("/camera", self.state),
            Route("/camera/frame", self.frame),
            Route("/camera/cancel", self.cancel, methods=["POST"]),
            Route(f"{case}/camera", self.show),
            Route(f"{case}/camera", self.begin, methods=["POST"]),
            Route(f"{case}/take", self.take, methods=["POST"]),
            Route(f"{case}/more", self.more, methods=["POST"]),
        ]

    async def show(self, request: Request) -> Response:
        """The live picture, what it can show, and which picture is wanted."""
        case, job = self._open(request)
        page = self.pages.page(
            "camera.html", case=case, job=job, wanted=next_of_job(job), cautions=CAUTIONS
        )
        return HTMLResponse(page)

    async def begin(self, request: Request) -> Response:
        """Watch the camera for a case."""
        _, job = self._open(request)
        await self.camera.begin(None if job.ferrule_mm is None else float(job.ferrule_mm))
        return JSONResponse({}, 202)

    async def state(self, request: Request) -> Response:
        """What the camera sees by now."""
        return JSONResponse(self.camera.state())

    async def frame(self, request: Request) -> Response:
        """The live picture."""
        if self.camera.jpeg is None:
            raise HTTPException(404, "the camera has shown nothing yet")
        return Response(self.camera.jpeg, media_type="image/jpeg")

    async def cancel(self, request: Request) -> Response:
        """Keep no picture of the burst that is being taken."""
        self.camera.cancel()
        return JSONResponse({}, 202)

    async def take(self, request: Request) -> Response:
        """Keep the best frame of a burst as the case's next picture."""
        case, job = self._open(request)
        turn = (await read_form(request)).get("turn", "-")
        found, png = await self.camera.take()
        wanted = next_of_job(job)
        number = len(job.shots) + 1
        stated = "-" if wanted is None or turn != wanted.turn else wanted.turn
        file = await add_picture(case, chunks_of(png), f"camera-{number}.png", stated)
        now = read_job(case.folder)
        if now is not None:
            write_job(case.folder, replace(now, next_tilt_deg=None, next_turn_deg=None))
        return JSONResponse({"file": file, **found}, 201)

    async def more(self, request: Request) -> Response:
        """A new case with the pictures and facts of one that is inspected, to add a picture to."""
        case = self._case(request)
        if case.inspection is None or case.job is None:
            raise HTTPException(409, "only what was inspected on this page can be added to")
        if not can_be_added_to(case):
            raise HTTPException(409, "it was cleaned since: take all pictures anew")
        wanted = next_of_inspection(case.inspection.next_picture)
        job = replace(
            case.job,
            created_at=utc_now(),
            state="draft",
            problem=None,
            more=True,
            next_tilt_deg=None if wanted is None else wanted.tilt_deg,
            next_turn_deg=None if wanted is None else wanted.turn_deg,
        )
        new = self.shelf.begin(job)
        for shot in job.shots:
            path = case.file(PICTURES, shot.file)
            if path is None:
                raise HTTPException(409, f"{shot.file}: is no longer in {case.folder}")
            shutil.copyfile(path, new.folder / PICTURES / shot.file)
        return JSONResponse({"key": new.key}, 201)

    def _case(self, request: Request) -> Case:
        case = self.shelf.find(request.path_params["key"])
        if case is None:
            raise HTTPException(404, "there is no such inspection")
        return case

    def _open(self, request: Request) -> tuple[Case, Job]:
        case = self._case(request)
        if case.job is None or not case.job.open:
            raise HTTPException(409, "its inspection has begun; inspect it again instead")
        return case, case.job
