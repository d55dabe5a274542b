"""Lab sheets on the page: blank plans of experiments, to print and to fill in."""

import asyncio

from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from ....model.errors import UsageError
from ...keep.lab_sheets import LabSheet, Stated, make_sheet, sheet_csv
from ..lab_sheet import numbers_in, sheet_document, words_in
from .pages import Pages
from .recorded import report_answer

__all__ = ["Sheets"]

MOST_LETTERS = 120
MOST_ROWS = 2000
FIELDS = ("experiment", "connectors", "methods", "lots", "matings", "raters", "same", "seed", "as")


class Sheets:
    """The form for a lab sheet, and the sheet. Nothing is kept: the same form makes it again."""

    def __init__(self, pages: Pages) -> None:
        self.pages = pages

    def routes(self) -> list[Route]:
        """Their addresses."""
        return [Route("/sheet", self.form), Route("/sheet/made", self.made)]

    async def form(self, request: Request) -> Response:
        """What to plan."""
        return HTMLResponse(self.pages.page("sheet.html"))

    async def made(self, request: Request) -> Response:
        """The sheet as a page, with ?as=pdf as PDF/A, with ?as=csv as the table to fill in."""
        asked = _asked(request.query_params)
        try:
            sheet = await asyncio.to_thread(_sheet, asked)
        except UsageError as error:
            # the form has no options of a command line
            raise UsageError(str(error).replace("--", "")) from error
        text = sheet_csv(sheet)
        if asked["as"] == "csv":
            kept = {"content-disposition": 'attachment; filename="sheet.csv"'}
            return Response(text, media_type="text/csv; charset=utf-8", headers=kept)
        return await report_answer(sheet_document(sheet, text), request)


def _asked(query: QueryParams) -> dict[str, str]:
    asked = {name: query.get(name, "").strip() for name in FIELDS}
    for name, value in asked.items():
        if len(value) > MOST_LETTERS or not value.isprintable():
            raise UsageError(f"{name}: expected one line of at most {MOST_LETTERS} letters")
    return asked


def _sheet(asked: dict[str, str]) -> LabSheet:
    stated = Stated(
        connectors=_count("connectors", asked["connectors"], 12),
        methods=words_in(asked["methods"]),
        lots=words_in(asked["lots"]),
        matings=numbers_in(asked["matings"]),
        raters=words_in(asked["raters"]),
        same=asked["same"] == "yes",
        seed=_count("seed", asked["seed"], 1),
    )
    sheet = make_sheet(asked["experiment"], stated)
    if len(sheet.rows) > MOST_ROWS:
        raise UsageError(f"a sheet of {len(sheet.rows)} rows: plan fewer connectors")
    return sheet


def _count(name: str, text: str, usual: int) -> int:
    """A whole number below 10000."""
    if not text:
        return usual
    if not (text.isascii() and text.isdigit() and len(text) < 5):
        raise UsageError(f"{name}: expected a whole number, as {usual}")
    return int(text)
