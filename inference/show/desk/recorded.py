"""The records on the page: a list, single inspections, their history, reports, a study of them."""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, Response
from starlette.routing import Route

from ....model.errors import UsageError
from ...keep.database import Place
from ...keep.find_records import (
    InspectionRow,
    Overrule,
    Wanted,
    files_of,
    find_uid,
    history,
    inspection_of,
    overrules_of,
    rows,
)
from ...keep.inspection import VERDICTS, Inspection
from ...keep.records import Records
from ...keep.study import make_study
from ...keep.study_records import data_of
from ..document import Document, document_page
from ..reports import connector_report, lot_report, pair_report
from ..study_report import study_document
from .pages import REPORT_POLICY, Pages, ranked

__all__ = ["Recorded", "report_answer"]

T = TypeVar("T")
MOST_ROWS = 500
FIELDS = ("label", "lot", "method", "verdict", "since", "until")
MOST_LETTERS = 120
MAP = "travel-map.png"


@dataclass(frozen=True)
class Bar:
    """One inspection in the drawing of a history, in the drawing's units."""

    x: float
    height: float
    stops: float
    row: InspectionRow


@dataclass(frozen=True)
class Record:
    """One recorded inspection with what a person said of it and its connector's others."""

    row: InspectionRow
    inspection: Inspection
    overrules: Sequence[Overrule]
    history: Sequence[InspectionRow]
    has_map: bool


class Recorded:
    """The pages of the records at `db` (see `Place.stated`); nothing is made where none are."""

    def __init__(self, pages: Pages, db: str | None) -> None:
        self.pages, self.db = pages, db

    def routes(self) -> list[Route]:
        """Their addresses."""
        return [
            Route("/records", self.listed),
            Route("/records/study", self.study),
            Route("/records/lot", self.lot),
            Route("/records/{uid:str}", self.show),
            Route("/records/{uid:str}/map", self.map),
            Route("/records/{uid:str}/report", self.report),
        ]

    async def listed(self, request: Request) -> Response:
        """The recorded inspections that were asked for, newest first."""
        asked = _asked(request)
        if self._missing():
            found: list[InspectionRow] = []
        else:
            wanted = Wanted(**asked, limit=MOST_ROWS)
            found = await self._reading(lambda records: rows(records, wanted))
        page = self.pages.page(
            "records.html", rows=found[::-1], asked=asked, names=VERDICTS, most=MOST_ROWS
        )
        return HTMLResponse(page)

    async def show(self, request: Request) -> Response:
        """One recorded inspection."""
        it = await self._reading(lambda records: _record(records, request.path_params["uid"]))
        page = self.pages.page(
            "record.html", it=it, bars=bars_of(it.history), deposits=ranked(it.inspection)
        )
        return HTMLResponse(page)

    async def map(self, request: Request) -> Response:
        """The travel map kept with one."""

        def find(records: Records) -> Path | None:
            uid = find_uid(records, request.path_params["uid"])
            return next((path for _, name, path in files_of(records, uid) if name == MAP), None)

        path = await self._reading(find)
        if path is None or not path.is_file():
            raise HTTPException(404, "no travel map was kept with it")
        return FileResponse(path, media_type="image/png")

    async def study(self, request: Request) -> Response:
        """The report of a study of the inspections asked for."""
        asked = _asked(request)
        asked.pop("verdict", None)
        wanted = Wanted(**asked)
        study = await self._reading(lambda records: make_study(data_of(records, wanted)))
        chosen = ", ".join(f"{name} {value}" for name, value in asked.items())
        title = f"Study: {chosen}" if chosen else "Study of all records"
        return await report_answer(study_document(study, title), request)

    async def lot(self, request: Request) -> Response:
        """The report of a lot."""
        lot = _asked(request).get("lot", "")
        return await report_answer(
            await self._reading(lambda records: lot_report(records, lot)), request
        )

    async def report(self, request: Request) -> Response:
        """The report of an inspection; of `before` and it, where that is asked for."""
        uid, before = request.path_params["uid"], request.query_params.get("before")

        def make(records: Records) -> Document:
            if before is None:
                return connector_report(records, uid)
            return pair_report(records, before, uid)

        return await report_answer(await self._reading(make), request)

    def _missing(self) -> bool:
        file = Place.stated(self.db).file
        return file is not None and not file.exists()

    async def _reading(self, read: Callable[[Records], T]) -> T:
        if self._missing():
            raise HTTPException(404, "there are no records yet")

        def work() -> T:
            with Records.open(self.db) as records:
                return read(records)

        return await asyncio.to_thread(work)


async def report_answer(document: Document, request: Request) -> Response:
    """A report as a page that can run nothing, or with ?as=pdf as PDF/A to be kept."""
    if request.query_params.get("as") != "pdf":
        page = await asyncio.to_thread(document_page, document)
        return HTMLResponse(page, headers={"content-security-policy": REPORT_POLICY})
    from ..pdf import document_pdf

    made = await asyncio.to_thread(document_pdf, document)
    kept = {"content-disposition": 'attachment; filename="fiberward-report.pdf"'}
    return Response(made, media_type="application/pdf", headers=kept)


def _asked(request: Request) -> dict[str, Any]:
    """What of the records was asked for; raises UsageError for what cannot be meant."""
    asked = {name: request.query_params.get(name, "").strip() for name in FIELDS}
    for name, value in asked.items():
        if len(value) > MOST_LETTERS or not value.isprintable():
            raise UsageError(f"{name}: expected one line of at most {MOST_LETTERS} letters")
    if asked["verdict"] not in ("", *VERDICTS):
        raise UsageError(f"verdict: expected one of {', '.join(VERDICTS)}")
    for name in ("since", "until"):
        if asked[name] and not _begins_with_a_day(asked[name]):
            raise UsageError(f"{name}: expected a day, as 2026-01-31")
    return {name: value for name, value in asked.items() if value}


def _begins_with_a_day(text: str) -> bool:
    try:
        return date.fromisoformat(text[:10]).isoformat() == text[:10]
    except ValueError:
        return False


def _record(records: Records, start: str) -> Record:
    uid = find_uid(records, start)
    inspection = inspection_of(records, uid)
    connector = inspection.connector
    same = history(records, str(connector["label"]), connector.get("end"))
    row = next(each for each in same if each.uid == uid)
    kept = any(name == MAP for _, name, _ in files_of(records, uid))
    return Record(row, inspection, overrules_of(records, uid), same, kept)


def bars_of(rows: Sequence[InspectionRow], height: float = 90, step: float = 26) -> list[Bar]:
    """The bars of a history: deposits found, and in the way, of each inspection."""
    most = max((row.deposits for row in rows), default=0) or 1
    return [
        Bar(k * step, height * row.deposits / most, height * row.stops / most, row)
        for k, row in enumerate(rows)
    ]
