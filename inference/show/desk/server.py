"""The server: uvicorn on the loopback, with limits for clients that are many, large or slow."""

import asyncio
import socket
from pathlib import Path
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from ....model.errors import UsageError
from .app import Desk

__all__ = ["MOST_CONNECTIONS", "listen", "serve"]

HOST = "127.0.0.1"
MOST_CONNECTIONS = 100
HEADER_WAIT_S = 10.0  # for the whole head of a request
KEEP_ALIVE_S = 15


class PatientProtocol(H11Protocol):
    """HTTP/1.1 that ends a connection whose next request takes too long to arrive."""

    def connection_made(self, transport: Any) -> None:
        """Begin, and keep watch."""
        super().connection_made(transport)
        self._idle_s = 0.0
        self._watch = self.loop.call_later(HEADER_WAIT_S / 4, self._look)

    def connection_lost(self, exc: Exception | None) -> None:
        """End."""
        self._watch.cancel()
        super().connection_lost(exc)

    def _look(self) -> None:
        cycle: Any = self.cycle  # None before the first request, whatever the annotation says
        at_work = cycle is not None and not cycle.response_complete
        self._idle_s = 0.0 if at_work else self._idle_s + HEADER_WAIT_S / 4
        if self._idle_s > HEADER_WAIT_S:
            self.transport.close()
        else:
            self._watch = self.loop.call_later(HEADER_WAIT_S / 4, self._look)


def listen(port: int) -> socket.socket:
    """A listening socket on the loopback; port 0 takes a free one. Raises UsageError."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((HOST, port))
    except OSError as error:
        sock.close()
        raise UsageError(
            f"port {port} cannot be used ({error.strerror}); is a desk open already? "
            "Give another with --port"
        ) from error
    sock.listen(128)
    return sock


def serve(desk: Desk, sock: socket.socket, ready: Any = None) -> None:
    """Serve until interrupted; `ready` is called when requests are taken."""
    config = uvicorn.Config(
        desk.application,
        loop="asyncio",
        http=PatientProtocol,
        ws="none",
        lifespan="on",
        log_config=None,
        log_level="critical",  # what went wrong inside is told by the application
        access_log=False,
        server_header=False,
        limit_concurrency=MOST_CONNECTIONS,
        timeout_keep_alive=KEEP_ALIVE_S,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=32 << 10,
    )

    async def run() -> None:
        server = uvicorn.Server(config)
        if ready is not None:
            asyncio.get_running_loop().call_later(0.2, ready)
        await server.serve(sockets=[sock])

    asyncio.run(run())


def session_folder(folder: Path) -> Path:
    """The desk's folder, made where there is none; raises UsageError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(
            f"{folder}: cannot be used ({error.strerror}); name another with --folder"
        ) from error
    return folder.resolve()
