"""Which sightings of different views are one physical deposit, and how views are turned."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...model.kinds import Kind
from ...model.surfaces import Surface
from .sighting import Placed

__all__ = ["Correction", "Mark", "group_sightings", "one_place", "turn_corrections_deg"]

Floats = npt.NDArray[np.float64]

MOST_COST = 11.0  # about 99.6 % of true pairs: chi-squared with 2 degrees of freedom
FARTHEST_UM = 600.0
WET = (Kind.FILM, Kind.RESIDUE, Kind.LIQUID)
SIZE_SD = 0.8  # of the log of the ratio of two views' sizes
STEP_COST = 2.0  # for lying on neighbouring surfaces: near an edge views differ
LARGEST_TURN_DEG = 6.0
SWEEPS = 6
MOST_DEPOSITS = 40  # of each view that take part
LEAST_SUPPORT = 1.5  # matches' worth behind a small correction
LEAST_SUPPORT_FOUND = 2.5  # and behind a turn found all round,
LEAST_SUPPORT_MARK = 1.5  # or at one of the few turns that a mark leaves;
RUNNER_UP = 0.65  # whose next best must lie this far below it
MARK_SD_DEG = 4.0  # of a mark's direction between two views: it only says which turn is meant
MARK_WORTH = 4.0  # of a mark that tells the whole turn, in matches


def _gap(a: Placed, b: Placed) -> Floats:
    """From a to b on the surface, um along s and along theta."""
    turn = (b.theta_deg - a.theta_deg + 180.0) % 360.0 - 180.0
    return np.array([b.s_um - a.s_um, np.radians(turn) * (a.radius_um + b.radius_um) / 2])


def _kind_cost(a: Kind, b: Kind) -> float:
    if a == b:
        return 0.0
    return 1.0 if a in WET and b in WET else 2.5


def _order(surface: Surface) -> int:
    """Position along the way from the fibre; the fibre belongs to the endface."""
    return min(int(surface), int(Surface.ENDFACE))


def pair_cost(a: Placed, b: Placed) -> float:
    """How badly two sightings of different views fit one deposit; infinite: not at all."""
    if not (a.turn_known and b.turn_known):
        return float("inf")
    apart = abs(_order(a.seen.surface) - _order(b.seen.surface))
    if apart > 1 or (apart and Surface.CAVITY in (a.seen.surface, b.seen.surface)):
        return float("inf")
    gap = _gap(a, b)
    extent = max(a.seen.feret_max_um, b.seen.feret_max_um)
    open_ended = a.line is not None or b.line is not None
    if not open_ended and float(np.hypot(*gap)) > FARTHEST_UM + extent / 2:
        return float("inf")
    # each view may see another part of a large deposit
    spread = a.covariance + b.covariance + (0.2 * extent) ** 2 * np.eye(2)
    sizes = np.log(max(a.seen.size_um, 1.0) / max(b.seen.size_um, 1.0)) / SIZE_SD
    cost = gap @ np.linalg.solve(spread, gap) + sizes**2
    return float(cost) + STEP_COST * apart + _kind_cost(a.seen.kind, b.seen.kind)


def one_place(a: Placed, b: Placed) -> bool:
    """Whether two sightings of different views may be one deposit, as far as places tell.

    Where a turn is not known, only the travel distance tells.
    """
    if a.turn_known and b.turn_known:
        return pair_cost(a, b) < MOST_COST
    spread = a.covariance[0, 0] + b.covariance[0, 0]
    return (b.s_um - a.s_um) ** 2 < MOST_COST * float(spread)


def _near_pairs(placed: Sequence[Placed]) -> Iterator[tuple[int, int]]:
    """Pairs of different views near enough for `pair_cost` to be below MOST_COST at all.

    The cost is at least the squared distance over the largest variance, which the trace bounds.
    """
    s = np.array([p.s_um for p in placed])
    theta = np.radians([p.theta_deg for p in placed])
    radius = np.array([p.radius_um for p in placed])
    extent = np.array([p.seen.feret_max_um for p in placed])
    trace = np.array([np.trace(p.covariance) for p in placed])
    view = np.array([p.seen.view for p in placed])
    for i in range(len(placed) - 1):
        rest = slice(i + 1, None)
        turn = (theta[rest] - theta[i] + np.pi) % (2 * np.pi) - np.pi
        square = (s[rest] - s[i]) ** 2 + (turn * (radius[rest] + radius[i]) / 2) ** 2
        spread = trace[rest] + trace[i] + (0.2 * np.maximum(extent[rest], extent[i])) ** 2
        near = (square < MOST_COST * spread) & (view[rest] != view[i])
        for j in np.flatnonzero(near):
            yield i, i + 1 + int(j)


def group_sightings(placed: Sequence[Placed]) -> list[list[Placed]]:
    """Sightings grouped by deposit, best pairs first, at most one of each view in a group."""
    pairs = [
        (cost, i, j)
        for i, j in _near_pairs(placed)
        if (cost := pair_cost(placed[i], placed[j])) < MOST_COST
    ]
    member = list(range(len(placed)))
    groups = {k: [k] for k in member}
    for _, i, j in sorted(pairs):
        one, other = member[i], member[j]
        if one == other:
            continue
        views = [placed[k].seen.view for k in groups[one] + groups[other]]
        if len(set(views)) < len(views):
            continue
        groups[one] += groups.pop(other)
        for k in groups[one]:
            member[k] = one
    return [[placed[k] for k in sorted(members)] for members in groups.values()]


@dataclass(frozen=True)
class Mark:
    """The direction of something that all views show (deg), the same after each period."""

    angle_deg: float
    period_deg: float


@dataclass(frozen=True)
class Correction:
    """What to add to a view's angles, deg.

    `quality` of a turn found all round: 0..1, how far the next best one lies below it; None for
    one that was known, or that stands for 0.
    """

    by_deg: float
    quality: float | None = None


def turn_corrections_deg(
    placed: Sequence[Placed],
    turn_sds_deg: Sequence[float | None],
    marks: Sequence[Mark | None] | None = None,
) -> tuple[Correction | None, ...]:
    """Per view, what to add to its angles so that the views agree; None: cannot tell.

    `turn_sds_deg`: how well each view's turn is known; None for an unknown one. Those that are
    known are turned one after the other to where their deposits fall best on those of the others,
    held back by how well they were known; their mean correction is 0. Then each unknown one is
    looked for all round, the clearest first; without any known turn, the view with most deposits
    stands for 0. Only the clearest deposits of each view take part, and `marks` if there are any.
    """
    meetings = _meetings(_clearest(placed))
    known = [k for k, sd in enumerate(turn_sds_deg) if sd is not None]
    turns: dict[int, float] = dict.fromkeys(known, 0.0)
    for _ in range(SWEEPS):
        for view in known:
            turns[view] = _settled(meetings, view, turns, turn_sds_deg[view] or 1e-3)
        middle = sum(turns.values()) / max(len(turns), 1)
        turns = {view: turn - middle for view, turn in turns.items()}
    all_marks = marks or [None] * len(turn_sds_deg)
    if not known and (first := _first(placed, all_marks)) is not None:
        turns[first] = 0.0
    found = _find_rest(meetings, turns, all_marks)
    return tuple(
        Correction(turns[k], found.get(k)) if k in turns else None for k in range(len(turn_sds_deg))
    )


def _first(placed: Sequence[Placed], marks: Sequence[Mark | None]) -> int | None:
    """The view that stands for 0: that with most deposits, else the first with a mark."""
    if placed:
        return int(np.argmax(np.bincount([p.seen.view for p in placed])))
    return next((k for k, mark in enumerate(marks) if mark is not None), None)


def _find_rest(
    meetings: dict[tuple[int, int], list["_Meeting"]],
    turns: dict[int, float],
    marks: Sequence[Mark | None],
) -> dict[int, float]:
    """Look for each view not in `turns`, the clearest first, and put it there; their qualities."""
    quality: dict[int, float] = {}
    while True:
        rest = [view for view in range(len(marks)) if view not in turns]
        found = {view: _found_all_round(meetings, view, turns, marks) for view in rest}
        clear = {view: each for view, each in found.items() if each is not None}
        if not clear:
            return quality
        best = max(clear, key=lambda view: clear[view][1])
        turns[best], quality[best] = clear[best]


def _clearest(placed: Sequence[Placed]) -> list[Placed]:
    """Per view its clearest deposits off the axis; others' places are not sure enough.

    Those are the ones in the cavity, and what sticks out beyond the silhouette.
    """
    usable = [
        p
        for p in placed
        if p.radius_um > 60.0 and p.seen.surface != Surface.CAVITY and p.line is None
    ]
    usable.sort(key=lambda p: (p.seen.view, -p.seen.confidence * p.seen.pixel_count**0.5))
    taken: Counter[int] = Counter()
    kept: list[Placed] = []
    for p in usable:
        taken[p.seen.view] += 1
        if taken[p.seen.view] <= MOST_DEPOSITS:
            kept.append(p)
    return kept


@dataclass(frozen=True)
class _Meeting:
    """One deposit of a view against those of another near its travel distance; arrays [k].

    `turn_deg`: by how much to turn it to fall on each; `cost`: how badly they match then;
    `sd_deg`: how sharply.
    """

    turn_deg: Floats
    cost: Floats
    sd_deg: Floats

    def met(self, turn_deg: Floats) -> Floats:
        """0..1: how well it falls on one of the others, for each of `turn_deg` [n]."""
        off = (self.turn_deg[:, None] - turn_deg + 180.0) % 360.0 - 180.0
        return np.exp(-0.5 * (self.cost[:, None] + (off / self.sd_deg[:, None]) ** 2)).max(axis=0)


def _meetings(placed: Sequence[Placed]) -> dict[tuple[int, int], list[_Meeting]]:
    """By (view, other view), the meetings of the view's deposits."""
    views = sorted({p.seen.view for p in placed})
    out: dict[tuple[int, int], list[_Meeting]] = {}
    for view in views:
        for other in views:
            theirs = [p for p in placed if p.seen.view == other]
            mine = [p for p in placed if p.seen.view == view] if other != view else []
            met = [_meeting(a, theirs) for a in mine]
            out[view, other] = [m for m in met if m is not None]
    return out


