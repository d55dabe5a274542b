"""Sightings of all views joined into one list of physical deposits.

Views that see the same place agree or disagree, and both count. A deposit that a second view shows
is surer than either view makes it. A view that should have shown it, at as good a scale and as
squarely, and shows nothing there, speaks against it: a weak deposit is then unsure, an unsure one
is dropped, a strong one stays whatever the other views say.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ...model.camera import SurfaceCoordinates
from ...model.kinds import Kind
from ...model.profile import MeridianProfile
from ...model.surfaces import Surface
from .crumbs import crumb_hosts
from .deposits import SeenDeposit
from .match import group_sightings
from .pose import Pose
from .sighting import BASE_SD_UM, SIZE_SHARE, Placed, place_on_housing, place_sighting, sight_of
from .standing import stands_at

__all__ = ["FAINT", "Deposit", "ViewMaps", "fuse"]

Floats = npt.NDArray[np.float64]

IN_ZONE_UM = 125.0
SECOND_SHARE = 0.5  # a further view's log odds count for this much: the views share net and light
ABSENT_LOGIT = 1.5  # what one clear view without the deposit takes from the log odds
# how far a view without it speaks against a deposit of a kind: wet films come and go with the light
ABSENT_SHARE = {
    Kind.PARTICLE: 1.0,
    Kind.LINT: 1.0,
    Kind.DAMAGE: 0.4,
    Kind.RESIDUE: 0.4,
    Kind.LIQUID: 0.4,
    Kind.FILM: 0.25,
}
STRONG_CONFIDENCE, STRONG_PX = 0.9, 150  # a deposit that no absence makes unsure
LEAST_FACING, FACING_SHARE = 0.35, 0.75  # of a view that must show it: cosine, and of the best one
COARSER = 1.25  # and the most that its scale may be coarser than the best one's
FAINT = 0.15  # probability of any deposit below which a view shows nothing there
MARGIN_PX = 6
RING_SIZE_LOG = 0.7  # of what lies all round: log of the ratio of two views' sizes of one deposit


@dataclass(frozen=True)
class Deposit:
    """One physical deposit, however many views show it.

    Lengths in um, areas in um2, `theta_deg` in [0, 360), `confidence` in 0..1. `s_um`, `theta_deg`
    and their neighbours are None where the place is unknown or (theta) the deposit lies all round.
    `off_zone`: nothing of it within 125 um of the axis. `unsure`: between the detection floor and
    the threshold. `seen_in`: indices of the views that show it. `sightings`: what they show, the
    deposit itself and its crumbs (`crumbs`). `s_sd_um`, `theta_sd_deg`: standard deviations of the
    place; None where it has none.
    """

    id: int
    kind: Kind
    confidence: float
    surface: Surface
    s_um: float | None
    theta_deg: float | None
    s_min_um: float | None
    s_max_um: float | None
    size_um: float
    area_um2: float
    feret_max_um: float
    width_um: float
    length_um: float | None
    enclosing_um: float
    in_zone_area_um2: float
    off_zone: bool
    unsure: bool
    seen_in: tuple[int, ...]
    sightings: tuple[SeenDeposit, ...] = ()
    s_sd_um: float | None = None
    theta_sd_deg: float | None = None


@dataclass(frozen=True)
class ViewMaps:
    """What a view shows per pixel, to ask what it shows where another view sees a deposit.

    `coordinates` of its pixels; `deposit_p`, `unseen` float32 [H, W], 0..1.
    """

    coordinates: SurfaceCoordinates
    deposit_p: npt.NDArray[np.float32]
    unseen: npt.NDArray[np.float32]


def fuse(
    sightings: Sequence[Sequence[SeenDeposit]],
    poses: Sequence[Pose | None],
    maps: Sequence[ViewMaps | None] | None = None,
) -> tuple[Deposit, ...]:
    """One entry per physical deposit, in order of travel distance; those of no known place last.

    `sightings`, `poses`, `maps`: per view. Without `maps` a view's silence counts for nothing.
    """
    known = [pose for pose in poses if pose is not None]
    if not known:
        return ()
    profile = MeridianProfile(known[0].shape)
    placed: list[Placed] = []
    outside: list[Placed] = []
    alone: list[SeenDeposit] = []
    crumbs: dict[int, list[SeenDeposit]] = {}
    for of_view, pose in zip(sightings, poses, strict=True):
        if pose is None:
            continue
        hosts = crumb_hosts(of_view)
        for crumb, host in hosts.items():
            crumbs.setdefault(id(of_view[host]), []).append(of_view[crumb])
        for index, seen in enumerate(of_view):
            if index in hosts:
                continue
            if seen.surface == Surface.HOUSING:
                found, where = place_on_housing(seen, pose, profile), outside
            else:
                found, where = place_sighting(seen, pose, profile), placed
            if found is None:
                alone.append(seen)
            else:
                where.append(found)
    silent = _Silence(profile, poses, maps or [None] * len(poses))
    deposits = [_merged(group, silent, profile) for group in group_sightings(placed)]
    deposits += [_on_housing(group) for group in group_sightings(outside)]
    deposits += [_all_round(group) for group in _alike_all_round(alone)]
    kept = [_with_crumbs(deposit, crumbs) for deposit in deposits if deposit is not None]
    kept.sort(key=_place_key)
    return tuple(replace(deposit, id=number) for number, deposit in enumerate(kept, start=1))


def _with_crumbs(deposit: Deposit, crumbs: dict[int, list[SeenDeposit]]) -> Deposit:
    """The deposit with the crumbs of its sightings among them."""
    more = [crumb for seen in deposit.sightings for crumb in crumbs.get(id(seen), ())]
    if not more:
        return deposit
    together = sorted([*deposit.sightings, *more], key=lambda seen: (seen.view, -seen.pixel_count))
    return replace(deposit, sightings=tuple(together))


def _place_key(deposit: Deposit) -> tuple[float, float, float]:
    s, theta = deposit.s_um, deposit.theta_deg
    return (
        float("inf") if s is None else s,
        float("inf") if theta is None else theta,
        -deposit.size_um,
    )


def _logit(p: float) -> float:
    p = min(max(p, 0.02), 0.995)
    return float(np.log(p / (1 - p)))


def _chance(logit: float) -> float:
    return float(1 / (1 + np.exp(-logit)))


def _together(sightings: Sequence[SeenDeposit]) -> float:
    """Log odds of a deposit from its sightings: the surest one's, and a share of the others'."""
    odds = sorted((_logit(seen.confidence) for seen in sightings), reverse=True)
    return odds[0] + SECOND_SHARE * sum(max(v, 0.0) for v in odds[1:])


class _Silence:
    """What the views say that do not list a deposit."""

    def __init__(
        self,
        profile: MeridianProfile,
        poses: Sequence[Pose | None],
        maps: Sequence[ViewMaps | None],
    ) -> None:
        self.profile, self.poses, self.maps = profile, poses, maps

    def against(self, group: Sequence[Placed]) -> float:
        """How many views, in whole views, clearly show that there is nothing."""
        best = max(group, key=lambda p: p.worth)
        if not best.turn_known:
            return 0.0
        listed = {p.seen.view for p in group}
        return sum(self._clear(view, best) for view in range(len(self.poses)) if view not in listed)

    def _clear(self, view: int, best: Placed) -> float:
        """0..1: how clearly a view shows a bare place where `best` lies."""
        pose, maps = self.poses[view], self.maps[view]
        if pose is None or maps is None or pose.turn_sd_deg is None:
            return 0.0
        sight = sight_of(pose.camera, self.profile, best.s_um, best.theta_deg)
        if sight is None or sight.facing < max(LEAST_FACING, FACING_SHARE * best.facing):
            return 0.0
        if sight.um_per_px > COARSER * best.um_per_px:
            return 0.0
        spread = np.sqrt(float(np.trace(best.covariance)))
        reach = int(np.ceil((best.seen.size_um / 2 + 2 * spread) / sight.um_per_px)) + 2
        x, y = (int(np.floor(v)) for v in sight.xy_px)
        height, width = maps.deposit_p.shape
        edge = MARGIN_PX + reach
        if not (edge <= x < width - edge and edge <= y < height - edge):
            return 0.0
        window = np.s_[y - reach : y + reach + 1, x - reach : x + reach + 1]
        if not self._open(maps, window, best):
            return 0.0
        shown = float(maps.deposit_p[window].max())
        seen_share = 1 - float(maps.unseen[window].mean())
        return seen_share * max(0.0, 1 - shown / FAINT)

    def _open(self, maps: ViewMaps, window: tuple[slice, slice], best: Placed) -> bool:
        """Whether the view's pixels there show the deposit's own surface: nothing is in the way."""
        near = np.abs(maps.coordinates.s_um[window] - best.s_um)
        limit = best.seen.feret_max_um + 150.0
        return bool(np.mean(np.nan_to_num(near, nan=np.inf) < limit) > 0.8)


def _merged(group: Sequence[Placed], silence: _Silence, profile: MeridianProfile) -> Deposit | None:
    """One deposit from its sightings; None if it is too weak against the views without it."""
    best = max(group, key=lambda p: (p.worth, -p.seen.view))
    kind = _kind(group)
    total = _together([p.seen for p in group])
    against = silence.against(group) * ABSENT_SHARE[kind]
    strong = any(
        p.seen.confidence >= STRONG_CONFIDENCE and p.seen.pixel_count >= STRONG_PX for p in group
    )
    unsure = all(p.seen.unsure for p in group) and len(group) < 2
    if unsure and against > 0.5:
        return None
    total -= ABSENT_LOGIT * against
    confidence = _chance(total)
    s_um, theta, covariance = _place(group, profile)
    deposit = _single(best.seen)
    if best.line is not None:  # its own pixels show what lies behind it
        half = deposit.size_um / 2
        deposit = replace(deposit, s_um=s_um, s_min_um=s_um - half, s_max_um=s_um + half)
    shift = 0.0 if deposit.s_um is None else s_um - deposit.s_um
    return replace(
        deposit,
        kind=kind,
        confidence=confidence,
        s_um=s_um,
        theta_deg=theta,
        s_min_um=None if deposit.s_min_um is None else max(deposit.s_min_um + shift, 0.0),
        s_max_um=None if deposit.s_max_um is None else deposit.s_max_um + shift,
        s_sd_um=float(np.sqrt(covariance[0, 0])),
        theta_sd_deg=_angle_sd_deg(float(covariance[1, 1]), best.radius_um),
        length_um=best.seen.length_um if kind == Kind.LINT else None,
        unsure=unsure or (confidence < 0.5 and not strong),
        seen_in=tuple(sorted(p.seen.view for p in group)),
        sightings=tuple(p.seen for p in sorted(group, key=lambda p: p.seen.view)),
    )


def _on_housing(group: Sequence[Placed]) -> Deposit:
    """One deposit on the housing from its sightings: as its best view shows it, without a place."""
    best = max(group, key=lambda p: (p.worth, -p.seen.view))
    return replace(
        _single(best.seen),
        kind=_kind(group),
        confidence=_chance(_together([p.seen for p in group])),
        s_um=None,
        theta_deg=None,
        s_min_um=None,
        s_max_um=None,
        unsure=all(p.seen.unsure for p in group) and len(group) < 2,
        seen_in=tuple(sorted(p.seen.view for p in group)),
        sightings=tuple(p.seen for p in sorted(group, key=lambda p: p.seen.view)),
    )


def _alike_all_round(alone: Sequence[SeenDeposit]) -> list[list[SeenDeposit]]:
    """Sightings without an angle, grouped by deposit: at most one of each view, largest first.

    What lies all round the axis is one deposit in all views that show it at one distance.
    """
    groups: list[list[SeenDeposit]] = []
    for seen in sorted(alone, key=lambda seen: (-seen.pixel_count, seen.view)):
        fits = (
            group
            for group in groups
            if all(other.view != seen.view for other in group) and _one_ring(group[0], seen)
        )
        if (home := next(fits, None)) is not None:
            home.append(seen)
        else:
            groups.append([seen])
    return groups


def _one_ring(a: SeenDeposit, b: SeenDeposit) -> bool:
    """Whether two sightings that lie all round the axis may be one deposit."""
    if a.s_um is None or b.s_um is None or a.kind != b.kind:
        return False
    near = abs(a.s_um - b.s_um) <= BASE_SD_UM + SIZE_SHARE * max(a.size_um, b.size_um)
    return near and abs(np.log(max(a.size_um, 1.0) / max(b.size_um, 1.0))) <= RING_SIZE_LOG


def _all_round(group: Sequence[SeenDeposit]) -> Deposit:
    """One deposit without an angle from its sightings: as its largest shows it."""
    if len(group) == 1:
        return _single(group[0])
    return replace(
        _single(group[0]),
        confidence=_chance(_together(group)),
        unsure=False,
        seen_in=tuple(sorted(seen.view for seen in group)),
        sightings=tuple(sorted(group, key=lambda seen: seen.view)),
    )


def _kind(group: Sequence[Placed]) -> Kind:
    """The kind with most votes; a vote weighs confidence times how well the view sees the place."""
    votes: dict[Kind, float] = {}
    for p in group:
        votes[p.seen.kind] = votes.get(p.seen.kind, 0.0) + p.seen.confidence * np.sqrt(p.worth)
    return max(votes, key=lambda kind: (votes[kind], -int(kind)))


def _place(group: Sequence[Placed], profile: MeridianProfile) -> tuple[float, float, Floats]:
    """The place that the sightings give together, and its covariance, um2 along s and theta.

    Sightings beyond the silhouette count only where there are no others: their lines of sight meet.
    """
    surely = [p for p in group if p.line is None]
    lines = [p.line for p in group if p.line is not None]
    if not surely and len(lines) > 1 and (met := stands_at(lines, profile)) is not None:
        return met.s_um, met.theta_deg, met.covariance
    s, theta, covariance = _mean_place(surely or group)
    if surely and surely[0].seen.surface == Surface.CAVITY:
        # views do not average away a floor whose height all of them share
        shared = min(p.covariance[0, 0] for p in surely)
        covariance[0, 0] = max(covariance[0, 0], shared)
    return s, theta, covariance


def _mean_place(group: Sequence[Placed]) -> tuple[float, float, Floats]:
    """Inverse-covariance mean of the places, and its covariance."""
    first = max(group, key=lambda p: p.worth)
    matrix, right = np.zeros((2, 2)), np.zeros(2)
    for p in group:
        turn = (p.theta_deg - first.theta_deg + 180.0) % 360.0 - 180.0
        at = np.array([p.s_um, np.radians(turn) * first.radius_um])
        weight = np.linalg.inv(p.covariance)
        matrix += weight
        right += weight @ at
    s, around = np.linalg.solve(matrix, right)
    theta = (first.theta_deg + np.degrees(around / first.radius_um)) % 360
    covariance: Floats = np.linalg.inv(matrix).astype(np.float64)
    return float(max(s, 0.0)), float(theta), covariance


def _angle_sd_deg(variance_um2: float, radius_um: float) -> float | None:
    """A deviation around the axis as an angle; None where any angle is as good."""
    sd = float(np.degrees(np.sqrt(variance_um2) / max(radius_um, 1.0)))
    return sd if sd < 180.0 else None


def _single(seen: SeenDeposit) -> Deposit:
    """A deposit as one view shows it."""
    beyond = seen.s_min_um is None or seen.s_min_um > IN_ZONE_UM
    return Deposit(
        id=0,
        kind=seen.kind,
        confidence=seen.confidence,
        surface=seen.surface,
        s_um=seen.s_um,
        theta_deg=seen.theta_deg,
        s_min_um=seen.s_min_um,
        s_max_um=seen.s_max_um,
        size_um=seen.size_um,
        area_um2=seen.area_um2,
        feret_max_um=seen.feret_max_um,
        width_um=seen.width_um,
        length_um=seen.length_um,
        enclosing_um=seen.enclosing_um,
        in_zone_area_um2=seen.in_zone_area_um2,
        off_zone=beyond and seen.in_zone_area_um2 == 0,
        unsure=seen.unsure,
        seen_in=(seen.view,),
        sightings=(seen,),
    )
