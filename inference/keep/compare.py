"""Before and after: what of a connector's dirt stayed, moved, is gone or is new.

Two inspections are laid on each other by what both show; where a cleaning left nothing to match,
by the label and the turns that a person stated. Then deposits are paired by place and size. What is
left over on both sides may be one deposit that moved: that is said only where it is likelier than
a loss here and a newcomer there. A deposit whose place the other pictures do not show has no fate.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from ...model.kinds import KIND_NAMES, Kind
from ...model.profile import MeridianProfile
from ...model.shape import ConnectorShape
from ...model.surfaces import SURFACE_NAMES, Surface
from .compare_match import (
    STATED_REACH_DEG,
    STATED_SD_DEG,
    Registration,
    Spot,
    pair_costs,
    paired,
    register,
)
from .compare_moves import moved_pairs
from .compare_parts import parts_of
from .compare_way import way_um
from .inspection import DepositRecord, Inspection
from .map_files import MapData

__all__ = ["FATES", "Comparison", "DepositFate", "Side", "compare", "spots_of"]

Fate = Literal["stayed", "moved", "gone", "new"]
Match = Literal["found", "stated", "none"]
FATES: tuple[Fate, ...] = ("stayed", "moved", "gone", "new")
# How far the same connector's fitted dimensions differ between two inspections at most, as shares.
# Rendered connectors inspected twice: up to 0.001 with true masks (16), to 0.07 with a net's (7).
DIMENSIONS = {"endface_edge_um": 0.10}
LIKELY = 0.5  # of a match that refines stated turns
SHOWN_SHARE = 1.0  # the other pictures must show this share of a deposit's size at its place
ALL_ROUND_DEG = tuple(range(0, 360, 5))
NOT_SHOWN = "the other pictures do not show its place well enough"
NO_MAP = "whether the other pictures show its place is not known: their map data is missing"


@dataclass(frozen=True)
class Side:
    """One of the two inspections and its map's data, None where it left none."""

    inspection: Inspection
    map: MapData | None = None

    @property
    def label(self) -> str | None:
        """What a person called the connector."""
        label = self.inspection.connector.get("label")
        return None if label is None else str(label)

    @property
    def turns_stated(self) -> bool:
        """Whether every view that counts has a stated turn."""
        views = [view for view in self.inspection.views if view.readable]
        return bool(views) and all(view.stated_turn_deg is not None for view in views)

    def shape(self) -> ConnectorShape | None:
        """The fitted shape, None if no view could be placed."""
        found = self.inspection.shape_um
        return None if found is None else ConnectorShape(**dict(found))  # type: ignore[arg-type]

    def shows(self, s_um: float, theta_deg: float | None, size_um: float) -> bool:
        """Whether some picture would show a deposit of this size at this place.

        Without an angle it may lie anywhere at this travel distance, so all round must be shown.
        Without a map nothing is known to be shown.
        """
        if self.map is None:
            return False
        angles = ALL_ROUND_DEG if theta_deg is None else (theta_deg,)
        return max(self.map.limit_at(s_um, each) for each in angles) <= SHOWN_SHARE * size_um


@dataclass(frozen=True)
class DepositFate:
    """One deposit before or after, or the same one in both.

    Places as each inspection has them. `fate` None where the other pictures do not show the place;
    `why` says so. Of moved ones only: `moved_um`, the way along the surface, None where an angle is
    missing; `fiberward_um`, by how much nearer to the fibre it came along its meridian, negative:
    farther away; `sure`, how likely it is the same deposit. `unsure`: no inspection that lists it
    was sure that it is a deposit. `part_of`: (before_id, after_id) of the whole of which it is a
    part that only one of the two inspections shows apart; it shares the whole's fate and counts
    with it.
    """

    before_id: int | None
    after_id: int | None
    kind: str
    surface: str
    fate: Fate | None
    before_s_um: float | None = None
    before_theta_deg: float | None = None
    before_size_um: float | None = None
    after_s_um: float | None = None
    after_theta_deg: float | None = None
    after_size_um: float | None = None
    after_surface: str | None = None
    moved_um: float | None = None
    fiberward_um: float | None = None
    sure: float | None = None
    unsure: bool = False
    why: str | None = None
    part_of: tuple[int, int] | None = None


