"""The inspection as one self-contained page: no script, nothing fetched, pictures inside."""

from collections.abc import Mapping
from typing import Any

from ...model.kinds import KIND_NAMES, KINDS
from ..keep.inspection import Inspection
from .explanation import explain_deposit, upper_reach
from .map_picture import SIZE_HW
from .page import data_uri, page_of
from .verdict_swing import swing_words, verdict_swings
from .words import VERDICT_WORDS, clock, deg, percent, um

__all__ = ["report_page"]

MOST_REASONS = 8  # the others are folded away


def report_page(
    inspection: Inspection, travel_map_png: bytes | None, overlays_jpeg: Mapping[str, bytes]
) -> str:
    """The page as HTML text.

    travel_map_png: the drawn map, None where no view could be placed. overlays_jpeg: by a view's
    stem, its overlay.
    """
    explained = [explain_deposit(inspection, each) for each in inspection.deposits]
    return page_of(
        "report.html",
        {"um": um, "deg": deg, "percent": percent, "clock": clock},
        it=inspection,
        verdict=VERDICT_WORDS[inspection.verdict],
        travel_map=None if travel_map_png is None else data_uri("png", travel_map_png),
        map_words=_map_words(inspection),
        map_size=SIZE_HW,
        MOST_REASONS=MOST_REASONS,
        explained=explained,
        hangs_on=swing_words(inspection, verdict_swings(inspection, explained)),
        upper=upper_reach,
        numbers={view.stem: n for n, view in enumerate(inspection.views, 1)},
        overlays={stem: data_uri("jpeg", data) for stem, data in overlays_jpeg.items()},
        kinds={row.name: row for row in KINDS},
        settings=_flat(inspection.settings),
        found={name: _count(inspection, name) for name in KIND_NAMES[1:]},
    )


def _count(inspection: Inspection, kind: str) -> int:
    return sum(deposit.kind == kind for deposit in inspection.deposits)


def _map_words(inspection: Inspection) -> str:
    """What the travel map shows, for those who cannot see it; the table says the rest."""
    placed = sum(deposit.s_um is not None for deposit in inspection.deposits)
    return (
        f"Travel map: the connector's surface laid flat about the fibre, with {placed} of "
        f"{len(inspection.deposits)} deposits marked. The table of deposits gives each one's place."
    )


def _flat(settings: Mapping[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    """Nested settings as (dotted name, value) rows."""
    rows: list[tuple[str, str]] = []
    for name, value in settings.items():
        if isinstance(value, Mapping):
            rows += _flat(value, f"{prefix}{name}.")  # pyright: ignore[reportUnknownArgumentType]
        else:
            words = {None: "–", True: "yes", False: "no"}
            shown = words[value] if value is None or isinstance(value, bool) else str(value)
            rows.append((prefix + name, shown))
    return rows
