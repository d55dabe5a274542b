"""The pictures of a connector, read, before anything is looked for in them."""

import hashlib
from dataclasses import replace

import numpy as np

from ..model.errors import UnreadablePicture
from .request import Request, picture_names, picture_stems
from .see.picture import read_picture
from .view import SeenView

__all__ = ["read_again", "read_views"]


def read_views(request: Request) -> list[SeenView]:
    """Every picture of the request, read; copies of a picture are set aside.

    A file that is no picture becomes a view that says so.
    """
    paths = request.pictures
    names, stems = picture_names(paths), picture_stems(paths)
    turns = request.turns_deg or (None,) * len(paths)
    known: dict[str, str] = {}
    return [_read(SeenView(*each), known) for each in zip(paths, names, stems, turns, strict=True)]


def read_again(view: SeenView) -> SeenView:
    """The view with its picture in its own size; a file that has changed is no evidence."""
    try:
        picture = read_picture(view.path)
    except UnreadablePicture:
        picture = None
    if view.picture is None or picture is None or picture.sha256 != view.picture.sha256:
        changed = "its file has changed while it was inspected; inspect it again"
        return replace(view, why_not=changed, undecodable=True)
    return replace(view, picture=picture)


def _read(view: SeenView, known: dict[str, str]) -> SeenView:
    """One picture, read; `known`: names by the pictures' pixels.

    Not by the files: a camera that stands still gives one picture under many headers and formats.
    """
    try:
        picture = read_picture(view.path)
    except UnreadablePicture as error:
        why_not = str(error).removeprefix(f"{view.path}: ")
        return replace(view, why_not=why_not, undecodable=True)
    view = replace(view, picture=picture)
    pixels = hashlib.sha256(repr(picture.rgb.shape).encode())
    pixels.update(np.ascontiguousarray(picture.rgb).data)
    first = known.setdefault(pixels.hexdigest(), view.name)
    if first != view.name:
        return replace(view, duplicate_of=first, why_not=f"it is the same picture as {first}")
    return view
