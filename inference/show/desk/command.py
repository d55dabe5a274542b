"""The command `fiberward desk`."""

from pathlib import Path
from typing import Annotated, Any

import typer

from ..options import Db, Model, Threads
from ..terminal import Terminal

__all__ = ["desk"]


def desk(
    folder: Annotated[
        Path, typer.Option(metavar="DIR", help="Where pictures and results are kept.")
    ] = Path("fiberward-inspections"),
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port on this computer; 0 takes a free one.")
    ] = 8417,
    camera: Annotated[
        str | None,
        typer.Option(
            metavar="NUMBER|FILE|DIR",
            help="Camera of this computer; a film or a folder of pictures can stand in.",
        ),
    ] = None,
    watch: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Take in pictures that appear in this folder."),
    ] = None,
    browser: Annotated[bool, typer.Option(help="Open the page in the browser.")] = True,
    record: Annotated[
        bool, typer.Option(help="Keep results in the records, if a label was stated.")
    ] = True,
    db: Db = None,
    model: Model = None,
    threads: Threads = None,
) -> int:
    """Open the desk: the page on which connectors are inspected, for this computer only.

    It prints an address that works once. Stop it with Ctrl-C; what was done stays in DIR.
    """
    import webbrowser

    from ...see.frames import check_source
    from .app import Desk
    from .server import listen, serve, session_folder

    terminal = Terminal.current()
    settings: dict[str, Any] = {"model": model and str(model.resolve()), "db": db}
    settings |= {"record": record, "threads": threads}
    settings["camera"] = None if camera is None else _resolved(check_source(camera))
    settings["watch"] = watch
    place = session_folder(folder)
    sock = listen(port)
    taken = sock.getsockname()[1]
    desk = Desk(place, taken, settings)
    address = f"http://127.0.0.1:{taken}/open?token={desk.keys.opening}"

    def ready() -> None:
        terminal.result(f"The desk is at {address}", {"address": address, "folder": str(place)})
        terminal.note(f"Pictures and results are kept in {place}. Stop with Ctrl-C.")
        if browser:
            webbrowser.open(address)

    serve(desk, sock, ready)
    return 0


def _resolved(source: str) -> str:
    """A stand-in's whole path; a device's number as it is."""
    return source if source.isdecimal() else str(Path(source).resolve())
