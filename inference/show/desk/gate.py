"""Who may talk to the desk: this computer's browser that was opened with the token, nobody else.

Every request must name the desk's own host (a page elsewhere that rebinds its name does not), come
from no other site, and carry the cookie that the one-time token was changed for. One that changes
something must also carry the page's own token in a header, which no other site can set.
"""

import hashlib
import hmac
import os
import secrets
from collections.abc import Mapping
from pathlib import Path
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["POST_HEADER", "Gate", "Keys"]

POST_HEADER = "x-fiberward-desk"
SESSION_FILE = ".desk-session"
OPEN_PATH = "/open"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}


class Keys:
    """The secrets of one desk.

    The session's is kept in the desk's folder, for its owner only, so that a page that is open goes
    on after the server was started again. The opening token is new each time and works once.
    """

    def __init__(self, session: str) -> None:
        self._session = session
        self._opening: str | None = secrets.token_urlsafe(24)

    @classmethod
    def of(cls, folder: Path) -> "Keys":
        """The keys of the desk in `folder`, made where there are none."""
        path = folder / SESSION_FILE
        try:
            session = path.read_text(encoding="ascii").strip()
        except (OSError, ValueError):
            session = ""
        if len(session) < 32:
            session = secrets.token_urlsafe(32)
            path.unlink(missing_ok=True)
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "w", encoding="ascii") as file:
                file.write(session)
        return cls(session)

    @property
    def opening(self) -> str:
        """The token of the address to open; a new one where it was used."""
        self._opening = self._opening or secrets.token_urlsafe(24)
        return self._opening

    @property
    def cookie(self) -> str:
        """The cookie's value."""
        return self._derived("cookie")

    @property
    def post(self) -> str:
        """What the page sends along with each change."""
        return self._derived("post")

    def takes_opening(self, token: str) -> bool:
        """Whether this is the opening token; it is used up."""
        fits = self._opening is not None and _same(token, self._opening)
        if fits:
            self._opening = None
        return fits

    def _derived(self, use: str) -> str:
        return hmac.new(self._session.encode(), use.encode(), hashlib.sha256).hexdigest()


class Gate:
    """Refuses requests before the application sees them; adds the headers that bind the browser."""

    def __init__(self, app: ASGIApp, port: int, keys: Keys) -> None:
        self.app, self.keys = app, keys
        self.hosts = (f"127.0.0.1:{port}", f"localhost:{port}")
        # cookies do not tell ports apart
        self.cookie_name = f"fiberward-desk-{port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        answer = self._answer(scope)
        await (answer or self.app)(scope, receive, _with_headers(send))

    def _answer(self, scope: Scope) -> Response | None:
        """The gate's own answer; None to let the request in."""
        headers = Headers(scope=scope)
        if len(headers.getlist("host")) != 1 or headers["host"] not in self.hosts:
            return _refused("this desk has another address", 421)
        changes = scope["method"] not in ("GET", "HEAD")
        if scope["path"] == OPEN_PATH and not changes:
            return self._open(scope)
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return _refused("another site sent this", 403)
        if not _same(self._cookie(headers), self.keys.cookie):
            return _refused(
                "open the desk with the address that `fiberward desk` printed (it works once)", 401
            )
        if changes:
            own = [f"http://{host}" for host in self.hosts]
            if headers.get("origin", own[0]) not in own:
                return _refused("another site sent this", 403)
            if not _same(headers.get(POST_HEADER, ""), self.keys.post):
                return _refused("the page's token is missing; load the page again", 403)
        return None

    def _open(self, scope: Scope) -> Response:
        """Change the one-time token for the cookie."""
        token = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        known = _same(self._cookie(Headers(scope=scope)), self.keys.cookie)
        if not self.keys.takes_opening(token) and not known:
            return _refused("this address was used before; start `fiberward desk` again", 401)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(self.cookie_name, self.keys.cookie, httponly=True, samesite="strict")
        return answer

    def _cookie(self, headers: Mapping[str, str]) -> str:
        pairs = (each.strip().partition("=") for each in headers.get("cookie", "").split(";"))
        return next((value for name, _, value in pairs if name == self.cookie_name), "")


def _same(given: str, expected: str) -> bool:
    return hmac.compare_digest(given.encode(), expected.encode())


def _refused(why: str, status: int) -> Response:
    return PlainTextResponse(f"Refused: {why}.\n", status)


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sending
