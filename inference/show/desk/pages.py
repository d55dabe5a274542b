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
from .marks import MARKERS
from .shelf import EXTRAS, REPORT, Case
from .statics import STATIC
from .uploads import MOST_PICTURE_BYTES

__all__ = [
    "REPORT_POLICY",
    "Pages",
    "case_data",
    "command_line",
    "files_of",
    "kind_rows",
    "list_of",
    "map_files",
    "ranked",
    "surface_ends",
]

HERE = Path(__file__).parent
RING_STEP_DEG = 3
ROWS_AT_ONCE = 12  # a small screen shows no more; the rest comes once the page is seen
MOST_REASONS = 20  # on the page; the report has them all
REPORT_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"
)


class Pages:
    """The templates.

    `token` goes into every page for its scripts; `has_camera`: whether pictures can be taken;
    `watches`: name of the folder that is watched.
    """

    def __init__(self, token: str, has_camera: bool, watches: str | None) -> None:
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
            "static": STATIC,
            "numbers": _numbers,
            "has_camera": has_camera,
            "watches": watches,
            "kinds": {row.name: row for row in KINDS},
            "verdicts": VERDICT_WORDS,
            "most_bytes": MOST_PICTURE_BYTES,
            "at_once": ROWS_AT_ONCE,
            "most_reasons": MOST_REASONS,
        }
        self.environment.globals.update(shared)

    def read_ahead(self) -> None:
        """Compile the largest template, so that the first result is not the slowest to come."""
        self.environment.get_template("case.html")

    def page(self, template: str, **values: Any) -> str:
        """One page as HTML text."""
        return self.environment.get_template(template).render(**values)


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


def list_of(inspection: Inspection) -> dict[str, Any]:
    """What the list of deposits is written from."""
    views = {view.picture: str(k + 1) for k, view in enumerate(inspection.views)}
    return {"deposits": ranked(inspection), "views": views}


def _numbers(views: Mapping[str, str], pictures: Sequence[str]) -> str:
    """The numbers of pictures, in their order."""
    return " ".join(sorted((views[name] for name in pictures if name in views), key=int))


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
    wanted += [(name, (EXTRAS, name)) for name in _tile_names(page)]
    if case.inspection is not None:
        wanted += [("travel-map.png", ("travel-map.png",)), (REPORT, (REPORT,))]
        for index, view in enumerate(case.inspection.views):
            for part in ("surfaces", "deposits", "overlay"):
                wanted.append((f"{part}-{index}.png", (f"{view.stem}.{part}.png",)))
    found: dict[str, ServedFile] = {}
    for name, parts in wanted:
        path = case.file(*parts)
        if path is not None:
            kind = MEDIA_TYPES[Path(name).suffix]
            found[name] = ServedFile(path, kind, REPORT_POLICY if name == REPORT else None)
    return found


def _tile_names(page: Mapping[str, Any]) -> list[str]:
    """The tiles of pictures that are too large to be shown whole."""
    return [
        f"tile-{index}-{column}-{row}.jpg"
        for index, view in enumerate(page.get("views", ()))
        if (tiles := view.get("tiles")) is not None
        for row in range(int(tiles["rows"]))
        for column in range(int(tiles["columns"]))
    ]


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
        "next": inspection.next_picture,
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
                "tiles": row.get("tiles"),
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
