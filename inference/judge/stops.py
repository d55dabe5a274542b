"""Which deposits stand in the way of mating, and by which rule: at most one reason per deposit."""

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite

from ...model.kinds import KIND_NAMES, Kind
from ...model.shape import ConnectorShape
from ...model.surfaces import SURFACE_NAMES, Surface
from ..see.fuse import Deposit
from .bridge import Bridge, Wedge, from_front_um, sleeve_reach_um
from .rules import Rules

__all__ = ["Reason", "is_sure", "stop_of", "where"]


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


_ON = {surface: "in" if surface == Surface.CAVITY else "on" for surface in Surface}


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
        f"{_ON[deposit.surface]} the {SURFACE_NAMES[deposit.surface]}{place}{side}"
    )


def stop_of(
    deposit: Deposit,
    bridge: Bridge | None,
    wedge: Wedge | None,
    shape: ConnectorShape | None,
    rules: Rules,
) -> Reason | None:
    """Why this deposit must not be mated with, the gravest rule only; None if it may stay.

    Sizes that are no number count as too large. Whether the deposit is sure is asked elsewhere.
    """
    if deposit.surface == Surface.SURROUND or deposit.kind == Kind.CLEAN:
        return None
    if bridge is not None and bridge.bridges:
        return _bridges(deposit, bridge)
    if wedge is not None and not wedge.offset_um < rules.wedge_offset_um:
        return _wedges(deposit, wedge, rules)
    rule, limit, why = _PLACES[deposit.surface](deposit, shape, rules)
    extent = _extent_um(deposit)
    if extent < limit:
        return None
    if deposit.kind == Kind.DAMAGE:
        rule, why = "damage-seen", "what looks like damage may be dirt until it has been cleaned"
    text = f"{where(deposit)}: {why} (stops from {limit:g} um)"
    figure = extent if isfinite(extent) else None
    return Reason(rule, _sentence(text), deposit.id, None, figure, limit, "um")


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + "."


def _bridges(deposit: Deposit, bridge: Bridge) -> Reason:
    text = (
        f"{where(deposit)}: a grain this high holds the fibres up to {bridge.rest_gap_um:.1f} um "
        f"apart, where the domes leave only {bridge.gap_um:.2f} um ({bridge.assumes})"
    )
    return Reason("bridge", _sentence(text), deposit.id, None, bridge.grain_um, bridge.gap_um, "um")


def _wedges(deposit: Deposit, wedge: Wedge, rules: Rules) -> Reason:
    text = (
        f"{where(deposit)}: between barrel and sleeve it may shift the fibre by up to "
        f"{wedge.offset_um:.1f} um ({wedge.assumes})"
    )
    limit = rules.wedge_offset_um
    return Reason("wedge", _sentence(text), deposit.id, None, wedge.offset_um, limit, "um")


Place = tuple[str, float, str]


def _on_fiber(deposit: Deposit, shape: ConnectorShape | None, rules: Rules) -> Place:
    return "on-fiber", rules.stop_fiber_um, "it lies on the fibre"


def _on_endface(deposit: Deposit, shape: ConnectorShape | None, rules: Rules) -> Place:
    return "on-endface", rules.stop_endface_um, "it lies on the face pressed against another"


def _on_chamfer(deposit: Deposit, shape: ConnectorShape | None, rules: Rules) -> Place:
    return "on-chamfer", rules.stop_chamfer_um, "it lies where the sleeve's bore pushes it forward"


_STAND_IN = "a fixed size stands in for its chance to reach the fibre, which is not computed yet"


def _on_barrel(deposit: Deposit, shape: ConnectorShape | None, rules: Rules) -> Place:
    """Within the sleeve's reach unless the place is known and lies behind it."""
    near = deposit.s_min_um if deposit.s_min_um is not None else deposit.s_um
    if shape is None or near is None:
        behind = False
    else:
        behind = from_front_um(near, shape) > sleeve_reach_um(shape)
    if behind:
        return "on-barrel-behind-sleeve", rules.stop_barrel_behind_um, _STAND_IN
    return "on-barrel", rules.stop_barrel_um, f"the sleeve slides over this place; {_STAND_IN}"


def _in_cavity(deposit: Deposit, shape: ConnectorShape | None, rules: Rules) -> Place:
    return "in-cavity", rules.stop_cavity_um, _STAND_IN


def _on_housing(deposit: Deposit, shape: ConnectorShape | None, rules: Rules) -> Place:
    return "on-housing", rules.stop_housing_um, _STAND_IN


_PLACES: dict[Surface, Callable[[Deposit, ConnectorShape | None, Rules], Place]] = {
    Surface.FIBER: _on_fiber,
    Surface.ENDFACE: _on_endface,
    Surface.CHAMFER: _on_chamfer,
    Surface.BARREL: _on_barrel,
    Surface.CAVITY: _in_cavity,
    Surface.HOUSING: _on_housing,
}
