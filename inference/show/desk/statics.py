"""The page's scripts and styles, at addresses that change with their content.

So a browser keeps them for good, and asks anew after an upgrade.
"""

import hashlib
from pathlib import Path

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from .marks import kinds_css, kinds_svg

__all__ = ["KEPT", "STATIC", "static_routes"]

FOLDER = Path(__file__).parent / "static"
KEPT = {"cache-control": "private, max-age=31536000, immutable"}


def _version() -> str:
    digest = hashlib.sha256((kinds_css("") + kinds_svg()).encode())
    for path in sorted(FOLDER.iterdir()):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:12]


STATIC = f"/static/{_version()}"
KINDS_SVG = f"{STATIC}/kinds.svg"


class KeptFiles(StaticFiles):
    """Files that a browser need not ask for again."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        """As `StaticFiles.get_response`."""
        response = await super().get_response(path, scope)
        response.headers.update(KEPT)
        return response


def static_routes() -> list[Route | Mount]:
    """Their addresses."""
    return [
        Route(f"{STATIC}/kinds.css", _kinds_css),
        Route(KINDS_SVG, _kinds_svg),
        Mount(STATIC, KeptFiles(directory=FOLDER)),
    ]


async def _kinds_css(request: Request) -> Response:
    return PlainTextResponse(kinds_css(KINDS_SVG), media_type="text/css", headers=KEPT)


async def _kinds_svg(request: Request) -> Response:
    return PlainTextResponse(kinds_svg(), media_type="image/svg+xml", headers=KEPT)
