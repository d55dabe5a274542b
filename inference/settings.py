"""The settings of an inspection: whatever can change its result, recorded with it."""

from dataclasses import asdict, dataclass, field
from typing import Any

from .judge.rules import Rules

__all__ = ["Settings"]


@dataclass(frozen=True)
class Settings:
    """Settings with their defaults.

    `coverage_size_um`: a place counts as seen where some picture would show a deposit of this size.
    `map_px`: side of the travel map's rasters. `rules`: of the verdict.
    """

    coverage_size_um: float = 50.0
    map_px: int = 900
    rules: Rules = field(default_factory=Rules)

    def to_json(self) -> dict[str, Any]:
        """The settings as JSON values."""
        return asdict(self)
