"""Whether the pictures show enough of the connector for a mate."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from ...model.surfaces import Surface
from ..see.coverage import Coverage
from .rules import Rules
from .stops import Reason

__all__ = ["ViewEvidence", "missing_evidence", "zone_sight_um"]


@dataclass(frozen=True)
class ViewEvidence:
    """What one picture is worth: `detection_limit_um` None where it could not be found.

    `tilt_deg`, `turn_deg`: the camera's pose, None where the view could not be placed.
    """

    picture: str
    readable: bool
    why_not: str | None
    detection_limit_um: float | None
    tilt_deg: float | None = None
    turn_deg: float | None = None


def missing_evidence(
    coverage: Coverage | None, views: Sequence[ViewEvidence], rules: Rules
) -> tuple[Reason, ...]:
    """Everything that keeps the pictures from carrying a mate; empty when nothing does.

    A picture that cannot be judged always stands in the way: what it would have shown is unknown.
    One that is only too coarse is named when something else is missing; alone it takes nothing
    away.
    """
    usable = [view for view in views if _usable(view, rules)]
    found = list(_uncovered(coverage, rules)) + list(_turn_gap(usable, rules))
    if not usable:
        found.insert(0, Reason("no-usable-view", "No picture shows the connector well enough."))
    incomplete = bool(found)
    for view in views:
        if not view.readable or (incomplete and not _usable(view, rules)):
            found.append(_useless(view, rules))
    return tuple(found)


def zone_sight_um(coverage: Coverage | None, rules: Rules) -> float | None:
    """Smallest deposit (um) that one view shows all over the graded zones; None if none does."""
    if coverage is None or not _enough(coverage, Surface.FIBER, rules):
        return None
    return coverage.zones_um


def _usable(view: ViewEvidence, rules: Rules) -> bool:
    limit = view.detection_limit_um
    return view.readable and limit is not None and 0 < limit <= rules.coarsest_limit_um


def _useless(view: ViewEvidence, rules: Rules) -> Reason:
    name, limit = view.picture, view.detection_limit_um
    if not view.readable:
        return Reason(
            "unreadable-view", f"{name}: {view.why_not or 'cannot be judged'}.", None, name
        )
    if limit is None or not isfinite(limit):
        text = f"{name}: the smallest deposit it can show could not be found."
        return Reason("coarse-view", text, None, name)
    coarsest = rules.coarsest_limit_um
    text = f"{name}: shows deposits from {limit:.0f} um only; {coarsest:g} um or finer is needed."
    return Reason("coarse-view", text, None, name, limit, coarsest, "um")


def _enough(coverage: Coverage, surface: Surface, rules: Rules) -> bool:
    # written so that NaN and a missing surface are not enough
    fine = coverage.size_um <= rules.coarsest_limit_um
    return fine and coverage.share.get(surface, 0.0) >= rules.needed_share[surface]


def _uncovered(coverage: Coverage | None, rules: Rules) -> list[Reason]:
    if coverage is None:
        return [Reason("coverage", "No picture could be placed on the connector.")]
    found: list[Reason] = []
    for surface, needed in rules.needed_share.items():
        if _enough(coverage, surface, rules):
            continue
        share = coverage.share.get(surface)
        share = None if share is None or not isfinite(share) else share
        digits = 1 if share is not None and f"{share:.0%}" == f"{needed:.0%}" else 0
        seen = "nothing is known" if share is None else f"{share:.{digits}%} is shown"
        text = (
            f"Of the {surface.name.lower()} {seen} well enough for {_size(coverage)}; "
            f"a mate needs {needed:.{digits}%}."
        )
        found.append(Reason("coverage", text, None, None, share, needed, "share"))
    return found


def _size(coverage: Coverage) -> str:
    return f"{coverage.size_um:.0f} um" if isfinite(coverage.size_um) else "a known size"


def _turn_gap(usable: Sequence[ViewEvidence], rules: Rules) -> list[Reason]:
    """The widest stretch of turns (deg) that no oblique view faces, if it is too wide."""
    turns = sorted(
        view.turn_deg % 360.0
        for view in usable
        if view.turn_deg is not None
        and view.tilt_deg is not None
        and rules.oblique_from_deg <= view.tilt_deg <= rules.oblique_to_deg
    )
    if not turns:
        text = "No oblique view at a known turn: the barrel's side is not shown."
        return [Reason("turn-gap", text, None, None, 360.0, rules.largest_turn_gap_deg, "deg")]
    ahead = [*turns[1:], turns[0] + 360.0]
    gap, start = max((b - a, a) for a, b in zip(turns, ahead, strict=True))
    if gap <= rules.largest_turn_gap_deg:
        return []
    middle = (start + gap / 2) % 360.0
    lacks = (
        "There is one oblique view only"
        if len(turns) == 1
        else f"No oblique view faces {gap:.0f} deg of the way round"
    )
    text = f"{lacks}: take one at turn {middle:.0f} deg."
    return [Reason("turn-gap", text, None, None, gap, rules.largest_turn_gap_deg, "deg")]
