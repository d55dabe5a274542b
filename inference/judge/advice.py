"""What to do next, in plain sentences: which surface to clean with what, or which picture to take.

Sequence dry, look, dry, look, wet and at once dry, look: a public cleaning procedure of a network
equipment maker. What reaches where: tool types of IEC TR 62627-01, reach from memory. From the
cavity inwards to the fibre, so that nothing is pushed onto what is already clean: our own order.
"""

from collections.abc import Sequence

from ...model.kinds import Kind
from ...model.surfaces import Surface
from ..see.fuse import Deposit
from .adhesion import times_own_weight
from .stops import Reason

__all__ = ["cleaning_advice", "removal", "reshoot_advice", "retire_advice"]

_TOOLS = {
    Surface.HOUSING: "Wipe the housing's outside with a lint-free wipe before anything else.",
    Surface.CAVITY: (
        "Clean the cavity with a lint-free swab round the ferrule and filtered air; "
        "a reel or pen cleaner does not reach it."
    ),
    Surface.BARREL: (
        "Wipe round the ferrule's side with a folded lint-free wipe, towards its end; "
        "a reel or pen cleaner does not reach it."
    ),
    Surface.CHAMFER: (
        "Roll the chamfer along a lint-free wipe; most reel and pen cleaners reach the "
        "endface only."
    ),
    Surface.ENDFACE: "Clean the endface last, with a fresh stretch of a dry reel, pen or wipe.",
}
_WET = (
    "Dry cleaning was not enough: wet a lint-free wipe lightly with 99 % isopropyl alcohol, "
    "wipe, and wipe dry at once so that nothing dries on the ferrule or creeps from its side."
)
_WET_LATER = "Films and dried residue may need a second pass, lightly wet and at once dry."
_DARK = "Before you look or clean: make sure with a power meter that the fibre is dark."
_FLAMMABLE = "Solvent is flammable: no sparks or heat near it, and air the room."
_NEVER_WET = "Never use liquid in a bulkhead adapter or a receptacle."
# By kind. Dry before wet: the procedure named above. What each kind asks beside it: common
# practice, no source.
_METHODS = {
    Kind.PARTICLE: (
        "Dry: one stroke, a fresh stretch, one more. If it is still there, lightly wet and at once "
        "dry."
    ),
    Kind.LINT: "Lift it off with filtered air or an adhesive tip, then one dry stroke.",
    Kind.FILM: (
        "Dry first; then lightly wet and at once dry, for a dry wipe alone smears what is left of "
        "oil."
    ),
    Kind.RESIDUE: (
        "Dry first; then lightly wet to loosen what has dried on, and at once dry before it dries "
        "again."
    ),
    Kind.LIQUID: (
        "Blot it up dry, without rubbing, before it dries and leaves a residue; then one dry "
        "stroke."
    ),
    Kind.DAMAGE: (
        "Clean it like a grain, dry and then lightly wet and at once dry: what stays is damage, "
        "and nothing removes it."
    ),
}
_BLOT = "Blot liquid up with a dry lint-free wipe before anything is rubbed."
_LINT = "Lift threads off with filtered air or an adhesive tip first: a wipe drags them along."
_SLEEVE = (
    "Clean the adapter's sleeve with a dry stick of its bore and look at the other plug: "
    "the sleeve slid over this dirt, or will."
)
_DO_NOT = "Do not blow with your breath, use a stretch of wipe twice, or touch the ferrule."
_AGAIN = "Then take the same pictures again: no cleaning is certain to have worked."
KNOCK_G = 1000.0  # order of what a hard knock on a bench gives, in times its weight; from memory
_STICKY_KINDS = (Kind.FILM, Kind.RESIDUE, Kind.LIQUID)
_UNDER_SLEEVE = (Surface.BARREL, Surface.CHAMFER)


