"""`fiberward render`: connectors with exact truth, each pictured from several sides."""

import json as json_format
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import torch
import typer

from ..model.errors import UsageError
from .connector_files import write_connector
from .views import ConnectorPlan, render_connector

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
    size_hw = parse_size(size)
    names = [f"c{seed}n{k:05d}" for k in range(count)]
    spare_existing(out, names, views, force)
    plan = ConnectorPlan(views, size_hw)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    dirty = 0
    for k in watched(range(count), quiet):
        made = render_connector(plan, connector_seed(seed, k), device)
        write_connector(made, names[k], out)
        dirty += bool(made.truth["dirty"])
    text = f"{out}: {count} connectors, {dirty} of them dirty, {views} pictures each"
    document = {"folder": str(out), "connectors": names, "dirty": dirty, "views": views}
    print(json_format.dumps(document, indent=2) if json else text, flush=True)
    return 0


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


def spare_existing(out: Path, names: list[str], views: int, force: bool) -> None:
    """Make the folder; raises UsageError if it cannot be made or a file would be replaced."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        there = set[str]() if force else {path.name for path in out.iterdir()}
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise UsageError(f"{out}: cannot write there ({reason}); name another folder") from error
    for name in names:
        files = [f"{name}.json", *(f"{name}-{k}.jpg" for k in range(views))]
        found = next((file for file in files if file in there), None)
        if found:
            raise UsageError(f"{out / found}: is there already; use --force or another --out")


def watched(items: Iterable[int], quiet: bool) -> Iterable[int]:
    """The items, with a progress bar on stderr where a person watches."""
    if quiet or not sys.stderr.isatty():
        return items
    from rich.console import Console
    from rich.progress import track

    console = Console(stderr=True)  # rich itself honours NO_COLOR
    return track(items, description="rendering", console=console, transient=True)
