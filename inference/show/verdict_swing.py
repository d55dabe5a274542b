"""Which single assumption, taken to either end of what is thought, would flip the verdict."""

from collections.abc import Sequence
from dataclasses import dataclass

from ..judge.sensitivity import Swing
from ..judge.stops import chance_words
from ..keep.inspection import DepositRecord, Inspection
from .explanation import UNKNOWN_ASSUMPTIONS, Explanation, reach_limit
from .words import VERDICT_WORDS

__all__ = ["VerdictSwing", "swing_words", "verdict_swings"]


@dataclass(frozen=True)
class VerdictSwing:
    """`assumption` at one end of its interval, `chance` a mating, makes the verdict `becomes`.

    `becomes` None: no longer what it is; which of the others, only the pictures tell.
    `deposits`: the numbers of those by which it does.
    """

    assumption: str
    why: str
    chance: float
    becomes: str | None
    deposits: tuple[int, ...]


def verdict_swings(
    inspection: Inspection, told: Sequence[Explanation]
) -> tuple[VerdictSwing, ...] | None:
    """`told`: the explanations of all deposits, in the inspection's order.

    A verdict of mate or reshoot flips where some deposit that may stay would stop. Clean first and
    retire flip where nothing but reach stops, and one assumption lets all of it stay. None where
    this version does not know the assumptions.
    """
    rows = list(zip(inspection.deposits, told, strict=True))
    if inspection.verdict in ("mate", "reshoot"):
        flip, asked = (
            _to_clean,
            [row for row in rows if _rule(row[0]) == "reach-low" and _sure(inspection, row[0])],
        )
    elif _only_reach(inspection):
        named = {reason.deposit for reason in inspection.reasons} - {None}
        flip, asked = _from_clean, [row for row in rows if row[0].id in named]
    else:
        return ()
    limit = reach_limit(inspection)
    if limit is None or any(each.swings is None for _, each in asked):
        return None
    return flip(asked, limit)


def _rule(deposit: DepositRecord) -> str | None:
    return None if deposit.ruling is None else deposit.ruling["rule"]


def _sure(inspection: Inspection, deposit: DepositRecord) -> bool:
    least = inspection.settings.get("rules", {}).get("sure_confidence", 0.0)
    return not deposit.unsure and deposit.confidence >= least


def _only_reach(inspection: Inspection) -> bool:
    return all(reason.rule in ("reach", "cleaning-failed") for reason in inspection.reasons)


Row = tuple[DepositRecord, Explanation]


def _to_clean(rows: Sequence[Row], limit: float) -> tuple[VerdictSwing, ...]:
    found: dict[str, tuple[Swing, list[int]]] = {}
    for deposit, told in rows:
        for swing in told.swings or ():
            if swing.flips(limit):
                found.setdefault(swing.assumption, (swing, []))[1].append(deposit.id)
    return tuple(
        VerdictSwing(name, swing.why, swing.chance_high, "clean-first", tuple(numbers))
        for name, (swing, numbers) in found.items()
    )


def _from_clean(rows: Sequence[Row], limit: float) -> tuple[VerdictSwing, ...]:
    if not rows:
        return ()
    common = {swing.assumption: swing for swing in rows[0][1].swings or ()}
    alone = rows[0][0].verdict_without if len(rows) == 1 else None
    numbers = tuple(deposit.id for deposit, _ in rows)
    return tuple(
        VerdictSwing(name, swing.why, swing.chance_low, alone, numbers)
        for name, swing in common.items()
        if all(
            any(s.assumption == name and s.flips(limit) for s in t.swings or ()) for _, t in rows
        )
    )


def swing_words(inspection: Inspection, found: Sequence[VerdictSwing] | None) -> tuple[str, ...]:
    """What the verdict hangs on, in sentences."""
    if found is None:
        return (f"{UNKNOWN_ASSUMPTIONS} flips the verdict.",)
    if not found:
        return ("No single assumption, taken to either end of what is thought, flips the verdict.",)
    now = VERDICT_WORDS[inspection.verdict].name
    lines: list[str] = []
    for each in found:
        then = f"not {now}" if each.becomes is None else VERDICT_WORDS[each.becomes].name
        many = "s" if len(each.deposits) > 1 else ""
        numbers = ", ".join(str(number) for number in each.deposits)
        lines.append(
            f"It would be {then} if the chance in assumption {each.assumption} were "
            f"{chance_words(each.chance)} a mating, by deposit{many} {numbers} ({each.why})."
        )
    return tuple(lines)
