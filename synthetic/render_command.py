"""`fiberward render`: connectors with exact truth, each pictured from several sides."""

import json as json_format
import sys
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import torch
import typer

from ..model.errors import UsageError
from ..model.workers import on_cluster, on_processes
from .render_work import RenderItem, RenderWork, complete, draw_item
from .views import ConnectorPlan

__all__ = ["render"]

SMALLEST_PX, LARGEST_PX = 64, 4096


def render(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Where the files go.")],
    count: Annotated[int, typer.Option(min=1, help="How many connectors.")] = 20,
    seed: Annotated[
        int, typer.Option(min=0, help="Same seed, size, views and device: same pictures.")
    ] = 1,
    size: Annotated[
        str, typer.Option(metavar="WIDTHxHEIGHT", help="Of each picture, px.")
    ] = "1280x960",
    views: Annotated[
        int, typer.Option(min=2, max=13, help="Pictures of each: a front view, the rest oblique.")
    ] = 4,
    force: Annotated[bool, typer.Option("--force", help="Replace files of these names.")] = False,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with an interrupted run into the same --out.")
    ] = False,
    jobs: Annotated[
        int, typer.Option(min=1, help="Draw so many connectors at once, a processor for each.")
    ] = 1,
    cluster: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Draw on the Dask cluster of this scheduler, which sees the same folder.",
        ),
    ] = None,
    json: Annotated[
        bool, typer.Option("--json", help="Print the result as one JSON document.")
    ] = False,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="No progress on stderr; errors stay.")
    ] = False,
) -> int:
    """Draw invented connectors: pictures from several sides, masks and exact truth.

    Upright (PC) endfaces only. A connector keeps its shape, material and deposits in all its
    views; every deposit lies where some view looks, so dirt that no view could show is absent.
    """
    names = [f"c{seed}n{k:05d}" for k in range(count)]
    plan = ConnectorPlan(views, parse_size(size))
    there = made_folder(out)
    if not (resume or force):
        spare_existing(out, names, views, there)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    work = RenderWork(plan, out.absolute(), device, force)
    items = [RenderItem(name, connector_seed(seed, k)) for k, name in enumerate(names)]
    draw_all(work, items, (jobs, cluster), quiet)
    dirty = sum(bool(read_truth(out / f"{name}.json")["dirty"]) for name in names)
    text = f"{out}: {count} connectors, {dirty} of them dirty, {views} pictures each"
    document = {"folder": str(out), "connectors": names, "dirty": dirty, "views": views}
    print(json_format.dumps(document, indent=2) if json else text, flush=True)
    return 0


def draw_all(
    work: RenderWork, items: Sequence[RenderItem], where: tuple[int, str | None], quiet: bool
) -> None:
    """Draw all; where: how many processes, and the address of a scheduler to be used instead.

    What lost workers left is drawn here.
    """
    count, address = where

    def say(line: str) -> None:
        if not quiet:
            print(line, file=sys.stderr)

    each = replace(work, threads=1)  # threads of several processes would wait for one another
    if address is not None:
        on_cluster(each, items, address, say, draw_item)
    elif count > 1:
        on_processes(each, items, count, say, draw_item)
    alone = address is None and count == 1
    rest = items if alone else [item for item in items if not complete(work, item)]
    for item in watched(rest, quiet):
        draw_item(work, item)


def read_truth(path: Path) -> dict[str, Any]:
    """A connector's truth."""
    return json_format.loads(path.read_text(encoding="utf-8"))


def connector_seed(seed: int, k: int) -> int:
    """The own seed of connector `k`, so that a longer run begins with the same connectors."""
    return seed * 1_000_003 + k


def parse_size(text: str) -> tuple[int, int]:
    """WIDTHxHEIGHT as (height, width); raises UsageError."""
    wide, _, high = text.lower().partition("x")
    if not (wide.isascii() and wide.isdigit() and high.isascii() and high.isdigit()):
        raise UsageError(f"--size {text}: give width and height in px, such as 1280x960")
    sides = int(high), int(wide)
    if min(sides) < SMALLEST_PX or max(sides) > LARGEST_PX:
        raise UsageError(f"--size {text}: give sides of {SMALLEST_PX} to {LARGEST_PX} px")
    return sides


def made_folder(out: Path) -> set[str]:
    """Make the folder, and tell what is in it; raises UsageError if it cannot be made."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        return {path.name for path in out.iterdir()}
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise UsageError(f"{out}: cannot write there ({reason}); name another folder") from error


def spare_existing(out: Path, names: list[str], views: int, there: set[str]) -> None:
    """Raises UsageError if a file would be replaced."""
    for name in names:
        files = [f"{name}.json", *(f"{name}-{k}.jpg" for k in range(views))]
        found = next((file for file in files if file in there), None)
        if found:
            raise UsageError(
                f"{out / found}: is there already; use --resume, --force or another --out"
            )


def watched(items: Iterable[RenderItem], quiet: bool) -> Iterable[RenderItem]:
    """The items, with a progress bar on stderr where a person watches."""
    if quiet or not sys.stderr.isatty():
        return items
    from rich.console import Console
    from rich.progress import track

    console = Console(stderr=True)  # rich itself honours NO_COLOR
    return track(items, description="rendering", console=console, transient=True)
