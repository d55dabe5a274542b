"""Rendering on several processors, or on several machines that share a folder.

A connector's truth is written last and says of what it was made (`made`): where it stands and says
the same, the connector is complete and is not drawn again. So workers may be lost, and a run may be
repeated. The pictures are those of one machine: each worker draws with the very same renderer.
"""

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import torch

from ..model.errors import ModelError, UsageError
from .connector_files import write_connector
from .freed_memory import keep_freed_memory
from .renderer_hash import renderer_hash
from .views import ConnectorPlan, render_connector

__all__ = ["RenderItem", "RenderWork", "complete", "draw_item"]


@dataclass(frozen=True)
class RenderWork:
    """What every worker must agree on. force: draw again what is there. threads: processors for one
    connector, None for all; the picture is the same.
    """

    plan: ConnectorPlan
    folder: Path
    device: str
    force: bool = False
    threads: int | None = None
    renderer: str = field(default_factory=renderer_hash)


@dataclass(frozen=True)
class RenderItem:
    """One connector: the name of its files, and its seed."""

    name: str
    seed: int

    def __str__(self) -> str:
        return self.name


def made_of(work: RenderWork, item: RenderItem) -> dict[str, Any]:
    """All that a connector's pictures follow from, as its truth carries it."""
    high, wide = work.plan.size_hw
    return {
        "seed": item.seed,
        "size_px": [wide, high],
        "views": work.plan.views,
        "renderer": work.renderer,
        "device": work.device,
    }


def complete(work: RenderWork, item: RenderItem) -> bool:
    """Whether the connector stands in the folder, made of the same.

    Raises UsageError where its files were made of something else, unless they are to be replaced.
    """
    path = work.folder / f"{item.name}.json"
    if not path.exists():
        return False
    try:
        made = json.loads(path.read_text(encoding="utf-8")).get("made")
    except (OSError, ValueError, AttributeError) as error:
        raise UsageError(f"{path}: cannot be read ({error}); remove it") from error
    if made != made_of(work, item):
        if work.force:
            return False
        raise UsageError(
            f"{path}: was drawn otherwise (seed, size, views, renderer or device); use --force or "
            "another --out"
        )
    return True


def draw_item(work: RenderWork, item: RenderItem) -> str:
    """Draw a connector and write its files, unless it is complete; its name.

    Raises ModelError for another renderer or a missing GPU, UsageError where nothing can be
    written.
    """
    if work.renderer != renderer_hash():
        raise ModelError(
            f"a worker's renderer is {renderer_hash()}, not {work.renderer}; install the same "
            "version on all machines"
        )
    if work.device == "cuda" and not torch.cuda.is_available():
        raise ModelError("a worker has no GPU, on which these pictures are to be drawn")
    if work.force or not complete(work, item):
        keep_freed_memory()
        if work.threads is not None:
            torch.set_num_threads(work.threads)
        made = render_connector(work.plan, item.seed, work.device)
        write_connector(made, item.name, work.folder, made_of(work, item))
    return item.name
