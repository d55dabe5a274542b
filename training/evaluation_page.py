"""An evaluation as a folder: its JSON, a page with plots and tables, pictures of the errors."""

import json
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any

from ..model.kinds import KIND_NAMES
from ..model.surfaces import SURFACE_NAMES
from .gallery import Exhibit, Gallery
from .intervals import Figure
from .plots import detection_plot, reliability_plot

__all__ = ["table", "whole_page", "write_evaluation"]

STYLE = """
body { font: 15px/1.45 sans-serif; color: #222; margin: 2rem auto; max-width: 76rem;
  padding: 0 1rem }
table { border-collapse: collapse; margin: .6rem 0 1.4rem }
th, td { border-bottom: 1px solid #ccc; padding: .2rem .6rem; text-align: right }
th:first-child, td:first-child { text-align: left }
td.same { background: #e8f0f6 }
.row { display: flex; flex-wrap: wrap; align-items: flex-start; gap: 1.2rem }
figure { margin: 0 0 1rem; max-width: 28rem }
figure img { width: 100%; height: auto }
figcaption { font-size: .86rem }
"""
LARGEST = 10_000.0
LEGEND = (
    "Left as pictured, right with the truth's outline in blue and the answer's in vermilion; each "
    "square is scaled to the same size."
)


def write_evaluation(document: Mapping[str, Any], gallery: Gallery, out: Path) -> Path:
    """Write the folder; gives the page's path. Files of the same names are replaced."""
    pictures = out / "errors"
    pictures.mkdir(parents=True, exist_ok=True)
    for old in pictures.glob("*.png"):
        old.unlink()
    parts = [
        head(document),
        *detection_parts(document["detection"]),
        *reliability_parts(document["reliability"]),
        *confusion_parts(document),
        *gallery_parts("The largest deposits missed", "missed", gallery.missed, pictures),
        *gallery_parts("The surest false alarms", "false", gallery.false, pictures),
    ]
    text = json.dumps(document, indent=1, allow_nan=False) + "\n"
    (out / "evaluation.json").write_text(text, encoding="utf-8")
    page = out / "index.html"
    page.write_text(whole_page(f"Evaluation: {document['set']}", parts), encoding="utf-8")
    return page


def whole_page(title: str, parts: Sequence[str]) -> str:
    """The page around its parts."""
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        f"<title>{escape(title)}</title><style>{STYLE}</style><h1>{escape(title)}</h1>"
        + "\n".join(parts)
        + "</html>\n"
    )


def head(document: Mapping[str, Any]) -> str:
    """What was measured, and the headline figures."""
    model = document["model"]
    text = (
        f"{document['views']} views ({document['clean_views']} clean) of {document['connectors']} "
        f"connectors; {document['deposits_shown']} deposits shown, "
        f"{document['deposits_not_shown']} not shown. Model {model['id']}, SHA-256 "
        f"{model['sha256'][:12]}."
    )
    rows = [[name.replace("_", " "), Figure(**row)] for name, row in document["headline"].items()]
    tables = [table(["figure", "value (95 % interval, n)"], rows)]
    for title in ("recall_by_surface", "recall_by_kind", "recall_by_size_um"):
        rows = [[name, Figure(**row)] for name, row in document[title].items()]
        tables.append(table([title.replace("_", " "), "found"], rows))
    return f"<p>{escape(text)}</p><div class=row>{''.join(tables)}</div>"


def table(names: Sequence[str], rows: Sequence[Sequence[object]], same: bool = False) -> str:
    """An HTML table; `same` shades the diagonal."""
    lines = ["<tr>" + "".join(f"<th>{escape(name)}</th>" for name in names) + "</tr>"]
    for i, row in enumerate(rows):
        cells = [
            f"<td{' class=same' if same and i == j - 1 else ''}>{escape(str(cell))}</td>"
            for j, cell in enumerate(row)
        ]
        lines.append(f"<tr>{''.join(cells)}</tr>")
    return f"<table>{''.join(lines)}</table>"


def detection_parts(rows: Mapping[str, Any]) -> list[str]:
    """Curves by kind and by surface, and the sizes as a table."""
    by_kind = {name: rows[name]["um"] for name in ("all", *KIND_NAMES) if name in rows}
    by_surface = {name: rows[f"on {name}"]["um"] for name in SURFACE_NAMES if f"on {name}" in rows}
    lines: list[list[object]] = []
    for name, row in rows.items():
        for unit in ("um", "px"):
            own = row[unit]
            sizes = [size_text(own[key]) for key in ("a50", "a90", "a90_95")]
            note = own["why_not"] or ", ".join(
                text
                for text, holds in (
                    ("under 60 targets", not own["enough"]),
                    ("a90 beyond the sizes tried", own["beyond"]),
                    ("no bound at 95 %", own["a90_95"] is None),
                )
                if holds
            )
            lines.append([name, unit, own["n"], own["found"], *sizes, note])
    names = ["deposits", "unit", "n", "found", "a50", "a90", "a90/95", "note"]
    return [
        "<h2>Probability of detection</h2><p>Hit/miss model of MIL-HDBK-1823A; a dot marks the "
        "size found nine times in ten, its bar the upper 95 % bound by profile likelihood.</p>",
        f"<div class=row><div>{detection_plot(by_kind, 'um')}</div>"
        f"<div>{detection_plot(by_surface, 'um')}</div></div>",
        table(names, lines),
    ]


def size_text(size: float | None) -> str:
    """A size for the table; the model's extrapolations have no end."""
    if size is None:
        return "-"
    return f"{size:.3g}" if size < LARGEST else f"over {LARGEST:g}"


def reliability_parts(found: Mapping[str, Any] | None) -> list[str]:
    """The reliability diagram."""
    if found is None or not found["pieces"]:
        return []
    text = f"{found['pieces']} listed pieces, {found['true']} true."
    return [f"<h2>Confidence</h2><p>{text}</p>", reliability_plot(found)]


def confusion_parts(document: Mapping[str, Any]) -> list[str]:
    """Deposits by true and answered kind; pixels by true and answered surface, in per cent."""
    kinds = [
        [name, *row]
        for name, row in list(zip(KIND_NAMES, document["kind_confusion"], strict=True))[1:]
    ]
    surfaces: list[list[object]] = []
    for name, row in zip(SURFACE_NAMES, document["surface_confusion_px"], strict=True):
        total = sum(row)
        surfaces.append([name, *(f"{100 * px / total:.1f}" if total else "-" for px in row)])
    return [
        "<h2>Confusions</h2><p>Rows: truth; columns: answer. Deposits by kind (clean = missed), "
        "and per cent of each surface's pixels.</p>",
        "<div class=row>",
        table(["kind", *KIND_NAMES], kinds),
        table(["surface", *SURFACE_NAMES], surfaces, same=True),
        "</div>",
    ]


def gallery_parts(title: str, stem: str, kept: Sequence[Exhibit], folder: Path) -> list[str]:
    """The exhibits, written as PNG beside the page."""
    if not kept:
        return [f"<h2>{escape(title)}</h2><p>None.</p>"]
    figures: list[str] = []
    for number, exhibit in enumerate(kept, 1):
        path = folder / f"{stem}-{number:02d}.png"
        exhibit.write(path)
        caption = escape(f"{exhibit.name}: {exhibit.caption}")
        figures.append(
            f'<figure><img src="errors/{path.name}" alt="{caption}">'
            f"<figcaption>{caption}</figcaption></figure>"
        )
    return [f"<h2>{escape(title)}</h2><p>{LEGEND}</p><div class=row>{''.join(figures)}</div>"]
