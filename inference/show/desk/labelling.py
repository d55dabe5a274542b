"""The pages on which pictures are labelled, ranked by what would teach the net most."""

import asyncio
import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from ....model.errors import UsageError
from ....model.kinds import KINDS
from ....model.surfaces import SURFACES
from ...keep.files import write_atomically
from ..jobs import file_name
from ..pictures_out import png_bytes
from .coco import CocoFile
from .forms import read_form
from .job import PICTURES
from .labels import NOT_ANNOTATED, PLANES, add_stroke, checked_stroke, paint, read_strokes, undone
from .pages import Pages, files_of, kind_rows
from .shelf import Case, Shelf

__all__ = ["LABELS", "Labelling", "can_be_labelled"]

LABELS = "labels"
MOST_SIDE_PX = 16_384  # what the browsers' canvases can hold; a picture is at most 150 megapixels
COCO_FILE = "labels-coco.json"  # beside the folder: in it retraining would take it for labels too


@dataclass(frozen=True)
class Labelled:
    """One picture that can be labelled; `strokes`: those that hold."""

    case: Case
    index: int
    picture: str
    doubt: float | None
    strokes: int


class Labelling:
    """The pages of labelling; `command` retrains on what is labelled here."""

    def __init__(self, pages: Pages, shelf: Shelf, command: str) -> None:
        self.pages, self.shelf, self.command = pages, shelf, command

    def routes(self) -> list[Route]:
        """Their addresses."""
        one = "/c/{key:str}/label/{index:int}"
        return [
            Route("/label", self.listed),
            Route("/label/export", self.export, methods=["POST"]),
            Route(one, self.show),
            Route(f"{one}/strokes", self.strokes),
            Route(f"{one}/strokes", self.add, methods=["POST"]),
        ]

    async def listed(self, request: Request) -> Response:
        """All pictures, those that the net is least sure of first."""
        rows = await asyncio.to_thread(self._all)
        return HTMLResponse(self.pages.page("labels.html", rows=rows, command=self.command))

    async def show(self, request: Request) -> Response:
        """One picture to label."""
        case, index = self._picture(request)
        assert case.inspection is not None
        page = self.pages.page(
            "label.html",
            case=case,
            index=index,
            view=case.inspection.views[index],
            surfaces=SURFACES,
            others=can_be_labelled(case),
            kind_list=KINDS,
        )
        return HTMLResponse(page)

    async def strokes(self, request: Request) -> Response:
        """What was painted on a picture so far, and what its page needs."""
        case, index = self._picture(request)
        files = files_of(case)
        page = case.page["views"][index]
        height, width = self._size(case, index)
        return JSONResponse(
            {
                "strokes": read_strokes(case, index),
                "width": width,
                "height": height,
                "picture": page["file"] if page["file"] in files else None,
                "tiles": page.get("tiles"),
                "net": {plane: f"{plane}-{index}.png" for plane in PLANES},
                "kinds": kind_rows(),
            }
        )

    async def add(self, request: Request) -> Response:
        """Keep one stroke; it is on the disk when this is answered."""
        case, index = self._picture(request)
        form: Mapping[str, Any] = await read_form(request)
        number, given = form.get("number"), form.get("stroke")
        if not isinstance(number, int) or not isinstance(given, dict):
            raise UsageError("expected the number of a stroke, and the stroke")
        stroke = checked_stroke(given, self._size(case, index))  # pyright: ignore[reportUnknownArgumentType]
        return JSONResponse({"strokes": add_stroke(case, index, number, stroke)}, 201)

    async def export(self, request: Request) -> Response:
        """Write every labelled picture with its masks, as retraining takes them, and as COCO."""
        written = await asyncio.to_thread(self._export)
        folder = self.shelf.folder
        places = {"folder": str(folder / LABELS), "coco": str(folder / COCO_FILE)}
        return JSONResponse({"pictures": written, **places})

    def _all(self) -> list[Labelled]:
        rows: list[Labelled] = []
        for case in self.shelf.cases():
            for index in can_be_labelled(case):
                assert case.inspection is not None
                doubt = case.page["views"][index].get("doubt")
                strokes = len(undone(read_strokes(case, index)))
                picture = case.inspection.views[index].picture
                rows.append(Labelled(case, index, picture, doubt, strokes))
        return sorted(rows, key=lambda row: (row.strokes > 0, -(row.doubt or 0.0)))

    def _picture(self, request: Request) -> tuple[Case, int]:
        case = self.shelf.find(request.path_params["key"])
        index = int(request.path_params["index"])
        if case is None or index not in can_be_labelled(case):
            raise HTTPException(404, "there is no such picture to label")
        return case, index

    def _size(self, case: Case, index: int) -> tuple[int, int]:
        assert case.inspection is not None
        view = case.inspection.views[index]
        return view.height_px or 0, view.width_px or 0

    def _export(self) -> int:
        rows = [row for row in self._all() if row.strokes]
        coco = CocoFile()
        for row in rows:
            _export_one(row, self.shelf.folder / LABELS, coco)
        document = json.dumps(coco.document(), ensure_ascii=False).encode()
        write_atomically(self.shelf.folder / COCO_FILE, document)
        return len(rows)


def can_be_labelled(case: Case) -> list[int]:
    """Which of a case's pictures the page can label: looked at by the net, and not too large."""
    if case.job is None or case.job.exercise or case.inspection is None:
        return []
    views = enumerate(zip(case.inspection.views, case.page.get("views", ()), strict=False))
    return [
        index
        for index, (view, row) in views
        if row.get("index") is not None
        and view.width_px
        and max(view.width_px, view.height_px or 0) <= MOST_SIDE_PX
    ]


def _export_one(row: Labelled, folder: Path, coco: CocoFile) -> None:
    """One picture and its masks into its connector's folder (a mask that is empty: none)."""
    case = row.case
    assert case.inspection is not None
    target = folder / file_name(case.label or case.folder.name)
    target.mkdir(parents=True, exist_ok=True)
    stem = f"{case.folder.name}-{case.inspection.views[row.index].stem}"
    original = case.file(PICTURES, row.picture)
    if original is None:
        raise UsageError(f"{row.picture}: its file is no longer in {case.folder}")
    shutil.copyfile(original, target / f"{stem}{original.suffix}")
    strokes = read_strokes(case, row.index)
    masks = {plane: paint(strokes, plane, _net_mask(case, row.index, plane)) for plane in PLANES}
    coco.add(f"{target.name}/{stem}{original.suffix}", masks["surfaces"], masks["deposits"])
    for plane, mask in masks.items():
        path = target / f"{stem}.{plane}.png"
        if (mask != NOT_ANNOTATED).any():
            write_atomically(path, png_bytes(mask))
        else:
            path.unlink(missing_ok=True)
    journal = "".join(json.dumps(stroke) + "\n" for stroke in strokes)
    write_atomically(target / f"{stem}.strokes.jsonl", journal.encode())


def _net_mask(case: Case, index: int, plane: str) -> npt.NDArray[np.uint8]:
    """What the net said, as the inspection wrote it."""
    from PIL import Image

    found = files_of(case).get(f"{plane}-{index}.png")
    if found is None:
        raise UsageError(f"{case.folder}: the inspection's masks are no longer there")
    with Image.open(found.path) as image:
        return np.asarray(image, np.uint8)
