"""Where a connector stands in the loop of inspecting and cleaning, from its records."""

from collections.abc import Sequence
from dataclasses import dataclass

from .find_records import InspectionRow

__all__ = ["Standing", "standing_of"]


@dataclass(frozen=True)
class Standing:
    """What the records say about an inspection that is about to be made.

    `earlier`: the newest recorded inspection of the connector, None if there is none. `attempt`:
    which cleaning since the connector came in or was mated this inspection looks at, from 1; None
    at another stage. `cleanings_failed`: how many of them were in vain if this one was too.
    """

    earlier: InspectionRow | None = None
    attempt: int | None = None
    cleanings_failed: int = 0


def standing_of(
    history: Sequence[InspectionRow], stage: str | None, stated_attempt: int | None = None
) -> Standing:
    """The standing from a connector's earlier inspections, oldest first.

    Each cleaning counts once: after a reshoot the same cleaning is looked at again. One that a
    person or the program found to have worked is no failure. `stated_attempt`: what the person
    counted, which wins over the records.
    """
    earlier = history[-1] if history else None
    if stage != "cleaned":
        return Standing(earlier)
    since: list[InspectionRow] = []
    for row in reversed(history):
        if row.stage != "cleaned":
            break
        since.append(row)
    looked = [row for row in since if row.holds != "reshoot"]
    failed = sum(row.holds in ("clean-first", "retire") for row in looked)
    if stated_attempt is not None:
        # cleanings that were never recorded can only have been in vain
        worked = len(looked) - failed
        return Standing(earlier, stated_attempt, max(stated_attempt - worked, failed + 1))
    return Standing(earlier, len(looked) + 1, failed + 1)
