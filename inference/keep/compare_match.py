"""Laying two inspections of one connector on each other, and pairing their deposits.

What the two share says by which angle the second is to be turned. How many pairs agree by chance is
counted at all the other angles, so the quality of a match is how sure it is that chance did not
make it (Poisson), not how many deposits there are.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib import import_module
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.kinds import Kind
from ...model.surfaces import Surface

__all__ = ["Registration", "Spot", "pair_costs", "paired", "register"]

Floats = npt.NDArray[np.float64]

WET = (Kind.FILM, Kind.RESIDUE, Kind.LIQUID)
PLACE_SD_UM = 15.0  # of a place between two inspections,
MOST_SD_UM = 60.0  # at most; a place known worse does not make two deposits one
EXTENT_SHARE = 0.1  # more for a large deposit, whose parts each view shows differently,
CAVITY_SD_UM = 400.0  # and along s in the cavity, whose depth is known badly
TURN_SD_DEG = 0.4  # of one deposit's angle after the two were turned onto each other
SIZE_SD, SIZE_SD_WET = 0.3, 0.7  # of the log of the ratio of two sizes
LENGTH_SD = 0.35  # of the log of the ratio of two lengths of lint
MOST_COST = 13.0  # chi-squared with 3 degrees of freedom: 99.5 % of true pairs
STATED_SD_DEG = 4.2  # between two stated turns, each good to about 3 deg
STATED_REACH_DEG = 10.0
STEP_DEG = 0.25
LEAST_RADIUS_UM = 60.0  # nearer to the axis a deposit says nothing of the turn
ONE_PEAK_DEG = 8.0  # angles nearer than this to the best one are the same answer
SURE = 0.99  # a match must be surer than this not to be chance
LEAST_PAIRS = 2


@dataclass(frozen=True)
class Spot:
    """One deposit of an inspection, as far as pairing asks; lengths um.

    `theta_deg` None: it lies all round, or no view says. `extent_um`: its longest diameter.
    `shape`: log of the longest diameter over the width. `unsure`: perhaps no deposit. `laid_um`:
    `s_um` on the other inspection's chart (`compare`), None: the same. `s_sd_um`, `theta_sd_deg`:
    how well its own pictures tell the place, 0: not said.
    """

    id: int
    kind: Kind
    surface: Surface
    s_um: float
    theta_deg: float | None
    radius_um: float
    size_um: float
    extent_um: float
    shape: float
    unsure: bool
    laid_um: float | None = None
    s_sd_um: float = 0.0
    theta_sd_deg: float = 0.0

    @property
    def at_um(self) -> float:
        """Where it lies along s on the other inspection's chart."""
        return self.s_um if self.laid_um is None else self.laid_um


@dataclass(frozen=True)
class Registration:
    """By how much the second inspection is turned (added to its angles) and how sure that is.

    `quality`: 1 less the chance that unrelated deposits agree as well; 0 where nothing agrees.
    `pairs`: how many deposits agree. `sd_deg`: of the turn, beside each deposit's own.
    """

    turn_deg: float
    quality: float
    pairs: int
    sd_deg: float = TURN_SD_DEG

    @property
    def found(self) -> bool:
        """Whether the deposits alone say how the two belong together."""
        return self.quality >= SURE and self.pairs >= LEAST_PAIRS


def pair_costs(
    before: Sequence[Spot], after: Sequence[Spot], turn_deg: float, turn_sd_deg: float = TURN_SD_DEG
) -> Floats:
    """How badly each pair fits one deposit that stayed [B, A]; infinite: not at all."""
    terms = _Terms.of(before, after)
    more = turn_sd_deg**2 - TURN_SD_DEG**2
    return replace(terms, var_deg2=terms.var_deg2 + more).at(np.array([turn_deg]))[0]


def paired(costs: Floats, most: float = MOST_COST) -> list[tuple[int, int]]:
    """The pairs (row, column) of the cheapest assignment, those up to `most`."""
    assign: Any = import_module("scipy.optimize").linear_sum_assignment
    if 0 in costs.shape:
        return []
    held = np.minimum(np.nan_to_num(costs, posinf=2 * most), 2 * most)
    rows, columns = (np.asarray(each, np.intp) for each in assign(held))
    return [(int(r), int(c)) for r, c in zip(rows, columns, strict=True) if costs[r, c] <= most]


def register(before: Sequence[Spot], after: Sequence[Spot], turns_stated: bool) -> Registration:
    """The turn of the second inspection that agrees best with the first.

    With stated turns it is looked for near 0 first, and all round only where nothing agrees there.
    """
    mine, theirs = ([s for s in spots if _tells_turn(s)] for spots in (before, after))
    if not mine or not theirs:
        return Registration(0.0, 0.0, 0)
    terms = _Terms.of(mine, theirs)
    turns = np.arange(-180.0, 180.0, STEP_DEG)
    support = np.concatenate([_support(terms.at(part)) for part in np.array_split(turns, 24)])
    if turns_stated:
        near = np.abs(turns) <= STATED_REACH_DEG
        held = support - 0.5 * (turns / STATED_SD_DEG) ** 2
        found = _judged(terms, (turns, support), int(np.argmax(np.where(near, held, -np.inf))), 5)
        if found.found:
            return found
    best = int(np.argmax(support))
    return _judged(terms, (turns, support), best, round(180 / ONE_PEAK_DEG))


