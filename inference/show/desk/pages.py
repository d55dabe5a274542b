"""What the templates and the page's scripts are given, made from a case."""

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ....model.kinds import KINDS
from ....model.profile import MeridianProfile
from ....model.shape import ConnectorShape
from ....model.surfaces import SURFACE_NAMES, Surface
from ...keep.inspection import DepositRecord, Inspection
from ..explanation import upper_reach
from ..words import VERDICT_WORDS, clock, deg, percent, um
from .job import PICTURES
from .shelf import EXTRAS, Case
from .uploads import MOST_PICTURE_BYTES

__all__ = [
    "REPORT_POLICY",
    "Pages",
    "case_data",
    "command_line",
    "files_of",
    "kind_rows",
    "kind_svg",
    "kinds_css",
    "map_files",
    "ranked",
    "surface_ends",
]

HERE = Path(__file__).parent
RING_STEP_DEG = 3
# The shapes of the markers, drawn round (0, 0), 24 units across; sent to the scripts too.
MARKERS = {
    "disc": ("solid", "M-8 0a8 8 0 1 0 16 0a8 8 0 1 0-16 0Z"),
    "square": ("solid", "M-7.5-7.5h15v15h-15Z"),
    "drop": ("solid", "M0-11C3-5 8-1 8 3.5a8 7.5 0 0 1-16 0C-8-1-3-5 0-11Z"),
    "ring": ("line", "M-7 0a7 7 0 1 0 14 0a7 7 0 1 0-14 0Z"),
    "wave": ("line", "M-9 3C-6-9-3-9 0 0S6 9 9-3"),
    "cross": ("line", "M-7-7 7 7M-7 7 7-7"),
}
REPORT_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"
)


class Pages:
    """The templates; `token` goes into every page for its scripts."""

    def __init__(self, token: str) -> None:
        from jinja2 import Environment, FileSystemLoader, StrictUndefined

        self.environment = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.environment.filters.update(um=um, deg=deg, percent=percent, clock=clock)
        shared: dict[str, Any] = {
            "token": token,
            "kinds": {row.name: row for row in KINDS},
            "verdicts": VERDICT_WORDS,
            "most_bytes": MOST_PICTURE_BYTES,
        }
        self.environment.globals.update(shared)

    def page(self, template: str, **values: Any) -> str:
        """One page as HTML text."""
        return self.environment.get_template(template).render(**values)


def kinds_css() -> str:
    """The kinds' markers as a style sheet, from the one table of them."""
    rules = [
        f".kind-{row.name} {{ background-image: url(/kinds/{row.name}.svg); }}" for row in KINDS
    ]
    return "\n".join(rules[1:]) + "\n"


def kind_svg(name: str) -> str | None:
    """A kind's marker as a picture, as the map draws it; None if there is no such kind."""
    row = next((row for row in KINDS[1:] if row.name == name), None)
    if row is None:
        return None
    how, path = MARKERS[row.marker]
    ink = "stroke-linecap='round' stroke-linejoin='round' fill='none'"
    rims = (
        [("#ffffff", 7), ("#14181d", 3.5)] if how == "solid" else [("#ffffff", 12), ("#14181d", 8)]
    )
    parts = [f"<path d='{path}' stroke='{c}' stroke-width='{w}' {ink}/>" for c, w in rims]
    last = (
        f"fill='{row.color}'"
        if how == "solid"
        else f"stroke='{row.color}' stroke-width='4.5' {ink}"
    )
    parts.append(f"<path d='{path}' {last}/>")
    drawn = "".join(parts)
    return f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='-14 -14 28 28'>{drawn}</svg>"


def ranked(inspection: Inspection) -> list[tuple[DepositRecord, bool]]:
    """The deposits by what matters, and whether each stands in the way of mating.

    First those that a reason names, by chance to reach the contact zone and nearness to the fibre;
    those that are unsure come before those that may stay.
    """
    stopping = {reason.deposit for reason in inspection.reasons if reason.deposit is not None}
    if inspection.verdict == "mate":
        stopping = set[int | None]()

    def weight(deposit: DepositRecord) -> tuple[Any, ...]:
        stops = deposit.id in stopping
        far = np.inf if deposit.s_um is None else deposit.s_um
        reach = upper_reach(deposit) or 0.0
        return (not stops, not deposit.unsure, -round(reach, 2), far, -(deposit.size_um or 0))

    return [(d, d.id in stopping) for d in sorted(inspection.deposits, key=weight)]