def cleaning_advice(
    stopping: Sequence[Deposit], cleanings_failed: int, allowed: int | None = None
) -> tuple[str, ...]:
    """Sentences for cleaning what stops the mate, surface by surface from outside in.

    `allowed`: after how many cleanings in vain to stop; None leaves that sentence out. What not to
    do and when to stop: common practice, no source. Light: IEC 60825-2 and common practice;
    solvent: isopropyl alcohol is flammable, flash point 12 degC (NIOSH pocket guide 0359).
    """
    places = {_tool_place(deposit) for deposit in stopping}
    kinds = {deposit.kind for deposit in stopping}
    lines = [_DARK]
    lines += [text for kind, text in ((Kind.LINT, _LINT), (Kind.LIQUID, _BLOT)) if kind in kinds]
    lines += [text for surface, text in _TOOLS.items() if surface in places]
    if cleanings_failed:
        lines.append(_WET)
    elif kinds & set(_STICKY_KINDS):
        lines.append(_WET_LATER)
    if cleanings_failed or kinds & set(_STICKY_KINDS):
        lines += [_NEVER_WET, _FLAMMABLE]
    if places & set(_UNDER_SLEEVE):
        lines.append(_SLEEVE)
    lines += [*_hold(stopping), _DO_NOT, _AGAIN]
    if allowed is not None:
        left = allowed - cleanings_failed
        lines.append(
            f"Stop after {left} more cleaning{'' if left == 1 else 's'} that "
            f"do{'es' if left == 1 else ''} not help, and take the connector out of service."
        )
    return tuple(lines)


def removal(kind: Kind, surface: Surface) -> tuple[str, ...]:
    """What removes dirt of a kind from a surface: how, and with which tool; none from elsewhere."""
    surface = Surface.ENDFACE if surface == Surface.FIBER else surface
    if kind not in _METHODS or surface not in _TOOLS:
        return ()
    wet = kind != Kind.LINT
    return (_METHODS[kind], _TOOLS[surface], *((_NEVER_WET, _FLAMMABLE) if wet else ()))


def _hold(stopping: Sequence[Deposit]) -> list[str]:
    grains = [d.size_um for d in stopping if d.kind == Kind.PARTICLE and d.size_um > 0]
    times = times_own_weight(max(grains)) if grains else 0.0
    if times < KNOCK_G:
        return []  # a knock may loosen it
    return [
        f"Tapping does not help: even the largest grain sticks with about "
        f"{float(f'{times:.0e}'):,.0f} times its weight (JKR, dry quartz)."
    ]


def _tool_place(deposit: Deposit) -> Surface:
    return Surface.ENDFACE if deposit.surface == Surface.FIBER else deposit.surface


def reshoot_advice(reasons: Sequence[Reason]) -> tuple[str, ...]:
    """Sentences on which pictures to take again, from the reasons for a reshoot."""
    rules = {reason.rule for reason in reasons}
    lines: list[str] = []
    again = [r.picture for r in reasons if r.rule == "unreadable-view" and r.picture is not None]
    if again:
        lines.append(f"Take these again, or leave them out: {', '.join(again)}.")
    if rules & {"no-usable-view", "coverage", "coarse-view"}:
        lines.append(
            "Take one front view and three oblique ones (tilt 45 to 60 deg, 120 deg apart), "
            "sharp on the ferrule and without burnt-out highlights."
        )
    lines += [reason.text for reason in reasons if reason.rule == "turn-gap"]
    if "unsure-deposit" in rules:
        lines.append(
            "Take the marked place again, closer or under another light: the pictures cannot tell "
            "whether it is dirt. Or clean it and look again."
        )
    if "in-zone-required" in rules:
        lines.append(
            "Grade the zones under your own microscope and state the result, or add a closer "
            "picture of the endface."
        )
    return tuple(lines)


def retire_advice() -> tuple[str, ...]:
    """Sentences for a connector that cleaning did not save."""
    return (
        "Take the connector out of service and mark it; re-polish or replace it under local rules.",
        "Look at whatever it was mated with: damage and hard grains leave their print on the other "
        "end.",
    )
