"""How verdicts, numbers and times are put to a person, in one place for all that is shown."""

from dataclasses import dataclass
from datetime import datetime

__all__ = ["VERDICT_WORDS", "VerdictWords", "clock", "deg", "percent", "um"]


@dataclass(frozen=True)
class VerdictWords:
    """A verdict's name, symbol (and the same in ASCII), and what it asks of the person."""

    name: str
    symbol: str
    ascii_symbol: str
    meaning: str


VERDICT_WORDS = {
    "mate": VerdictWords(
        "Mate", "⋈", "><", "Where the pictures show the connector, nothing stands in the way."
    ),
    "clean-first": VerdictWords(
        "Clean first", "≋", "~~", "There is dirt that must go before this connector is mated."
    ),
    "reshoot": VerdictWords(
        "Reshoot", "◉", "(o)", "These pictures cannot decide; take the ones named below again."
    ),
    "retire": VerdictWords("Retire", "⊘", "(/)", "This connector cannot be made fit by cleaning."),
}


def um(value: float | None) -> str:
    """A length with three significant digits at most; a dash where it was not measured."""
    if value is None:
        return "–"
    return f"{value:.1f}" if abs(value) < 10 else f"{value:.0f}"


def deg(value: float | None) -> str:
    """An angle in whole degrees, 0 to 359 where it is an azimuth."""
    return "–" if value is None else f"{round(value) % 360}"


def percent(share: float | None) -> str:
    """A share of 0..1 in whole percent, never rounded up to 100 nor down to 0."""
    if share is None:
        return "–"
    if 0 < share < 1:
        return f"{min(max(round(100 * share), 1), 99)} %"
    return f"{100 * share:.0f} %"


def clock(created_at: str) -> str:
    """A stored UTC time in local time, with its offset."""
    local = datetime.fromisoformat(created_at).astimezone()
    offset = local.strftime("%z")
    from_utc = "" if offset == "+0000" else f"{offset[:3]}:{offset[3:]}"
    return f"{local:%Y-%m-%d %H:%M} UTC{from_utc}"
