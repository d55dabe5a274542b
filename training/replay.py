"""Renders that a retraining replays against forgetting; made once, then kept on disk."""

import io
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
from torch import Tensor

from ..inference.keep.files import write_atomically
from ..synthetic.render import RenderPlan, Renders
from ..synthetic.renderer_hash import renderer_hash
from .augment import Patch
from .seeds import REPLAY_SEED
from .source import Source

__all__ = ["kept_replay", "replay_patches"]

WINDOW_HW, FRAME_HW = (480, 640), (720, 960)


def kept_replay(source: Source, count: int, crop: bool, cache: Path) -> list[Patch]:
    """`replay_patches`, read from `cache` where they lie there, else made and kept."""
    what = "windows-{1}x{0}" if crop else "frames-{1}x{0}"
    name = f"replay-{renderer_hash()}-{what.format(*size_hw(crop))}-{count}.npz"
    path = cache / name
    if path.exists():
        with np.load(path, allow_pickle=False) as file:
            values: dict[str, Any] = {key: file[key] for key in file.files}
        return [
            Patch(**{k: v[i] for k, v in values.items() if k != "unlike"},
                  unlike=float(values["unlike"][i]))
            for i in range(count)
        ]  # fmt: skip
    made = list(replay_patches(source, count, crop))
    cache.mkdir(parents=True, exist_ok=True)
    stacked: Any = {f.name: np.stack([getattr(p, f.name) for p in made]) for f in fields(Patch)}
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **stacked)
    write_atomically(path, buffer.getvalue())
    return made


def size_hw(crop: bool) -> tuple[int, int]:
    """Of a window or a whole frame, px."""
    return WINDOW_HW if crop else FRAME_HW


def replay_patches(source: Source, count: int, crop: bool) -> Iterator[Patch]:
    """Renders of connectors, always the same: whole frames, or windows at native scale.

    One in six shows no connector, so that the net does not unlearn to say so.
    """
    made, number = 0, REPLAY_SEED + (2**20 if crop else 0)
    while made < count:
        plan = RenderPlan(4, 1, size_hw(crop), crop=crop, clean_share=0.25, negative_share=0.2)
        renders = source(plan, number)
        number += 1
        for i in range(min(renders.picture.shape[0], count - made)):
            made += 1
            yield patch_of_render(renders, i)


def patch_of_render(renders: Renders, i: int) -> Patch:
    """One picture of a batch of renders."""

    def plain(value: Tensor) -> Any:
        return value[i].cpu().numpy()

    return Patch(
        rgb=plain(renders.picture),
        surface=plain(renders.surface),
        kind=plain(renders.kind),
        instance=plain(renders.instance).astype(np.int32),
        weight=(plain(renders.weight) >= 0.5).astype(np.uint8),
        unseen=(254 * plain(renders.unseen) + 0.5).astype(np.uint8),
        unlike=float(renders.unlike[i]),
    )