@dataclass(frozen=True)
class Comparison:
    """What became of the deposits of one connector.

    `match`: found (by what both show), stated (by label and turns) or none. `match_quality`: 1 less
    the chance that unrelated deposits agree as well, None where none agree. `turn_deg`: to be added
    to the second inspection's angles. Refused: `pairs` is empty and `why_refused` says why.
    """

    match: Match
    match_quality: float | None
    matched: int
    turn_deg: float | None
    refused: bool
    why_refused: str | None
    pairs: tuple[DepositFate, ...]
    notes: tuple[str, ...] = ()


def compare(before: Side, after: Side) -> Comparison:
    """Compare two inspections; a refusal is a result, not an error."""
    shapes = before.shape(), after.shape()
    if shapes[0] is None or shapes[1] is None:
        which = "before" if shapes[0] is None else "after"
        return _refused(f"no picture of the inspection {which} could be placed on the connector")
    if (other := _other_connector(shapes[0], shapes[1])) is not None:
        return _refused(other)
    profiles = MeridianProfile(shapes[0]), MeridianProfile(shapes[1])
    spots = (
        _laid(spots_of(before.inspection, profiles[0]), *profiles),
        _laid(spots_of(after.inspection, profiles[1]), *reversed(profiles)),
    )
    stated = before.turns_stated and after.turns_stated
    found = register(*spots, stated)
    match: Match = "found"
    if not found.found:
        named = before.label is not None and before.label == after.label
        if not (named and stated):
            return _refused(_no_match(found, named, stated), found)
        match, found = "stated", _as_stated(found)
        if (gone := _lost_marks(spots, after, found)) is not None:
            return _refused(gone, found)
    fates = _fates(spots, (before, after), found, profiles[0])
    notes = _notes(before, after, spots)
    quality = found.quality if found.pairs else None
    return Comparison(match, quality, found.pairs, found.turn_deg, False, None, fates, notes)


def spots_of(inspection: Inspection, profile: MeridianProfile) -> tuple[Spot, ...]:
    """The deposits that have a place on the surface."""
    return tuple(
        _spot(deposit, profile)
        for deposit in inspection.deposits
        if deposit.s_um is not None and deposit.size_um is not None
    )


def _laid(spots: Sequence[Spot], own: MeridianProfile, other: MeridianProfile) -> tuple[Spot, ...]:
    """One inspection's spots with their travel distance on the other one's chart.

    Where pictures do not show the barrel's foot, two inspections may take the same cavity's floor
    for millimetres apart. A floor deeper by 1 um lies 1 um farther from the fibre; of the wall,
    whose place the pictures do show, s counts that way down and up again.
    """
    deeper = other.shape.barrel_length_um - own.shape.barrel_length_um
    foot, floor_end = own.s_end_um[Surface.BARREL], own.s_floor_end_um
    return tuple(
        replace(spot, laid_um=spot.s_um + deeper * (1 + (spot.s_um > floor_end)))
        if spot.surface == Surface.CAVITY and spot.s_um > foot
        else spot
        for spot in spots
    )


def _spot(deposit: DepositRecord, profile: MeridianProfile) -> Spot:
    assert deposit.s_um is not None
    assert deposit.size_um is not None
    size = deposit.size_um
    extent = deposit.length_um or deposit.feret_max_um or size
    radius = float(profile.radius_um(deposit.s_um, deposit.theta_deg or 0.0))
    return Spot(
        id=deposit.id,
        kind=Kind(KIND_NAMES.index(deposit.kind)),
        surface=Surface(SURFACE_NAMES.index(deposit.surface)),
        s_um=deposit.s_um,
        theta_deg=deposit.theta_deg,
        radius_um=radius if np.isfinite(radius) else profile.shape.ferrule_radius_um,
        size_um=size,
        extent_um=extent,
        shape=float(np.log(max(extent, 1.0) / max(deposit.width_um or extent, 1.0))),
        unsure=deposit.unsure,
        s_sd_um=deposit.s_sd_um or 0.0,
        theta_sd_deg=deposit.theta_sd_deg or 0.0,
    )


