"""Whether the net that looked is known to see: its silence says as much as its sight."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, cast

from .rules import Rules
from .stops import Reason

__all__ = ["Sight", "doubted_sight", "sight_of"]


@dataclass(frozen=True)
class Sight:
    """How much of the dirt that pictures showed the net found, on pictures withheld from training.

    `recall`: the share found; `recall_low`: lower end of its 95 % interval; `deposits`: out of how
    many. All None where the model file carries no such figures.
    """

    recall: float | None
    recall_low: float | None
    deposits: int | None


def sight_of(scores: Mapping[str, Any] | None) -> Sight:
    """The figures a model file carries (its `scores`, as `fiberward evaluate` measured them)."""
    row: object = (scores or {}).get("recall_dirt")
    if not isinstance(row, Mapping):
        return Sight(None, None, None)
    figures = cast(Mapping[str, Any], row)
    return Sight(figures.get("value"), figures.get("low"), figures.get("n"))


def doubted_sight(sight: Sight | None, rules: Rules) -> tuple[Reason, ...]:
    """Why the net's silence is no evidence; empty where it is.

    `sight` None: no net was asked, the deposits are someone's own (a person's labels, say).
    """
    if sight is None:
        return ()
    if sight.recall is None or sight.recall_low is None:
        text = "The model file does not say how much dirt it finds, so finding none proves nothing."
        return (Reason("net-not-measured", text),)
    if sight.recall_low >= rules.needed_recall:
        return ()
    text = (
        f"The net found {sight.recall:.0%} of the {sight.deposits} deposits that withheld renders "
        f"showed (95 % certain of {sight.recall_low:.0%}); under {rules.needed_recall:.0%} its "
        "finding nothing proves nothing. Use your own eyes, or a better model."
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
