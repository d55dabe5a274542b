"""The cases of the desk by connector."""

from collections.abc import Iterable
from dataclasses import dataclass

from .shelf import Case

__all__ = ["Connector", "connectors"]


@dataclass(frozen=True)
class Connector:
    """All cases of one label, newest first; a case without a label stands alone."""

    label: str | None
    cases: tuple[Case, ...]


def connectors(cases: Iterable[Case]) -> list[Connector]:
    """The cases by connector, that of the newest case first; without empty ones and exercises."""
    groups: dict[str, list[Case]] = {}
    for case in cases:
        if case.job is not None and case.job.exercise:
            continue
        if case.inspection is None and case.job is not None and not case.job.shots:
            continue
        groups.setdefault(case.label or f"\0{case.key}", []).append(case)
    return [Connector(group[0].label, tuple(group)) for group in groups.values()]
