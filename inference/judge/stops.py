"""Which deposits stand in the way of mating, and by which rule: at most one reason per deposit."""

from dataclasses import dataclass, replace
from math import isfinite

from ...model.kinds import KIND_NAMES, Kind
from ...model.surfaces import SURFACE_NAMES, Surface, on_surface
from ..see.fuse import Deposit
from .bridge import Bridge, Wedge, offset_gap_um
from .reach import Reach, upper_reach
from .rules import Rules

__all__ = [
    "REACH_MATINGS",
    "Findings",
    "Reason",
    "chance_words",
    "is_sure",
    "stay_of",
    "stop_of",
    "where",
]

REACH_MATINGS = 10  # what the limit on reach speaks of


@dataclass(frozen=True)
class Reason:
    """One ground for a verdict: the rule, whom it met, figure and limit, and a sentence."""

    rule: str
    text: str
    deposit_id: int | None = None
    picture: str | None = None
    figure: float | None = None
    limit: float | None = None
    unit: str | None = None


def is_sure(deposit: Deposit, rules: Rules) -> bool:
    """Whether a deposit may be acted on; a confidence that is no number is not sure."""
    return not deposit.unsure and deposit.confidence >= rules.sure_confidence


def _extent_um(deposit: Deposit) -> float:
    """What the stop sizes are held against: a thread's reach, else the area-equivalent size."""
    return deposit.feret_max_um if deposit.kind == Kind.LINT else deposit.size_um


def where(deposit: Deposit) -> str:
    """A deposit named in words: number, kind, size and place."""
    place = (
        "" if deposit.s_um is None else f", {deposit.s_um / 1000:.2f} mm from the fibre's centre"
    )
    side = "" if deposit.theta_deg is None else f" at {deposit.theta_deg:.0f} deg"
    extent, long = _extent_um(deposit), " long" if deposit.kind == Kind.LINT else ""
    size = f"{extent:.0f} um{long}" if isfinite(extent) else "size unknown"
    return (
        f"deposit {deposit.id} ({KIND_NAMES[deposit.kind]}, {size}) "
        f"{on_surface(SURFACE_NAMES[deposit.surface])}{place}{side}"
    )


@dataclass(frozen=True)
class Findings:
    """What was computed of one deposit; None where the model does not hold."""

    bridge: Bridge | None
    wedge: Wedge | None
    reach: tuple[Reach, ...] | None


def stop_of(deposit: Deposit, found: Findings, rules: Rules) -> Reason | None:
    """Why this deposit must not be mated with, the first rule only; None if it may stay.

    Sizes that are no number count as too large. Whether the deposit is sure is asked elsewhere.
    """
    if deposit.surface == Surface.SURROUND or deposit.kind == Kind.CLEAN:
        return None
    if found.bridge is not None and found.bridge.bridges:
        return _bridges(deposit, found.bridge)
    if found.wedge is not None and not found.wedge.offset_um < rules.wedge_offset_um:
        return _wedges(deposit, found.wedge, rules)
    reason = _lies(deposit, rules) or _may_bridge(deposit, found.bridge)
    reason = reason or _reaches(deposit, found.reach, rules)
    if reason is None or deposit.kind != Kind.DAMAGE:
        return reason
    text = f"{where(deposit)}: what looks like damage may be dirt until it has been cleaned"
    return replace(reason, rule="damage-seen", text=_sentence(text))


def stay_of(deposit: Deposit, found: Findings, rules: Rules) -> Reason | None:
    """Why a deposit that `stop_of` lets pass may stay; None for what is not the connector's."""
    if deposit.surface == Surface.SURROUND or deposit.kind == Kind.CLEAN or not found.reach:
        return None
    place = _ON_FACE.get(deposit.surface)
    limit = rules.reach_from_um if place is None else getattr(rules, place[1])
    extent = _extent_um(deposit)
    if extent < limit:
        text = f"{where(deposit)}: smaller than the {limit:g} um from which dirt there counts"
        return Reason("small", _sentence(text), deposit.id, None, extent, limit, "um")
    upper = upper_reach(found.reach, REACH_MATINGS)
    text = (
        f"{where(deposit)}: may stay, since it hardly gets to the contact zone: "
        f"{_chance(found.reach)}, under the limit of {chance_words(rules.reach_limit)}"
    )
    limit = rules.reach_limit
    return Reason("reach-low", _sentence(text), deposit.id, None, upper, limit, "share")


