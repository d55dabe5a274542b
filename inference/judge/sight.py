"""Whether the net that looked is known to see: its silence says as much as its sight.

A mate says that no dirt at or above the stated size and contrast lies where the pictures show it.
What that is worth is the share that the net finds of just such dirt: what a picture shows, no
smaller there than the detection limit that the inspection would state of it, no fainter than this
limit is stated for, on the surfaces that coverage speaks of, in pictures that it would use. A model
file carries that share as `recall_vouched`, measured on pictures withheld from training (`fiberward
evaluate --write-scores`, `calibrate`). The share of all dirt that pictures show (`recall_dirt`) is
another: it has dirt too small or too faint for any claim in it, and dirt on the housing's outside.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, cast

from .rules import Rules
from .stops import Reason

__all__ = ["SIGHT_KEY", "Sight", "doubted_sight", "sight_of", "sight_words"]

SIGHT_KEY = "recall_vouched"


@dataclass(frozen=True)
class Sight:
    """How much of the dirt that a mate vouches for the net found, where the truth was known.

    `recall`: the share found; `recall_low`: lower end of its 95 % interval; `deposits`: out of how
    many. All None where the model file carries no such figures.
    """

    recall: float | None
    recall_low: float | None
    deposits: int | None


def sight_of(scores: Mapping[str, Any] | None) -> Sight:
    """The figures a model file carries (its `scores`, as `fiberward evaluate` measured them)."""
    row: object = (scores or {}).get(SIGHT_KEY)
    if not isinstance(row, Mapping):
        return Sight(None, None, None)
    figures = cast(Mapping[str, Any], row)
    value, low, count = (figures.get(name) for name in ("value", "low", "n"))
    if not (_is_share(value) and _is_share(low) and type(count) is int and count > 0):
        return Sight(None, None, None)
    return Sight(value, low, count)


def _is_share(value: object) -> bool:
    """A number from 0 to 1; NaN is none."""
    return type(value) in (int, float) and 0 <= cast(float, value) <= 1


def sight_words(sight: Sight) -> str:
    """How much the net finds, in words; only of one that was measured."""
    return (
        f"{sight.recall:.0%} (95 % certain of {sight.recall_low:.0%}) of {sight.deposits} such "
        "deposits on withheld renders"
    )


def doubted_sight(sight: Sight | None, rules: Rules) -> tuple[Reason, ...]:
    """Why the net's silence is no evidence; empty where it is.

    `sight` None: no net was asked, the deposits are someone's own (a person's labels, say).
    """
    if sight is None:
        return ()
    if sight.recall is None or sight.recall_low is None:
        text = (
            "The model file does not say how much of the dirt at or above the detection limit it "
            "finds, so finding none proves nothing. fiberward evaluate --renders 300 "
            "--write-scores --model FILE measures it."
        )
        return (Reason("net-not-measured", text),)
    if sight.recall_low >= rules.needed_recall:
        return ()
    text = (
        f"Of dirt at or above the detection limit the net found {sight_words(sight)}; under "
        f"{rules.needed_recall:.0%} its finding nothing proves nothing. Use your own eyes, or a "
        "better model."
    )
    return (
        Reason(
            "net-misses-too-much",
            text,
            figure=sight.recall_low,
            limit=rules.needed_recall,
            unit="share",
        ),
    )