def _tells_turn(spot: Spot) -> bool:
    return spot.theta_deg is not None and spot.radius_um >= LEAST_RADIUS_UM


def _support(costs: Floats) -> Floats:
    """How many deposits of the first find a partner, softly [T]; costs [T, B, A].

    Each deposit of either side counts once: the smaller of the two sums.
    """
    fit = np.exp(-0.5 * costs)
    return np.minimum(fit.max(axis=2).sum(axis=1), fit.max(axis=1).sum(axis=1))


def _judged(terms: "_Terms", scanned: tuple[Floats, Floats], best: int, tries: int) -> Registration:
    """The registration at a scanned angle, held against what the other angles show."""
    turns, support = scanned
    off = np.abs((turns - turns[best] + 180.0) % 360.0 - 180.0)
    chance = float(np.mean(support[off > ONE_PEAK_DEG]))
    turn = terms.refined(float(turns[best]))
    pairs = paired(terms.at(np.array([turn]))[0])
    luck = _poisson_tail(float(support[best]), chance)
    quality = float((1.0 - luck) ** tries)
    return Registration(turn, quality if pairs else 0.0, len(pairs))


def _poisson_tail(count: float, mean: float) -> float:
    """The chance of `count` or more where `mean` are expected, for counts between integers too."""
    from scipy.special import gammainc

    return float(gammainc(count, mean)) if count > 0 else 1.0


@dataclass(frozen=True)
class _Terms:
    """The costs of all pairs as functions of the turn: fixed + (turn off)^2 / var; arrays [B, A].

    `turn_deg`: the turn at which a pair's angles agree, NaN where an angle is missing.
    """

    fixed: Floats
    turn_deg: Floats
    var_deg2: Floats

    @classmethod
    def of(cls, before: Sequence[Spot], after: Sequence[Spot]) -> "_Terms":
        """The terms of two lists of deposits."""
        rows = [[_pair_terms(b, a) for a in after] for b in before]
        table = np.array(rows, np.float64).reshape(len(before), len(after), 3)
        return cls(table[..., 0], table[..., 1], table[..., 2])

    def at(self, turns_deg: Floats) -> Floats:
        """Costs [T, B, A] for each turn [T]."""
        off = (self.turn_deg - turns_deg[:, None, None] + 180.0) % 360.0 - 180.0
        return self.fixed + np.nan_to_num(off * off / self.var_deg2, nan=0.0)

    def refined(self, turn_deg: float) -> float:
        """The mean turn of the pairs that agree, weighted by how well each says it."""
        for _ in range(3):
            pairs = paired(self.at(np.array([turn_deg]))[0])
            total, weights = 0.0, 0.0
            for row, column in pairs:
                wanted, var = self.turn_deg[row, column], self.var_deg2[row, column]
                if np.isfinite(wanted):
                    total += ((wanted - turn_deg + 180.0) % 360.0 - 180.0) / var
                    weights += 1.0 / var
            if weights == 0:
                break
            turn_deg += total / weights
        return turn_deg


def _pair_terms(b: Spot, a: Spot) -> tuple[float, float, float]:
    """Fixed cost, agreeing turn (deg) and its variance (deg2) of one pair."""
    apart = abs(_order(b.surface) - _order(a.surface))
    in_cavity = Surface.CAVITY in (b.surface, a.surface)
    if apart > 1 or (apart and in_cavity):
        return np.inf, np.nan, 1.0
    extent = max(b.extent_um, a.extent_um)
    part = (EXTENT_SHARE * extent) ** 2
    # in the cavity both inspections were laid on one floor, whose own height no longer counts
    known = [CAVITY_SD_UM if in_cavity else _within(s.s_sd_um) for s in (b, a)]
    along = part + known[0] ** 2 + known[1] ** 2
    radius = max((b.radius_um + a.radius_um) / 2, 1.0)
    around = [_within(float(np.radians(s.theta_sd_deg)) * radius) for s in (b, a)]
    place = part + around[0] ** 2 + around[1] ** 2
    var = np.degrees(np.sqrt(place) / radius) ** 2 + TURN_SD_DEG**2
    size_sd = SIZE_SD_WET if b.kind in WET and a.kind in WET else SIZE_SD
    sizes = np.log(max(a.size_um, 1.0) / max(b.size_um, 1.0)) / size_sd
    if b.kind == a.kind == Kind.LINT:
        sizes = np.hypot(sizes, np.log(a.extent_um / b.extent_um) / LENGTH_SD)
    fixed = (a.at_um - b.s_um) ** 2 / along + sizes**2 + 2.0 * apart + _kind_cost(b.kind, a.kind)
    if b.theta_deg is None or a.theta_deg is None:
        return float(fixed), np.nan, 1.0
    return float(fixed), (b.theta_deg - a.theta_deg) % 360.0, float(var)


def _within(sd_um: float) -> float:
    """A place's own deviation as far as it may excuse a gap."""
    return min(max(PLACE_SD_UM, sd_um), MOST_SD_UM)


def _order(surface: Surface) -> int:
    """Position along the way from the fibre; the fibre belongs to the endface."""
    return min(int(surface), int(Surface.ENDFACE))


def _kind_cost(b: Kind, a: Kind) -> float:
    if b == a:
        return 0.0
    return 2.0 if b in WET and a in WET else 5.0