_ON_FACE = {
    Surface.FIBER: ("on-fiber", "stop_fiber_um", "it lies on the fibre"),
    Surface.ENDFACE: (
        "on-endface",
        "stop_endface_um",
        "it lies on the face pressed against another",
    ),
    Surface.CHAMFER: (
        "on-chamfer",
        "stop_chamfer_um",
        "it lies where the sleeve's bore pushes it forward",
    ),
}


def _lies(deposit: Deposit, rules: Rules) -> Reason | None:
    """Dirt on fibre, endface or chamfer at or above that surface's size."""
    if deposit.surface not in _ON_FACE:
        return None
    rule, setting, why = _ON_FACE[deposit.surface]
    limit, extent = float(getattr(rules, setting)), _extent_um(deposit)
    if extent < limit:
        return None
    text = f"{where(deposit)}: {why} (stops from {limit:g} um)"
    figure = extent if isfinite(extent) else None
    return Reason(rule, _sentence(text), deposit.id, None, figure, limit, "um")


def _reaches(deposit: Deposit, reach: tuple[Reach, ...] | None, rules: Rules) -> Reason | None:
    """Dirt elsewhere that may get to the contact zone."""
    if deposit.surface in _ON_FACE or reach is None or _extent_um(deposit) < rules.reach_from_um:
        return None
    upper = upper_reach(reach, REACH_MATINGS)
    if upper < rules.reach_limit:
        return None
    text = (
        f"{where(deposit)}: it or a part of it may get to the contact zone: {_chance(reach)}; "
        f"stops from {chance_words(rules.reach_limit)} at the upper end"
    )
    limit = rules.reach_limit
    return Reason("reach", _sentence(text), deposit.id, None, upper, limit, "share")


def _chance(reach: tuple[Reach, ...]) -> str:
    row = next(r for r in reach if r.place == "contact" and r.matings == REACH_MATINGS)
    low, high = (chance_words(end) for end in row.interval)
    return f"{chance_words(row.p)} ({low} to {high}) within {row.matings} matings, {row.basis}"


def chance_words(share: float) -> str:
    """A chance (0..1) in percent with two significant digits."""
    if share < 1e-4:  # 0 too: no assumption is that sure
        return "under 0.01 %"
    if 0.995 <= share < 1:
        return "over 99.5 %"
    return f"{100 * share:.2g} %" if share < 0.995 else "100 %"


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + "."


def _bridges(deposit: Deposit, bridge: Bridge) -> Reason:
    text = (
        f"{where(deposit)}: a grain this high holds the fibres up to {bridge.rest_gap_um:.1f} um "
        f"apart, where the domes leave only {bridge.gap_um:.2f} um ({bridge.assumes})"
    )
    return Reason("bridge", _sentence(text), deposit.id, None, bridge.grain_um, bridge.gap_um, "um")


def _may_bridge(deposit: Deposit, bridge: Bridge | None) -> Reason | None:
    """A grain too small for the other rules that bridges where the apexes lie beside the fibre."""
    if bridge is None or not bridge.may_bridge:
        return None
    gap = offset_gap_um(bridge.radius_um, bridge.apex_offset_um, bridge.dome_um)
    text = (
        f"{where(deposit)}: with the domes' apexes {bridge.apex_offset_um:g} um beside the fibre a "
        f"grain this high holds the fibres apart out to {bridge.offset_radius_limit_um:.0f} um"
    )
    grain = bridge.grain_um
    return Reason("bridge-offset", _sentence(text), deposit.id, None, grain, gap, "um")


def _wedges(deposit: Deposit, wedge: Wedge, rules: Rules) -> Reason:
    text = (
        f"{where(deposit)}: between barrel and sleeve it may shift the fibre by up to "
        f"{wedge.offset_um:.1f} um ({wedge.assumes})"
    )
    limit = rules.wedge_offset_um
    return Reason("wedge", _sentence(text), deposit.id, None, wedge.offset_um, limit, "um")
