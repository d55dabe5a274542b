"""`connector.toml`: what the person states about one connector, beside its pictures.

label = "rack 7, port 12"     # every key is optional
family = "2.5-pc"             # 2.5-pc, 2.5-apc, 1.25-pc or 1.25-apc
ferrule_mm = 2.5              # 2.5 or 1.25
finish = "pc"                 # pc or apc
fiber_mode = "single"         # single or multi
end = "A"
lot = "2026-31"
stage = "as-received"         # as-received, cleaned or mated
method = "dry stick"          # how it was cleaned
matings_so_far = 3
key_deg = 90.0                # where the key is, as an angle on the endface
[[picture]]
file = "front.jpg"            # the name of a picture in this folder
turn_deg = 120.0              # the side that is at the bottom of the picture
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

from ...model.errors import SettingsError
from ...model.families import FAMILIES
from ...model.toml_text import toml_table

__all__ = ["CONNECTOR_FILE", "STAGES", "ConnectorFacts", "read_connector_file"]

CONNECTOR_FILE = "connector.toml"
STAGES = ("as-received", "cleaned", "mated")
LARGEST = 1e9  # beyond it no number of a connector means anything


@dataclass(frozen=True)
class ConnectorFacts:
    """What is stated about one connector; None where nothing is.

    turns_deg: the stated turn of a picture, in degrees [0, 360), by the picture's file name.
    """

    label: str | None = None
    family: str | None = None
    ferrule_mm: float | None = None
    finish: str | None = None
    fiber_mode: str | None = None
    end: str | None = None
    lot: str | None = None
    stage: str | None = None
    method: str | None = None
    matings_so_far: int | None = None
    key_deg: float | None = None
    turns_deg: Mapping[str, float] = field(default_factory=dict[str, float])


def read_connector_file(path: Path) -> ConnectorFacts:
    """Read one connector.toml; raises SettingsError, which names the file, key and value."""
    try:
        table = toml_table(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read ({error.strerror})") from error
    except ValueError as error:  # TOMLDecodeError and UnicodeDecodeError
        raise SettingsError(f"{path}: is not TOML ({error})") from error
    try:
        pictures = table.pop("picture", [])
        stated = _checked(table, KEYS)
        return ConnectorFacts(**stated, turns_deg=_turns(pictures, path.parent))
    except ValueError as error:
        raise SettingsError(f"{path}: {error}") from error


def _checked(table: Mapping[str, Any], keys: Mapping[str, Callable[[Any], Any]]) -> dict[str, Any]:
    """The values, each checked by its key's rule; ValueError for an unknown key or bad value."""
    checked: dict[str, Any] = {}
    for key, value in table.items():
        if key not in keys:
            raise ValueError(f"unknown key {key!r}; known are {', '.join(keys)}, [[picture]]")
        try:
            checked[key] = keys[key](value)
        except ValueError as error:
            raise ValueError(f"{key} = {value!r}: {error}") from error
    return checked


def _turns(pictures: Any, folder: Path) -> dict[str, float]:
    if not isinstance(pictures, list):
        raise ValueError("picture must be written as [[picture]] tables")
    turns: dict[str, float] = {}
    for each in cast(list[Any], pictures):
        if not isinstance(each, dict):
            raise ValueError(f"picture = {each!r}: expected a table, written as [[picture]]")
        row = _checked(cast(dict[str, Any], each), {"file": _text, "turn_deg": _angle})
        name = row.get("file")
        if name is None:
            raise ValueError("a [[picture]] has no file")
        if Path(name).name != name or not (folder / name).is_file():
            raise ValueError(f"[[picture]] file = {name!r}: there is no such picture beside it")
        if "turn_deg" in row:
            turns[name] = row["turn_deg"]
    return turns


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise ValueError("expected a text of one line")
    return value.strip()


def _one_of(*allowed: str) -> Callable[[Any], str]:
    def check(value: Any) -> str:
        if value not in allowed:
            raise ValueError(f"expected one of {', '.join(allowed)}")
        return str(value)

    return check


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < LARGEST:
        raise ValueError("expected a number")
    return float(value)


def _ferrule(value: Any) -> float:
    if _number(value) not in (2.5, 1.25):
        raise ValueError("expected 2.5 or 1.25")
    return float(value)


def _angle(value: Any) -> float:
    return _number(value) % 360.0


def _count(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < LARGEST:
        raise ValueError("expected a whole number from 0")
    return value


KEYS: Mapping[str, Callable[[Any], Any]] = {
    "label": _text,
    "family": _one_of(*(family.name for family in FAMILIES)),
    "ferrule_mm": _ferrule,
    "finish": _one_of("pc", "apc"),
    "fiber_mode": _one_of("single", "multi"),
    "end": _text,
    "lot": _text,
    "stage": _one_of(*STAGES),
    "method": _text,
    "matings_so_far": _count,
    "key_deg": _angle,
}
