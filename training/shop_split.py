"""Which of a shop's connectors teach, which stop the training, and which judge the result.

A connector is never cut. What judged once judges again: the parts are kept with the models, by the
pictures' checksums, so that no later retraining learns from a picture that judged an earlier one.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np

from ..inference.keep.files import write_atomically
from ..model.errors import ModelError, UsageError
from ..model.kinds import KIND_NAMES
from .labels.folder import LabelledView

__all__ = ["Split", "read_parts", "remember_parts", "split_views"]

LEARN, STOP, JUDGE = "learn", "stop", "judge"
LEAST_CONNECTORS = 4
MOST = 0.75  # of a kind's pixels; who shows so much teaches, for nothing else could teach it
PARTS_FILE = "parts.json"
SCHEMA = "fiberward.parts/1"


@dataclass(frozen=True)
class Split:
    """The parts: `learn` to train on, `stop` for early stopping, `judge` for the gate alone."""

    learn: tuple[LabelledView, ...]
    stop: tuple[LabelledView, ...]
    judge: tuple[LabelledView, ...]

    def leaks(self) -> list[str]:
        """Connectors and pictures that are in more than one part; empty unless there is a fault."""
        found: list[str] = []
        for what in ("connector", "sha256"):
            seen: dict[str, str] = {}
            for part in (LEARN, STOP, JUDGE):
                for view in cast(tuple[LabelledView, ...], getattr(self, part)):
                    key = view.connector if what == "connector" else view.picture.sha256
                    if seen.setdefault(key, part) != part:
                        found.append(f"{what} {key} is in {seen[key]} and in {part}")
        return found

    def lines(self) -> list[str]:
        """For a person."""
        rows: list[str] = []
        for part, purpose in ((LEARN, "teach"), (STOP, "say when to stop"), (JUDGE, "judge")):
            views = cast(tuple[LabelledView, ...], getattr(self, part))
            names = ", ".join(dict.fromkeys(view.connector for view in views))
            rows.append(f"{len(views)} pictures {purpose}: {names}")
        leaks = self.leaks()
        rows.append(f"leakage: {'; '.join(leaks)}" if leaks else "leakage: none, by connector "
                    "and by the pictures' checksums")  # fmt: skip
        return rows

    def as_dict(self) -> dict[str, Any]:
        """Plain values: picture names and checksums by part."""
        return {
            part: [
                {"picture": v.name, "connector": v.connector, "sha256": v.picture.sha256}
                for v in cast(tuple[LabelledView, ...], getattr(self, part))
            ]
            for part in (LEARN, STOP, JUDGE)
        }


def split_views(views: Sequence[LabelledView], known: Mapping[str, str]) -> Split:
    """Deal the connectors out: a third judge, one or a sixth say when to stop, the rest teach.

    known: part by picture checksum, from earlier retrainings; a connector with such a picture
    stays there. The others are ordered by the hash of their pictures' checksums, so that neither
    their names nor their order matter; those that show nearly all there is of a kind of
    deposit come last, for nothing else could teach it. Raises `UsageError` below four connectors.
    """
    groups: dict[str, list[LabelledView]] = {}
    for view in views:
        groups.setdefault(view.connector, []).append(view)
    if len(groups) < LEAST_CONNECTORS:
        raise UsageError(
            f"{len(groups)} labelled connectors: at least {LEAST_CONNECTORS} are needed, since "
            "some must judge what the others taught; label more connectors"
        )
    parts = {name: _known_part(group, known) for name, group in groups.items()}
    wanted = {JUDGE: max(1, len(groups) // 3), STOP: max(1, len(groups) // 6)}
    alone = _alone_with_a_kind(groups)
    for name in sorted(groups, key=lambda n: (n in alone, _place(groups[n]))):
        if parts[name] is None:
            counts = list(parts.values())
            short = [part for part in (JUDGE, STOP) if counts.count(part) < wanted[part]]
            parts[name] = short[0] if short else LEARN
    chosen = {
        part: tuple(v for name, group in groups.items() if parts[name] == part for v in group)
        for part in (LEARN, STOP, JUDGE)
    }
    if not chosen[LEARN]:
        raise UsageError(
            "every labelled connector judged an earlier retraining; label others to learn from"
        )
    return Split(chosen[LEARN], chosen[STOP], chosen[JUDGE])


def _known_part(group: Sequence[LabelledView], known: Mapping[str, str]) -> str | None:
    """Where a connector belongs by its pictures' past; what judged wins."""
    found = {known[v.picture.sha256] for v in group if v.picture.sha256 in known}
    return next((part for part in (JUDGE, STOP, LEARN) if part in found), None)


def _alone_with_a_kind(groups: Mapping[str, Sequence[LabelledView]]) -> set[str]:
    """The connectors that show `MOST` of what is labelled of some kind, in pixels."""
    names = list(groups)
    px = np.array(
        [
            sum(np.bincount(v.label.kind.ravel(), minlength=256)[: len(KIND_NAMES)] for v in group)
            for group in groups.values()
        ]
    )[:, 1:]
    most = (px >= MOST * px.sum(axis=0)) & (px > 0)
    return {name for name, alone in zip(names, most.any(axis=1), strict=True) if alone}


def _place(group: Sequence[LabelledView]) -> str:
    text = "".join(sorted(view.picture.sha256 for view in group))
    return hashlib.sha256(text.encode()).hexdigest()


def read_parts(folder: Path) -> dict[str, str]:
    """The parts of earlier retrainings, by picture checksum; empty before the first."""
    path = folder / PARTS_FILE
    if not path.exists():
        return {}
    try:
        document: Any = json.loads(path.read_text(encoding="utf-8"))
        if document["schema"] != SCHEMA:
            raise ValueError(f"schema {document['schema']!r}")
        return {str(key): str(part) for key, part in document["parts"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise ModelError(f"{path}: cannot be read ({error!r}); restore it from a copy") from error


def remember_parts(folder: Path, split: Split) -> None:
    """Keep this split for later retrainings."""
    rows = split.as_dict()
    parts = read_parts(folder) | {
        row["sha256"]: part for part, each in rows.items() for row in each
    }
    folder.mkdir(parents=True, exist_ok=True)
    text = json.dumps({"schema": SCHEMA, "parts": parts}, indent=1)
    write_atomically(folder / PARTS_FILE, text.encode())
