"""A comparison as it is kept: the document `compare.json`, and what was removed, counted.

The document's schema is `fiberward.comparison/1` (`schemas/comparison-1.json`). Within a major
version keys are only added. What is not known is null, never 0.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from ...model.kinds import KIND_NAMES
from ...model.surfaces import SURFACE_NAMES
from .compare import Comparison, DepositFate, Side
from .inspection import read_inspection
from .map_files import read_map

__all__ = [
    "COMPARISON_FILE",
    "COMPARISON_SCHEMA",
    "COMPARISON_SCHEMA_FILE",
    "Removal",
    "comparison_document",
    "read_side",
    "removal",
]

COMPARISON_SCHEMA = "fiberward.comparison/1"
COMPARISON_SCHEMA_FILE = Path(__file__).parent / "schemas" / "comparison-1.json"
COMPARISON_FILE = "compare.json"
STATED = ("label", "end", "stage", "method", "attempt")


@dataclass(frozen=True)
class Removal:
    """What became of the deposits of one kind on one surface, as they were before.

    Deposits that no inspection was sure of and parts of others are left out. `known`: those whose
    fate is known, being `stayed` + `moved` + `gone`; `not_shown`: those whose place the later
    pictures do not show.
    `gone_share`: of the known ones, None if there are none. `new`: newcomers of the kind on the
    surface, moved ones not among them.
    """

    kind: str
    surface: str
    known: int
    stayed: int
    moved: int
    gone: int
    not_shown: int
    new: int
    gone_share: float | None


def removal(pairs: Sequence[DepositFate]) -> tuple[Removal, ...]:
    """Counts by kind and surface, in the tables' order; no row where there was nothing."""
    sure = [pair for pair in pairs if not pair.unsure and pair.part_of is None]
    keys = {(pair.kind, pair.surface) for pair in sure}
    order = sorted(keys, key=lambda k: (KIND_NAMES.index(k[0]), -SURFACE_NAMES.index(k[1])))
    return tuple(_counted(key, [p for p in sure if (p.kind, p.surface) == key]) for key in order)


def _counted(key: tuple[str, str], pairs: Sequence[DepositFate]) -> Removal:
    count = {
        fate: sum(p.fate == fate for p in pairs) for fate in ("stayed", "moved", "gone", "new")
    }
    known = count["stayed"] + count["moved"] + count["gone"]
    return Removal(
        kind=key[0],
        surface=key[1],
        known=known,
        not_shown=sum(p.fate is None and p.before_id is not None for p in pairs),
        gone_share=count["gone"] / known if known else None,
        **count,
    )


def comparison_document(
    comparison: Comparison, before: Side, after: Side, code_version: str, created_at: str
) -> dict[str, Any]:
    """The document, ready for `json.dumps`."""
    parts = json.loads(json.dumps(asdict(comparison), allow_nan=False))
    pairs = parts.pop("pairs")
    return {
        "schema": COMPARISON_SCHEMA,
        **parts,
        "before": _side(before),
        "after": _side(after),
        "pairs": pairs,
        "removal": [asdict(row) for row in removal(comparison.pairs)],
        "code_version": code_version,
        "created_at": created_at,
    }


def _side(side: Side) -> Mapping[str, Any]:
    """What tells which inspection it was."""
    seen = side.inspection
    return {
        **{name: seen.connector.get(name) for name in STATED},
        "created_at": seen.created_at,
        "verdict": seen.verdict,
        "deposits": len(seen.deposits),
        "model_sha256": seen.model.sha256,
    }


def read_side(path: Path) -> Side:
    """One of two inspections to compare: an inspection.json, or the folder it is in.

    Raises UsageError for anything else, UnreadablePicture for damaged map data beside it.
    """
    side, folder = Side(read_inspection(path)), path if path.is_dir() else path.parent
    shape = side.shape()
    return side if shape is None else Side(side.inspection, read_map(folder, shape))
