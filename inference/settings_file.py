"""A shop's own settings: `settings.toml`, stated or where the user's own data belongs.

coverage_size_um = 50.0              # every key is optional
zone_tables = ["our-zones.toml"]     # of the shipped tables' form, beside this file
assumptions = "our-moves.toml"       # of the shipped assumptions' form
[rules]                              # the names and units of `fiberward explain --rules`
stop_endface_um = 10.0
"""

import os
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any, cast

from ..model.errors import SettingsError
from ..model.toml_text import toml_table
from .judge.assumed import read_assumptions, shipped_assumptions
from .judge.rules import Rules
from .judge.zones import read_own_table
from .settings import Settings

__all__ = ["read_settings", "settings_of_shop"]

KEYS = ("coverage_size_um", "zone_tables", "assumptions", "rules")
# a connector's own, or a key of its own above
NOT_RULES = ("fiber_mode", "zone_tables")


def settings_of_shop(stated: Path | None = None) -> Settings:
    """The settings of a file, with how dirt moves as this shop has learnt it.

    The file: `stated`, else FIBERWARD_SETTINGS, else settings.toml where the user's own data
    belongs, else none: the defaults. Raises SettingsError.
    """
    from .keep.moves import moves_file, read_moves
    from .keep.own_folder import own_folder

    named = stated or os.environ.get("FIBERWARD_SETTINGS")
    usual = own_folder() / "settings.toml"
    settings = Settings()
    if named or usual.exists():
        settings = read_settings(Path(named or usual))
    moves = read_moves(moves_file(), settings.assumptions.id)
    return replace(settings, assumptions=moves.taught(settings.assumptions))


def read_settings(path: Path) -> Settings:
    """The settings of a file; raises SettingsError, naming it, for anything it cannot take."""
    try:
        document = toml_table(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise SettingsError(f"{path}: cannot be read as settings ({error})") from error
    if unknown := sorted(set(document) - set(KEYS)):
        raise SettingsError(f"{path}: unknown keys {', '.join(unknown)}; known: {', '.join(KEYS)}")
    rules = _rules(document.get("rules", {}), path)
    tables = tuple(read_own_table(path.parent / name) for name in _names(document, path))
    size_um = _number(document.get("coverage_size_um", Settings().coverage_size_um), path)
    assumed = shipped_assumptions()
    if (own := document.get("assumptions")) is not None:
        assumed = read_assumptions(path.parent / str(own))
        if assumed != shipped_assumptions() and assumed.id == shipped_assumptions().id:
            # a record names its assumptions by their id
            raise SettingsError(f"{path.parent / str(own)}: changed, so give it an id of its own")
    try:
        return Settings(
            coverage_size_um=size_um, rules=Rules(**rules, zone_tables=tables), assumptions=assumed
        )
    except SettingsError as error:
        raise SettingsError(f"{path}: {error}") from error


def _names(document: Mapping[str, Any], path: Path) -> list[str]:
    names: object = document.get("zone_tables", [])
    if not isinstance(names, list):
        raise SettingsError(f"{path}: zone_tables must be a list of file names")
    return [str(name) for name in cast(list[object], names)]


def _number(value: object, path: Path) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e6:
        raise SettingsError(f"{path}: coverage_size_um must be above 0 um, got {value!r}")
    return float(value)


def _rules(stated: object, path: Path) -> dict[str, Any]:
    """The stated rules, each of its default's type."""
    defaults: dict[str, Any] = {
        row.name: row.default for row in fields(Rules) if row.name not in NOT_RULES
    }
    if not isinstance(stated, dict):
        raise SettingsError(f"{path}: rules must be a table, as [rules]")
    found: dict[str, Any] = {}
    for name, value in cast(dict[str, Any], stated).items():
        if name not in defaults:
            raise SettingsError(f"{path}: rules: unknown {name}; known: {', '.join(defaults)}")
        default = defaults[name]
        # beyond 1e9 it means nothing, and may be too large for a float
        whole = type(value) is int and abs(value) < 1e9
        fits = type(value) is type(default) or (isinstance(default, float) and whole)
        if not fits:
            plain = {True: "true or false", False: "a whole number"}
            kind = "a number" if isinstance(default, float) else plain[isinstance(default, bool)]
            raise SettingsError(f"{path}: rules: {name} must be {kind}, got {value!r}")
        found[name] = float(value) if isinstance(default, float) else value
    return found
