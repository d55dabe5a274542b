"""What is asked of an inspection: one connector's pictures and what a person stated about it."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from ..model.errors import UsageError
from ..model.families import FAMILIES
from .see.connector_file import STAGES, ConnectorFacts

__all__ = ["STAGES", "Request", "picture_names", "picture_stems"]

_FIBER_MODES: dict[str, Literal["sm", "mm"]] = {"single": "sm", "multi": "mm"}
_FAMILIES = {family.name: family for family in FAMILIES}


@dataclass(frozen=True)
class Request:
    """One connector to inspect. Raises UsageError for what cannot be carried out.

    `turns_deg`: one per picture, None where it must be found; None if none was stated. `facts`:
    what is stated of the connector. `in_zone`: a person's own grade of the graded zones, within |
    outside, and `in_zone_by` that person. `notes`: put at the head of the result.
    `labelled`: whether a person stated the label, so that the inspection is recorded; `operator`:
    who inspects. From the records: `attempt`, which cleaning this is; `cleanings_failed`, how many
    were in vain if this one was, None if nobody counted; `follows`, the uid of the one before.
    """

    pictures: tuple[Path, ...]
    turns_deg: tuple[float | None, ...] | None = None
    facts: ConnectorFacts = ConnectorFacts()
    in_zone: Literal["within", "outside"] | None = None
    in_zone_by: str | None = None
    notes: tuple[str, ...] = ()
    labelled: bool = False
    operator: str | None = None
    attempt: int | None = None
    cleanings_failed: int | None = None
    follows: str | None = None

    def __post_init__(self) -> None:
        if not self.pictures:
            raise UsageError("no picture given: name at least one picture of the connector")
        if self.turns_deg is not None and len(self.turns_deg) != len(self.pictures):
            raise UsageError(
                f"{len(self.turns_deg)} turns for {len(self.pictures)} pictures: give --turn one "
                "value per picture, in their order, with - where it must be found"
            )
        if (self.in_zone is None) != (not self.in_zone_by):
            raise UsageError("a stated in-zone grade needs both --in-zone and --in-zone-by NAME")

    @property
    def ferrule_mm(self) -> float | None:
        """The stated nominal ferrule diameter, or that of the stated family."""
        family = _FAMILIES.get(self.facts.family or "")
        return self.facts.ferrule_mm or (family and family.ferrule_mm)

    @property
    def finish(self) -> Literal["pc", "apc"] | None:
        """The stated finish, or that of the stated family."""
        family = _FAMILIES.get(self.facts.family or "")
        if self.facts.finish is None:
            return family and family.finish
        return "apc" if self.facts.finish == "apc" else "pc"

    @property
    def fiber_mode(self) -> Literal["sm", "mm"] | None:
        """The stated fibre mode as the rules name it."""
        return None if self.facts.fiber_mode is None else _FIBER_MODES[self.facts.fiber_mode]

    @property
    def stated(self) -> dict[str, Any]:
        """Everything stated of the connector, as JSON values."""
        facts = {k: v for k, v in vars(self.facts).items() if k != "turns_deg"}
        loop = {k: getattr(self, k) for k in ("operator", "attempt", "cleanings_failed", "follows")}
        return {**facts, "ferrule_mm": self.ferrule_mm, "finish": self.finish, **loop}


def picture_names(paths: Sequence[Path]) -> tuple[str, ...]:
    """What each picture is called in results: its file name, with its folder where names repeat."""
    plain = Counter(path.name for path in paths)
    taken = Counter[str]()
    names: list[str] = []
    for path in paths:
        name = path.name if plain[path.name] == 1 else f"{path.parent.name}/{path.name}"
        taken[name] += 1
        names.append(name if taken[name] == 1 else f"{name} ({taken[name]})")
    return tuple(names)


def picture_stems(paths: Sequence[Path]) -> tuple[str, ...]:
    """How the outputs of each picture begin: its stem, or its whole name where stems are equal.

    Compared without case, since some file systems know none. Names still equal get a number.
    """
    plain = Counter(path.stem.casefold() for path in paths)
    taken: set[str] = set()
    stems: list[str] = []
    for path in paths:
        name = path.stem if plain[path.stem.casefold()] == 1 else path.name
        stem, number = name, 2
        while stem.casefold() in taken:
            stem, number = f"{name}-{number}", number + 1
        taken.add(stem.casefold())
        stems.append(stem)
    return tuple(stems)
