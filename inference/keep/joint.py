"""Two plugs and the sleeve between them: whether they may be joined, from their inspections.

Every joint is as good as the worse of its plugs. What only the pair tells is asked beside it:
whether they fit at all, grains that two unlike domes do not clear, and what is known of the sleeve.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from math import isfinite
from typing import Any, Literal

from ..judge.bridge import (
    APEX_OFFSET_UM,
    gap_um,
    offset_gap_um,
    offset_rest_gap_um,
    rest_gap_um,
)
from .inspection import Inspection

__all__ = ["JOINT_SCHEMA", "SLEEVES", "Joint", "JointReason", "join"]

JOINT_SCHEMA = "fiberward.joint/1"
SLEEVES = ("cleaned", "new", "unknown")
VERDICTS = ("retire", "clean-first", "reshoot", "mate")  # the first that either plug has holds
_SLEEVE_WORDS = {
    "cleaned": "The sleeve was cleaned, as stated; it was not pictured.",
    "new": "The sleeve is new, as stated; it was not pictured.",
    "unknown": (
        "A risk: nothing is known of the sleeve. Dirt in its bore lies nearer to the mating plane "
        "than any on a barrel; clean it with a dry stick before joining."
    ),
}


@dataclass(frozen=True)
class JointReason:
    """One ground, of plug A or B: the rule and a sentence."""

    plug: Literal["A", "B"]
    rule: str
    text: str
    deposit: int | None = None


@dataclass(frozen=True)
class Joint:
    """`verdict` None: the two cannot be joined, `refused` says why. `validity`: of a mate only."""

    verdict: str | None
    refused: str | None
    reasons: tuple[JointReason, ...]
    sleeve: str
    sleeve_note: str
    validity: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """The document."""
        return {"schema": JOINT_SCHEMA, **asdict(self)}


def join(a: Inspection, b: Inspection, sleeve: str = "unknown") -> Joint:
    """Judge the joint of the two plugs; `sleeve`: one of SLEEVES."""
    note = _SLEEVE_WORDS[sleeve]
    if (why := _unfit(a, b)) is not None:
        return Joint(None, why, (), sleeve, note, ())
    verdict = min((a.verdict, b.verdict), key=VERDICTS.index)
    reasons = [*_own("A", a), *_own("B", b)]
    across = [*_across("A", a, b), *_across("B", b, a)]
    for reason in across:
        asks = "reshoot" if reason.rule == "unsure-across" else "clean-first"
        verdict = min((verdict, asks), key=VERDICTS.index)
    validity: tuple[str, ...] = ()
    if verdict == "mate":
        validity = tuple(f"{n}: {each.validity}" for n, each in (("A", a), ("B", b)))
    return Joint(verdict, None, (*across, *reasons), sleeve, note, validity)


def _own(plug: Literal["A", "B"], seen: Inspection) -> list[JointReason]:
    """A plug's own reasons."""
    return [JointReason(plug, r.rule, r.text, r.deposit) for r in seen.reasons]


def _unfit(a: Inspection, b: Inspection) -> str | None:
    """Why the two plugs cannot be joined; None if nothing that is known speaks against it."""
    if {view.sha256 for view in a.views} & {view.sha256 for view in b.views} - {None}:
        return "both inspections show the same picture; a joint has two plugs"
    names = [(each.connector.get("label"), each.connector.get("end")) for each in (a, b)]
    if names[0] == names[1] and names[0][0]:
        return f"both inspections are of connector {names[0][0]}; a joint has two plugs"
    one, other = (_shape(each, "ferrule_radius_um") for each in (a, b))
    if one is not None and other is not None and abs(one / other - 1) > 0.1:
        return "the ferrules differ in diameter and do not fit one sleeve"
    if True in (finishes := [_angled(each) for each in (a, b)]) and False in finishes:
        return (
            "one endface is angled, the other is not: mated they touch at an edge, which damages "
            "both"
        )
    modes = {each.connector.get("fiber_mode") for each in (a, b)} - {None}
    if len(modes) > 1:
        return "one is single mode, the other multimode"
    return None


def _shape(seen: Inspection, name: str) -> float | None:
    value = None if seen.shape_um is None else seen.shape_um.get(name)
    return value if value is not None and isfinite(value) else None


def _angled(seen: Inspection) -> bool | None:
    """As stated, else as fitted; None where neither is known."""
    finish = seen.connector.get("finish")
    if finish is not None:
        return finish == "apc"
    angle = _shape(seen, "apc_angle_deg")
    return None if angle is None else angle > 0


def _across(plug: Literal["A", "B"], own: Inspection, other: Inspection) -> list[JointReason]:
    """Grains that clear a like dome but not the one that this plug is to meet.

    Two domes leave r^2/2 (1/R1 + 1/R2): against a flatter dome a grain bridges farther out. What
    bridges a like dome, apexes beside the fibre included, is the plug's own reason already.
    """
    domes = [_shape(each, "dome_radius_um") for each in (own, other)]
    found: list[JointReason] = []
    for deposit in own.deposits:
        bridge: Mapping[str, Any] | None = deposit.bridge
        if bridge is None or bridge["bridges"] or domes[0] is None or domes[1] is None:
            continue
        words = _gap_words(bridge, domes[0], domes[1])
        if words is None:
            continue
        text = (
            f"Deposit {deposit.id} of plug {plug} ({bridge['grain_um']:.0f} um, "
            f"{bridge['radius_um']:.0f} um from the axis) would clear a dome like its own, but "
            f"these two of {domes[0] / 1000:.0f} and {domes[1] / 1000:.0f} mm leave only {words}."
        )
        if deposit.unsure:
            text = f"The pictures cannot tell whether it is there: {text}"
        rule = "unsure-across" if deposit.unsure else "bridge-across"
        found.append(JointReason(plug, rule, text, deposit.id))
    return found


def _gap_words(bridge: Mapping[str, Any], own_um: float, other_um: float) -> str | None:
    """What two unlike domes leave of the gap at a grain and at the fibre; None where it fits."""
    grain, radius = bridge["grain_um"], bridge["radius_um"]
    gap, rest = gap_um(radius, own_um, other_um), rest_gap_um(grain, radius, own_um, other_um)
    beside = ""
    if rest == 0 and not bridge.get("may_bridge"):
        apex = bridge.get("apex_offset_um", APEX_OFFSET_UM)
        gap = offset_gap_um(radius, apex, own_um, other_um)
        rest = offset_rest_gap_um(grain, radius, apex, own_um, other_um)
        beside = f" with their apexes {apex:g} um beside the fibre"
    if rest == 0:
        return None
    return f"{gap:.2f} um there{beside}: it holds the fibres up to {rest:.1f} um apart"
