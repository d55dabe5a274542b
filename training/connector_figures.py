"""Figures over inspected connectors, each with its n and 95 % interval."""

import json
from collections.abc import Callable, Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any

import numpy as np

from .evaluation_page import table, whole_page
from .intervals import Figure, bootstrap, share

__all__ = ["as_text", "connector_figures", "write_connector_page"]

SCHEMA = "fiberward.connectors-evaluation/1"
Row = Mapping[str, Any]


def connector_figures(rows: Sequence[Row]) -> dict[str, Any]:
    """All figures of the rows as one plain document."""
    dirty = [row for row in rows if row["dirty"]]
    spotless = [row for row in rows if row["spotless"]]
    figures = {
        "dirty_passed_by_zones_alone": share(
            sum(not r["zones_touched"] for r in dirty), len(dirty)
        ),
        "dirty_called_mate": share(count(dirty, "mate"), len(dirty)),
        "dirty_called_reshoot": share(count(dirty, "reshoot"), len(dirty)),
        "refused": share(count(rows, "refused"), len(rows)),
        "spotless_not_called_mate": share(len(spotless) - count(spotless, "mate"), len(spotless)),
        "listed_beyond_truth": bootstrap(rows, mean_beyond),
        "scale_error": bootstrap(rows, median_of_views("scale_error")),
        "tilt_error_deg": bootstrap(rows, median_of_views("tilt_error_deg")),
        "place_error_um": bootstrap(rows, median_of_pairs("distance_um")),
        "size_error_log2": bootstrap(rows, median_of_pairs("log2_size")),
        "placed_share": bootstrap(rows, placed_share),
        "views_not_readable": bootstrap(rows, unreadable_share),
    }
    return {
        "schema": SCHEMA,
        "connectors": len(rows),
        "dirty": len(dirty),
        "spotless": len(spotless),
        "model": rows[0]["model"] if rows else None,
        "figures": {name: figure.as_dict() for name, figure in figures.items()},
        "missed": [row["seed"] for row in dirty if row["verdict"] == "mate"],
        "alarms": [row["seed"] for row in spotless if row["verdict"] != "mate"],
    }


def count(rows: Sequence[Row], verdict: str) -> int:
    """How many have this verdict."""
    return sum(row["verdict"] == verdict for row in rows)


def mean_beyond(rows: Sequence[Row]) -> float | None:
    """Listed deposits more than there are, per connector."""
    beyond = [max(row["listed"] - row["deposits"], 0) for row in rows]
    return sum(beyond) / len(beyond) if beyond else None


def median_of_views(key: str) -> Callable[[Sequence[Row]], float | None]:
    """Median over all views; one that was not placed counts as infinitely wrong."""

    def figure(rows: Sequence[Row]) -> float | None:
        values = [np.inf if v[key] is None else v[key] for row in rows for v in row["views"]]
        middle = float(np.median(values)) if values else np.inf
        return middle if np.isfinite(middle) else None

    return figure


def median_of_pairs(key: str) -> Callable[[Sequence[Row]], float | None]:
    """Median size of an error over all placed particles."""

    def figure(rows: Sequence[Row]) -> float | None:
        values = [abs(pair[key]) for row in rows for pair in row["placed"]]
        return float(np.median(values)) if values else None

    return figure


def placed_share(rows: Sequence[Row]) -> float | None:
    """Share of the shown particles that were listed in their place."""
    shown = sum(row["particles_shown"] for row in rows)
    return sum(len(row["placed"]) for row in rows) / shown if shown else None


def unreadable_share(rows: Sequence[Row]) -> float | None:
    """Share of the views that were no evidence."""
    views = [view for row in rows for view in row["views"]]
    return sum(not view["readable"] for view in views) / len(views) if views else None


def as_text(document: Mapping[str, Any]) -> str:
    """The figures for a person; first the line that matters."""
    figures = {name: Figure(**row) for name, row in document["figures"].items()}
    zones, ours = figures["dirty_passed_by_zones_alone"], figures["dirty_called_mate"]
    lines = [
        f"{document['connectors']} connectors, {document['dirty']} dirty, "
        f"{document['spotless']} spotless",
        f"of the dirty ones a faultless grade of the zones alone passes {_part(zones)}, "
        f"Fiberward passes {_part(ours)}",
    ]
    lines += [f"  {name.replace('_', ' '):28} {figure}" for name, figure in figures.items()]
    return "\n".join(lines)


def write_connector_page(document: Mapping[str, Any], out: Path) -> Path:
    """Write connectors.json and connectors.html to a folder; gives the page's path."""
    line = as_text(document).splitlines()[1]
    rows = [[name.replace("_", " "), Figure(**row)] for name, row in document["figures"].items()]
    parts = [
        f"<p>{document['connectors']} rendered connectors, {document['dirty']} dirty (the rules "
        "stop them when the true masks stand in the net's place), "
        f"{document['spotless']} spotless.</p>",
        f"<p><strong>{escape(line[0].upper() + line[1:])}.</strong></p>",
        table(["figure", "value (95 % interval, n)"], rows),
        "<p>Errors of scale, tilt, place and size are medians; size is the absolute binary "
        "logarithm of listed over true diameter; a view that was not placed counts as infinitely "
        "wrong.</p>",
        f"<p>Dirty called mate: {seeds(document['missed'])}. Spotless not called mate: "
        f"{seeds(document['alarms'])}.</p>",
    ]
    text = json.dumps(document, indent=1, allow_nan=False) + "\n"
    (out / "connectors.json").write_text(text, encoding="utf-8")
    page = out / "connectors.html"
    page.write_text(whole_page("Evaluation: whole connectors", parts), encoding="utf-8")
    return page


def seeds(numbers: Sequence[int]) -> str:
    """The connectors' numbers, or none."""
    return ", ".join(map(str, numbers)) if numbers else "none"


def _part(figure: Figure) -> str:
    if figure.value is None:
        return "none (there are none)"
    return f"{round(figure.value * figure.n)} of {figure.n} ({figure.low:.1%} to {figure.high:.1%})"