def _meeting(a: Placed, theirs: Sequence[Placed]) -> _Meeting | None:
    rows: list[tuple[float, float, float]] = []
    for b in theirs:
        gap = _gap(a, b)
        if _order(a.seen.surface) != _order(b.seen.surface) or abs(gap[0]) > 150.0:
            continue
        radius = (a.radius_um + b.radius_um) / 2
        along, around = np.diag(a.seen_covariance + b.seen_covariance)
        around = around + (0.1 * a.seen.feret_max_um) ** 2
        sizes = np.log(max(a.seen.size_um, 1.0) / max(b.seen.size_um, 1.0)) / SIZE_SD
        cost = gap[0] ** 2 / along + sizes**2 + 2 * _kind_cost(a.seen.kind, b.seen.kind)
        per_deg = np.radians(radius)
        rows.append((float(gap[1] / per_deg), float(cost), float(np.sqrt(around) / per_deg)))
    if not rows:
        return None
    turn, cost, sd = np.array(rows).T
    return _Meeting(turn, cost, sd)


def _agreement(
    meetings: dict[tuple[int, int], list[_Meeting]],
    view: int,
    turns: dict[int, float],
    steps: Floats,
) -> Floats:
    """For each extra turn of a view, how often its deposits meet those of the views in `turns`."""
    total = np.zeros(len(steps))
    for other in sorted(set(turns) - {view}):
        for meeting in meetings.get((view, other), ()):
            total += meeting.met(steps - turns[other])
    return total