# -- whether the two belong together ---------------------------------------------------------------


def _refused(why: str, found: Registration | None = None) -> Comparison:
    quality = found.quality if found is not None and found.pairs else None
    pairs = 0 if found is None else found.pairs
    return Comparison("none", quality, pairs, None, True, why, ())


def _other_connector(one: ConnectorShape, other: ConnectorShape) -> str | None:
    """Why the two shapes cannot be one connector's; None if they can."""
    if one.ferrule_radius_um != other.ferrule_radius_um:
        sizes = " and ".join(f"{2 * s.ferrule_radius_um / 1000:.3g} mm" for s in (one, other))
        return f"the ferrules differ: {sizes}"
    if (one.apc_angle_deg > 0) != (other.apc_angle_deg > 0):
        return "one endface is angled, the other is not"
    for name, most in DIMENSIONS.items():
        a, b = (float(getattr(shape, name)) for shape in (one, other))
        if abs(a - b) > most * max(a, b):
            words = name.removesuffix("_um").replace("_", " ")
            return f"the connectors differ: {words} at {a:.0f} um before and {b:.0f} um after"
    return None


def _no_match(found: Registration, named: bool, stated: bool) -> str:
    chance = (
        f"deposits that agree: {found.pairs}, which chance may do"
        if found.pairs
        else ("no deposit agrees")
    )
    missing = [
        *([] if named else ["the same --connector LABEL"]),
        *([] if stated else ["--turn of every picture"]),
    ]
    return (
        f"nothing sure shows that this is one connector ({chance}); inspect both with "
        f"{' and '.join(missing)}"
    )


def _as_stated(found: Registration) -> Registration:
    """The stated turns, refined by what agrees near them if chance would not soon do that."""
    near = found.quality >= LIKELY and abs(found.turn_deg) <= STATED_REACH_DEG / 2
    return found if near else Registration(0.0, found.quality, 0, STATED_SD_DEG)


def _lost_marks(
    spots: tuple[Sequence[Spot], Sequence[Spot]], after: Side, found: Registration
) -> str | None:
    """Whether marks that no cleaning takes away are missing, so that the label must be wrong."""
    marks = [s for s in spots[0] if s.kind == Kind.DAMAGE and not s.unsure]
    shown = [
        s
        for s in marks
        if after.map is None  # then a label is not believed against the marks
        or after.shows(s.s_um, _turned(s.theta_deg, -found.turn_deg), s.size_um)
    ]
    left = [s for s in spots[1] if s.kind == Kind.DAMAGE]
    turns = np.arange(-STATED_REACH_DEG, STATED_REACH_DEG + 0.1, 0.5) + found.turn_deg
    if not shown or any(paired(pair_costs(shown, left, float(turn))) for turn in turns):
        return None
    return (
        "the label says one connector, yet of the damage before, which no cleaning takes away, "
        f"nothing is there after ({len(shown)} before)"
    )


# -- what became of each deposit -------------------------------------------------------------------


