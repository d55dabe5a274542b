"""Focus series on the command line: each folder or film is one view, merged before it is seen."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ...model.errors import UnreadablePicture, UsageError
from ..keep.files import write_atomically
from ..see.focus_series import FocusSeries, merge_series
from ..see.inputs import pictures_in
from ..see.moving_series import FILM_SUFFIXES, sharp_frames
from ..see.picture import read_picture
from .pictures_out import png_bytes

__all__ = ["Stacks", "merge_stacks"]

MERGED, DEPTH = ".merged.png", ".depth.png"


@dataclass(frozen=True)
class Stacks:
    """The pictures to inspect, one per view, and what to note of how they were made."""

    pictures: tuple[Path, ...]
    notes: tuple[str, ...]


def merge_stacks(views: Sequence[Path], folder: Path) -> Stacks:
    """Merge each view that is a folder or a film; single pictures stay as they are.

    The merged pictures, and beside each its depth order, are written to `folder`. Raises UsageError
    or UnreadablePicture, naming the view.
    """
    pictures: list[Path] = []
    notes: list[str] = []
    names = [view.resolve().name for view in views]
    for view, name in zip(views, names, strict=True):
        if not view.is_dir() and view.suffix.casefold() not in FILM_SUFFIXES:
            pictures.append(view)
            continue
        if names.count(name) > 1:
            raise UsageError(f"{view}: two views are called {name}; rename one")
        merged = _merged(view)
        path = folder / f"{name}{MERGED}"
        folder.mkdir(parents=True, exist_ok=True)
        write_atomically(path, png_bytes(merged.rgb))
        write_atomically(folder / f"{name}{DEPTH}", png_bytes(merged.depth_order))
        pictures.append(path)
        left = f"; left out, as they do not fit: {', '.join(merged.left_out)}"
        notes.append(
            f"{path.name} was merged from {merged.used} pictures of {name} at different focus"
            f"{left if merged.left_out else ''}."
        )
    return Stacks(tuple(pictures), tuple(notes))


def _merged(view: Path) -> FocusSeries:
    if not view.is_dir():
        frames, names = sharp_frames(view)
        return merge_series(frames, names)
    files = pictures_in(view)
    if len(files) < 2:
        raise UnreadablePicture(f"{view}: a focus series needs two pictures or more")
    return merge_series([read_picture(file).rgb for file in files], [f.name for f in files])