def _settled(
    meetings: dict[tuple[int, int], list[_Meeting]], view: int, turns: dict[int, float], sd: float
) -> float:
    """The view's turn that agrees best, near the known one."""
    steps = np.arange(-LARGEST_TURN_DEG, LARGEST_TURN_DEG + 1e-9, 0.25)
    support = _agreement(meetings, view, turns, steps)
    gains = support - 0.5 * (steps / sd) ** 2
    best = int(np.argmax(gains))
    at_rest = float(gains[np.argmin(np.abs(steps - turns[view]))])
    better = gains[best] > at_rest + 1e-6 and support[best] >= LEAST_SUPPORT
    return float(steps[best]) if better else turns[view]


def _found_all_round(
    meetings: dict[tuple[int, int], list[_Meeting]],
    view: int,
    turns: dict[int, float],
    marks: Sequence[Mark | None],
) -> tuple[float, float] | None:
    """The turn of a view of unknown turn and its quality, if one stands out clearly."""
    steps = np.arange(-180.0, 180.0, 0.25)
    shared = support = _agreement(meetings, view, turns, steps)
    allowed = _allowed(view, turns, marks, steps)
    least = LEAST_SUPPORT_FOUND
    if allowed is not None:
        least = LEAST_SUPPORT_MARK
        mark = marks[view]
        whole = mark is not None and mark.period_deg >= 360.0
        support = allowed * (support + (MARK_WORTH if whole else 0.0))
    best = int(np.argmax(support))
    off = np.abs((steps - steps[best] + 180.0) % 360.0 - 180.0)
    runner_up = float(support[off > 8.0].max(initial=0.0))
    if support[best] < least or runner_up > RUNNER_UP * support[best]:
        return None
    # where the deposits say it more sharply than a mark, they do
    here = np.where(off <= 2 * MARK_SD_DEG, shared, 0.0)
    turn = steps[int(np.argmax(here))] if here.max() >= 1.0 else steps[best]
    return float(turn), 1.0 - runner_up / float(support[best])


def _allowed(
    view: int, turns: dict[int, float], marks: Sequence[Mark | None], steps: Floats
) -> Floats | None:
    """0..1 per step: how well the view's mark falls on those of the views in `turns`.

    None where the view or all those have no mark.
    """
    mine = marks[view]
    others = [
        (mark.angle_deg + turns[k], mark.period_deg)
        for k, mark in enumerate(marks)
        if k in turns and mark is not None
    ]
    if mine is None or not others:
        return None
    fits = np.ones(len(steps))
    for angle, period in others:
        off = (mine.angle_deg + steps - angle + period / 2) % period - period / 2
        fits = np.minimum(fits, np.exp(-0.5 * (off / MARK_SD_DEG) ** 2))
    return fits
