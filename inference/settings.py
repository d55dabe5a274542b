"""The settings of an inspection: whatever can change its result, recorded with it."""

from dataclasses import asdict, dataclass, field
from typing import Any

from .judge.assumed import Assumptions, shipped_assumptions
from .judge.rules import Rules

__all__ = ["Settings"]


@dataclass(frozen=True)
class Settings:
    """Settings with their defaults.

    `coverage_size_um`: a place counts as seen where some picture would show a deposit of this size.
    `map_px`: side of the travel map's rasters. `rules`: of the verdict.
    `assumptions`: of reach, with what a shop has learnt.
    """

    coverage_size_um: float = 50.0
    map_px: int = 900
    rules: Rules = field(default_factory=Rules)
    assumptions: Assumptions = field(default_factory=shipped_assumptions)

    def to_json(self) -> dict[str, Any]:
        """The settings as JSON values."""
        return {
            "coverage_size_um": self.coverage_size_um,
            "map_px": self.map_px,
            "rules": asdict(self.rules),
            "assumptions": self.assumptions.record,
        }