def _fates(
    spots: tuple[Sequence[Spot], Sequence[Spot]],
    sides: tuple[Side, Side],
    found: Registration,
    profile: MeridianProfile,
) -> tuple[DepositFate, ...]:
    before, after = spots
    stayed = [
        (before[i], after[j])
        for i, j in paired(pair_costs(before, after, found.turn_deg, found.sd_deg))
    ]
    parts = parts_of(stayed, before, after, found.turn_deg)
    taken = ({id(b) for b, _ in stayed}, {id(a) for _, a in stayed})
    lost = [b for b in before if id(b) not in taken[0] and id(b) not in parts]
    come = [a for a in after if id(a) not in taken[1] and id(a) not in parts]
    moved = moved_pairs(lost, come, (*before, *after))
    rows = [_row(b, a, "stayed") for b, a in stayed]
    for side, each in ((0, before), (1, after)):
        for spot in each:
            if id(spot) in parts:
                b, a = parts[id(spot)]
                row = _row(spot, None, "stayed") if side == 0 else _row(None, spot, "stayed")
                rows.append(replace(row, part_of=(b.id, a.id)))
    rows += [_moved_row(b, a, sure, (found, profile)) for b, a, sure in moved]
    gone = {id(b) for b, _, _ in moved}
    new = {id(a) for _, a, _ in moved}
    rows += [_lost_row(b, sides[1], found) for b in lost if id(b) not in gone]
    rows += [_new_row(a, sides[0], found) for a in come if id(a) not in new]
    return tuple(sorted(rows, key=_order))


def _moved_row(
    b: Spot, a: Spot, sure: float, by: tuple[Registration, MeridianProfile]
) -> DepositFate:
    found, profile = by
    end_deg, way = _turned(a.theta_deg, found.turn_deg), None
    if b.theta_deg is not None and end_deg is not None:
        way = way_um(profile, (b.s_um, b.theta_deg), (a.at_um, end_deg))
    return replace(_row(b, a, "moved"), moved_um=way, fiberward_um=b.s_um - a.at_um, sure=sure)


def _lost_row(b: Spot, after: Side, found: Registration) -> DepositFate:
    shown = after.shows(b.at_um, _turned(b.theta_deg, -found.turn_deg), b.size_um)
    return _row(b, None, "gone") if shown else _unknown(_row(b, None, None), after)


def _new_row(a: Spot, before: Side, found: Registration) -> DepositFate:
    shown = before.shows(a.at_um, _turned(a.theta_deg, found.turn_deg), a.size_um)
    return _row(None, a, "new") if shown else _unknown(_row(None, a, None), before)


def _unknown(row: DepositFate, other: Side) -> DepositFate:
    return replace(row, why=NO_MAP if other.map is None else NOT_SHOWN)


def _order(row: DepositFate) -> tuple[int, int]:
    """By the deposit's number before; newcomers last."""
    return (row.before_id or 10**6, row.after_id or 0)


def _row(b: Spot | None, a: Spot | None, fate: Fate | None) -> DepositFate:
    first = b or a
    assert first is not None
    return DepositFate(
        before_id=None if b is None else b.id,
        after_id=None if a is None else a.id,
        kind=KIND_NAMES[first.kind],
        surface=SURFACE_NAMES[first.surface],
        fate=fate,
        before_s_um=None if b is None else b.s_um,
        before_theta_deg=None if b is None else b.theta_deg,
        before_size_um=None if b is None else b.size_um,
        after_s_um=None if a is None else a.s_um,
        after_theta_deg=None if a is None else a.theta_deg,
        after_size_um=None if a is None else a.size_um,
        after_surface=None if a is None else SURFACE_NAMES[a.surface],
        unsure=all(s is None or s.unsure for s in (b, a)),
    )


def _turned(theta_deg: float | None, by_deg: float) -> float | None:
    return None if theta_deg is None else (theta_deg + by_deg) % 360.0


def _notes(
    before: Side, after: Side, spots: tuple[Sequence[Spot], Sequence[Spot]]
) -> tuple[str, ...]:
    notes: list[str] = []
    if None not in (before.label, after.label) and before.label != after.label:
        notes.append(f"The labels differ: {before.label} before, {after.label} after.")
    for name, side, own in (("before", before, spots[0]), ("after", after, spots[1])):
        if side.map is None:
            notes.append(
                f"The inspection {name} left no map data, so whether it shows a place is not known."
            )
        off = len(side.inspection.deposits) - len(own)
        if off:
            notes.append(f"Left out for want of a place on the map: {off} {name}.")
    return tuple(notes)
