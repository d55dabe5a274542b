"""The page's scripts and styles, at addresses that change with their content.

So a browser keeps them for good, and asks anew after an upgrade.
"""

import hashlib
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from .marks import kind_svg, kinds_css

__all__ = ["KEPT", "STATIC", "static_routes"]

FOLDER = Path(__file__).parent / "static"
KEPT = {"cache-control": "private, max-age=31536000, immutable"}


def _version() -> str:
    digest = hashlib.sha256(kinds_css("").encode())
    for path in sorted(FOLDER.iterdir()):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:12]


STATIC = f"/static/{_version()}"


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
        Route(f"{STATIC}/kinds/{{name:str}}.svg", _kind_svg),
        Mount(STATIC, KeptFiles(directory=FOLDER)),
    ]


async def _kinds_css(request: Request) -> Response:
    return PlainTextResponse(kinds_css(STATIC), media_type="text/css", headers=KEPT)


async def _kind_svg(request: Request) -> Response:
    drawn = kind_svg(request.path_params["name"])
    if drawn is None:
        raise HTTPException(404, "there is no such kind")
    return PlainTextResponse(drawn, media_type="image/svg+xml", headers=KEPT)
