"""`label-map.toml`: what the shop's own names and numbers mean here.

[names]                       # of COCO categories, labelme and CVAT labels
"dust" = "particle"
"ferrule side" = "barrel"
"not sure" = "not annotated"  # deposits: left out of training and of every figure
"edge of stage" = "ignore"    # the shape is dropped

[surface_ids]                 # of STEM.surfaces.png, where they differ from ours
7 = "endface"

[deposit_ids]
9 = "residue"

Our own names and numbers need no entry.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

from ...model.errors import SettingsError
from ...model.kinds import KIND_NAMES
from ...model.surfaces import SURFACE_NAMES
from ...model.toml_text import toml_table
from .label import NOT_ANNOTATED

__all__ = ["IGNORED", "LABEL_MAP_FILE", "UNSURE", "LabelMap", "Meaning", "read_label_map"]

LABEL_MAP_FILE = "label-map.toml"
UNSURE, IGNORED = "not annotated", "ignore"


@dataclass(frozen=True)
class Meaning:
    """What a shape says: `layer` surface or kind, and the index to write there."""

    layer: str
    index: int


def known_names() -> dict[str, Meaning | None]:
    """Our own names; None for a shape that says nothing."""
    names: dict[str, Meaning | None] = {}
    names |= {name: Meaning("surface", i) for i, name in enumerate(SURFACE_NAMES)}
    names |= {name: Meaning("kind", i) for i, name in enumerate(KIND_NAMES)}
    return names | {UNSURE: Meaning("kind", NOT_ANNOTATED), IGNORED: None}


@dataclass(frozen=True)
class LabelMap:
    """Names and numbers of a shop's labels, and what they mean."""

    names: Mapping[str, Meaning | None] = field(default_factory=known_names)
    surface_ids: Mapping[int, int] = field(default_factory=dict[int, int])
    deposit_ids: Mapping[int, int] = field(default_factory=dict[int, int])


def read_label_map(folder: Path) -> LabelMap:
    """The folder's label map; the plain one where it has none. Raises SettingsError."""
    path = folder / LABEL_MAP_FILE
    if not path.exists():
        return LabelMap()
    try:
        table = toml_table(path.read_bytes().decode("utf-8-sig"))
    except (OSError, ValueError) as error:
        raise SettingsError(f"{path}: cannot be read as TOML ({error})") from error
    unknown = sorted(set(table) - {"names", "surface_ids", "deposit_ids"})
    if unknown:
        raise SettingsError(
            f"{path}: unknown table {', '.join(unknown)}; known are names, surface_ids, deposit_ids"
        )
    return LabelMap(
        names=known_names() | _names(table.get("names", {}), path),
        surface_ids=_ids(table.get("surface_ids", {}), "surface", path),
        deposit_ids=_ids(table.get("deposit_ids", {}), "kind", path),
    )


def _names(table: Any, path: Path) -> dict[str, Meaning | None]:
    known = known_names()
    found: dict[str, Meaning | None] = {}
    for name, ours in _table(table, path).items():
        if not isinstance(ours, str) or ours not in known:
            raise SettingsError(f"{path}: {name!r} = {ours!r}; give one of {', '.join(known)}")
        found[name] = known[ours]
    return found


def _ids(table: Any, layer: str, path: Path) -> dict[int, int]:
    known = {n: m.index for n, m in known_names().items() if m is not None and m.layer == layer}
    known[UNSURE] = NOT_ANNOTATED
    found: dict[int, int] = {}
    for key, ours in _table(table, path).items():
        if not key.isdecimal() or not isinstance(ours, str) or ours not in known:
            raise SettingsError(
                f"{path}: {key} = {ours!r}; write NUMBER = NAME, with one of {', '.join(known)}"
            )
        found[int(key)] = known[ours]
    return found


def _table(value: Any, path: Path) -> dict[str, object]:
    if not isinstance(value, dict):
        raise SettingsError(f"{path}: expected tables [names], [surface_ids], [deposit_ids]")
    return cast(dict[str, object], value)