@dataclass(frozen=True)
class ServedFile:
    """A file that the page may ask for, by the name that it asks with."""

    path: Path
    media_type: str
    policy: str | None = None


def files_of(case: Case) -> dict[str, ServedFile]:
    """All files of a case that may be asked for."""
    page = case.page
    wanted: list[tuple[str, tuple[str, ...]]] = [
        (name, (EXTRAS, name))
        for row in (*page.get("views", ()), *page.get("maps", ()))
        for name in (row.get("file"), row.get("index"))
        if isinstance(name, str)
    ]
    if case.inspection is not None:
        wanted += [("travel-map.png", ("travel-map.png",)), ("report.html", ("report.html",))]
        for index, view in enumerate(case.inspection.views):
            for part in ("surfaces", "deposits", "overlay"):
                wanted.append((f"{part}-{index}.png", (f"{view.stem}.{part}.png",)))
    found: dict[str, ServedFile] = {}
    for name, parts in wanted:
        path = case.file(*parts)
        if path is not None:
            kind = MEDIA_TYPES[Path(name).suffix]
            found[name] = ServedFile(path, kind, REPORT_POLICY if name == "report.html" else None)
    return found


MEDIA_TYPES = {".png": "image/png", ".jpg": "image/jpeg", ".html": "text/html; charset=utf-8"}


def case_data(case: Case) -> dict[str, Any]:
    """What the scripts draw a case from."""
    inspection = case.inspection
    assert inspection is not None
    page, files = case.page, files_of(case)
    stops = {deposit.id: stop for deposit, stop in ranked(inspection)}
    return {
        "kinds": kind_rows(),
        "views": _views(inspection, page.get("views", ()), files),
        "maps": map_files(page, files),
        "ends": surface_ends(inspection),
        "deposits": [_spot(deposit, stops[deposit.id]) for deposit in inspection.deposits],
        "sightings": page.get("sightings", {}),
    }


def kind_rows() -> list[dict[str, Any]]:
    """The kinds as the scripts draw them: name, colour, and the marker's way and path."""
    rows = ((row, MARKERS.get(row.marker, ("line", ""))) for row in KINDS)
    return [
        {"name": row.name, "color": row.color, "solid": how == "solid", "path": path}
        for row, (how, path) in rows
    ]


def map_files(page: Mapping[str, Any], files: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The maps' rasters that there are: of the whole surface, then of the front."""
    return [row for row in page.get("maps", ()) if row["file"] in files]


def _views(
    inspection: Inspection, rows: Sequence[Mapping[str, Any]], files: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """Per view the names of its picture (bare, else with all drawn in) and its masks."""
    shown: list[dict[str, Any]] = []
    for index, view in enumerate(inspection.views):
        row: Mapping[str, Any] = rows[index] if index < len(rows) else {}
        bare, kinds = row.get("file"), row.get("index")
        # a case of the command line has only the picture with everything drawn in
        picture = bare if bare in files else f"overlay-{index}.png"
        shown.append(
            {
                "picture": picture if picture in files else None,
                "index": kinds if kinds in files else None,
                "width": view.width_px,
                "height": view.height_px,
            }
        )
    return shown


def _spot(deposit: DepositRecord, stops: bool) -> dict[str, Any]:
    return {
        "id": deposit.id,
        "kind": deposit.kind,
        "s_um": deposit.s_um,
        "theta_deg": deposit.theta_deg,
        "size_um": deposit.length_um or deposit.size_um,
        "unsure": deposit.unsure,
        "off_zone": deposit.off_zone,
        "stops": stops,
    }


def surface_ends(inspection: Inspection) -> dict[str, list[float]]:
    """Where each surface ends, um along the surface, every `RING_STEP_DEG` from theta 0."""
    if inspection.shape_um is None:
        return {}
    try:
        profile = MeridianProfile(ConnectorShape(**dict(inspection.shape_um)))  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return {}
    ends = profile.s_ends_at(np.arange(0, 360, RING_STEP_DEG))
    order = sorted(ends, reverse=True)  # the fibre first, then outwards
    return {SURFACE_NAMES[Surface(k)]: [round(float(s), 1) for s in ends[k]] for k in order}


def command_line(case: Case) -> str | None:
    """The command that does the same; None for a case that the command line made."""
    if case.job is None:
        return None
    facts = case.job.connector_file()
    return f"{shlex.join(case.job.words(case.folder))}\n\n# {PICTURES}/connector.toml\n{facts}"
