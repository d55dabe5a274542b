"""A report as a row of blocks, from which the page (HTML) and the PDF are made alike."""

from dataclasses import dataclass
from html import escape
from typing import Any

from .page import data_uri, page_of
from .plot import Dot, Drawing, Line, Words

__all__ = [
    "Beside",
    "Block",
    "Bullets",
    "Document",
    "Heading",
    "Note",
    "Picture",
    "Plot",
    "Signatures",
    "Table",
    "Text",
    "Verdict",
    "document_page",
]


@dataclass(frozen=True)
class Heading:
    """Begins a part."""

    text: str


@dataclass(frozen=True)
class Text:
    """A paragraph; `muted` for what explains."""

    text: str
    muted: bool = False


@dataclass(frozen=True)
class Note:
    """A paragraph that must not be missed."""

    text: str


@dataclass(frozen=True)
class Bullets:
    """Sentences one below the other; `numbered` where their order counts."""

    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True)
class Table:
    """Rows of words; the first column names the row, those in `numbers` are set to the right."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()


@dataclass(frozen=True)
class Picture:
    """A PNG or JPEG, whole. `words`: what it shows, for those who cannot see it."""

    data: bytes
    kind: str
    size_hw: tuple[int, int]
    words: str
    caption: str


@dataclass(frozen=True)
class Beside:
    """Two pictures side by side, to be compared."""

    left: Picture
    right: Picture


@dataclass(frozen=True)
class Plot:
    """A drawing of lines and dots."""

    drawing: Drawing


@dataclass(frozen=True)
class Verdict:
    """A verdict in large letters, with its symbol's name and what it means."""

    name: str
    word: str
    meaning: str


@dataclass(frozen=True)
class Signatures:
    """Lines for people to sign, each with what the person signs for."""

    roles: tuple[str, ...]


Block = Heading | Text | Note | Bullets | Table | Picture | Beside | Plot | Verdict | Signatures


@dataclass(frozen=True)
class Document:
    """A report. `record`: the document for machines it was made from, as JSON text.

    `foot`: stands on every page of the PDF, as which program made it from what.
    """

    title: str
    subtitle: str
    blocks: tuple[Block, ...]
    record_name: str
    record: str
    foot: str
    created_at: str


def document_page(document: Document) -> str:
    """The report as one self-contained HTML page: no script, nothing fetched, pictures inside."""
    return page_of("document.html", {"what": _what, "uri": _uri, "svg": _svg}, it=document)


def _what(block: Block) -> str:
    return type(block).__name__


def _uri(picture: Picture) -> str:
    return data_uri(picture.kind, picture.data)


def _svg(drawing: Drawing) -> Any:
    from markupsafe import Markup

    return Markup(svg_of(drawing))


def svg_of(drawing: Drawing) -> str:
    """The drawing as SVG; its inks are classes, so that a page can be light or dark."""
    parts = [
        f'<svg class="plot" role="img" viewBox="0 0 {drawing.width:g} {drawing.height:g}" '
        f'aria-label="{escape(drawing.words)}">'
    ]
    for mark in drawing.marks:
        if isinstance(mark, Line):
            points = " ".join(f"{x:.1f},{y:.1f}" for x, y in mark.points)
            dash = ' stroke-dasharray="5 4"' if mark.dashed else ""
            parts.append(
                f'<polyline class="s-{mark.ink}" stroke-width="{mark.width:g}"{dash} '
                f'points="{points}"/>'
            )
        elif isinstance(mark, Dot):
            parts.append(_svg_dot(mark))
        else:
            parts.append(_svg_words(mark))
    return "".join([*parts, "</svg>"])


def _svg_dot(mark: Dot) -> str:
    x, y = mark.xy
    if not mark.hollow:
        return f'<circle class="f-{mark.ink}" cx="{x:.1f}" cy="{y:.1f}" r="4.5"/>'
    return (
        f'<rect class="s-{mark.ink} paper" stroke-width="2.5" x="{x - 5:.1f}" y="{y - 5:.1f}" '
        'width="10" height="10"/>'
    )


def _svg_words(mark: Words) -> str:
    x, y = mark.xy
    return (
        f'<text class="f-{mark.ink}" x="{x:.1f}" y="{y:.1f}" text-anchor="{mark.anchor}" '
        f'font-size="{mark.size:g}">{escape(mark.text)}</text>'
    )
