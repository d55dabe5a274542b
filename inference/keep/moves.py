"""How dirt moves in a shop's own matings: counted from inspections before and after one mating.

Kept in a JSON file of the shop's own (`fiberward.moves/1`), pair by pair, beside the assumptions
that it adds to; those are never changed. What is not known is left out and said, never guessed.
"""

import hashlib
import json
import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from ...model.errors import SettingsError
from ...model.kinds import KIND_NAMES, Kind
from ...model.shape import ConnectorShape
from ...model.surfaces import SURFACE_NAMES, Surface
from ..judge.assumed import Assumptions
from ..judge.places import PLACE_NAMES, Place, place_from
from .compare import DepositFate, Side, compare
from .files import only_writer, write_atomically
from .inspection import DepositRecord, Inspection
from .own_folder import own_folder

__all__ = [
    "MOVES_SCHEMA",
    "LearntPair",
    "Moves",
    "keep_pairs",
    "learn_pair",
    "moves_file",
    "read_moves",
    "with_pair",
]

MOVES_SCHEMA = "fiberward.moves/1"
NEWCOMER, UNKNOWN, UNSURE, MARK, LANDED = (
    "new, so nobody knows from where",
    "of unknown fate, their place is not shown",
    "not sure to be deposits",
    "damage, which does not travel",
    "on the core already",
)


@dataclass(frozen=True)
class LearntPair:
    """What one pair taught.

    `uid` names the pair by its pictures. `moves`: per assumption's name and place (where it was
    after the mating; where it had been: it stayed), how many deposits. `not_counted`: how many
    were left out, by why.
    """

    uid: str
    label: str | None
    before_at: str
    after_at: str
    learnt_at: str
    moves: Mapping[str, Mapping[str, int]]
    not_counted: Mapping[str, int]

    @property
    def counted(self) -> int:
        """How many moves it taught, staying included."""
        return sum(sum(row.values()) for row in self.moves.values())


@dataclass(frozen=True)
class Moves:
    """Everything a shop has learnt; `assumptions`: the id of those it was counted for."""

    assumptions: str
    pairs: tuple[LearntPair, ...] = ()

    def knows(self, uid: str) -> bool:
        """Whether a pair of these pictures was learnt from before."""
        return any(pair.uid == uid for pair in self.pairs)

    def taught(self, assumed: Assumptions) -> Assumptions:
        """The assumptions with everything learnt counted in."""
        total: dict[str, Counter[Place]] = {}
        for pair in self.pairs:
            for name, row in pair.moves.items():
                counts = total.setdefault(name, Counter())
                for place, count in row.items():
                    counts[Place(PLACE_NAMES.index(place))] += count
        return assumed.taught(total)


def moves_file() -> Path:
    """The shop's file: FIBERWARD_MOVES, else moves.json where the user's own data belongs."""
    return Path(os.environ.get("FIBERWARD_MOVES") or own_folder() / "moves.json")


def read_moves(path: Path, assumptions: str) -> Moves:
    """What was learnt beside the assumptions of that id; nothing where there is no file.

    Raises SettingsError for any other file.
    """
    try:
        document = json.loads(path.read_bytes())
    except (FileNotFoundError, NotADirectoryError):
        return Moves(assumptions)
    except (OSError, ValueError, RecursionError) as error:
        raise SettingsError(f"{path}: cannot be read as learnt moves ({error})") from error
    try:
        if document["schema"] != MOVES_SCHEMA:
            raise ValueError(f"schema {document['schema']!r}")
        moves = Moves(document["assumptions"], tuple(_pair(each) for each in document["pairs"]))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise SettingsError(
            f"{path}: no learnt moves of schema {MOVES_SCHEMA} ({error})"
        ) from error
    if moves.assumptions != assumptions:
        raise SettingsError(
            f"{path}: was learnt for {moves.assumptions}, now {assumptions} is assumed; "
            "move the file away and learn from the pairs again"
        )
    return moves


def _pair(document: Mapping[str, Any]) -> LearntPair:
    """A pair as written; ValueError or TypeError where it is none."""
    pair = LearntPair(**document)
    for row in pair.moves.values():
        for place, count in row.items():
            if place not in PLACE_NAMES or type(count) is not int or count < 0:
                raise ValueError(f"{place!r}: {count!r}")
    return pair


def keep_pairs(
    path: Path, assumptions: str, found: Sequence[LearntPair | str]
) -> tuple[Moves, list[LearntPair | str]]:
    """Add the pairs to the file, each once, and nothing where a text says why there is none.

    Gives all that is learnt now, and for each of `found` the pair, or why it was not added. Of
    several programs that learn at once each adds to what the others have added. Raises
    SettingsError.
    """
    if all(isinstance(each, str) for each in found):
        return read_moves(path, assumptions), list(found)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with only_writer(path):
            before = moves = read_moves(path, assumptions)
            told: list[LearntPair | str] = []
            for each in found:
                if not isinstance(each, str) and moves.knows(each.uid):
                    each = "it was learnt from before"
                if not isinstance(each, str):
                    moves = with_pair(moves, each)
                told.append(each)
            if moves != before:
                _write(moves, path)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise SettingsError(
            f"{path}: cannot be written ({reason}); nothing was learnt. Name another file with "
            "FIBERWARD_MOVES"
        ) from error
    return moves, told


def _write(moves: Moves, path: Path) -> None:
    """Write the file, whole or not at all."""
    document = {"schema": MOVES_SCHEMA, **asdict(moves)}
    write_atomically(path, (json.dumps(document, indent=1, ensure_ascii=False) + "\n").encode())


def learn_pair(before: Side, after: Side, assumed: Assumptions, learnt_at: str) -> LearntPair | str:
    """What the inspections before and after one mating teach, or why nothing."""
    one, two = before.inspection, after.inspection
    if (why_not := _no_single_mating(one, two)) is not None:
        return why_not
    comparison = compare(before, after)
    shape = before.shape()
    if comparison.refused or shape is None:
        return str(comparison.why_refused)
    counter = _Counter(one, two, shape, assumed)
    for pair in comparison.pairs:
        counter.count(pair)
    return LearntPair(
        uid=_uid(one, two),
        label=after.label or before.label,
        before_at=one.created_at,
        after_at=two.created_at,
        learnt_at=learnt_at,
        moves={name: dict(row) for name, row in counter.moves.items()},
        not_counted=dict(counter.left_out),
    )


def _no_single_mating(before: Inspection, after: Inspection) -> str | None:
    """Why what happened between was not one mating; None where it was as far as is stated."""
    if after.connector.get("stage") != "mated":
        return "the later inspection is not of stage mated"
    if after.created_at < before.created_at:
        return "the later inspection was made before the earlier one"
    if {view.sha256 for view in before.views} & {view.sha256 for view in after.views} - {None}:
        return "both show the same picture; what a mating did only new pictures can show"
    had, has = (each.connector.get("matings_so_far") for each in (before, after))
    if had is not None and has is not None and has - had != 1:
        return f"{has - had} matings lie between them; moves are counted for one"
    if before.connector.get("label") != after.connector.get("label"):
        return "their labels differ"
    return None


def _uid(before: Inspection, after: Inspection) -> str:
    """A pair's name: the same for the same pictures, inspected again or not."""
    parts = [sorted(str(view.sha256) for view in each.views) for each in (before, after)]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


class _Counter:
    """Counts the fates of one comparison."""

    def __init__(
        self, before: Inspection, after: Inspection, shape: ConnectorShape, assumed: Assumptions
    ) -> None:
        self.before, self.after = _by_id(before.deposits), _by_id(after.deposits)
        self.shape, self.assumed = shape, assumed
        rules: Mapping[str, Any] = before.settings.get("rules", {})
        self.mode = str(rules.get("fiber_mode", "sm"))
        self.moves: dict[str, Counter[str]] = {}
        self.left_out: Counter[str] = Counter()

    def count(self, pair: DepositFate) -> None:
        """Count one fate, or note why it is left out."""
        kind = Kind(KIND_NAMES.index(pair.kind))
        if pair.fate is None:
            self.left_out[UNKNOWN] += 1
        elif pair.unsure:
            self.left_out[UNSURE] += 1
        elif kind == Kind.DAMAGE:
            self.left_out[MARK] += 1
        elif pair.before_id is None:
            self.left_out[NEWCOMER] += 1
        else:
            self._count(kind, pair, self.before[pair.before_id])

    def _count(self, kind: Kind, pair: DepositFate, lay: DepositRecord) -> None:
        start = self._place(lay)
        size = float("nan") if lay.size_um is None else lay.size_um
        row = next((r for r in self.assumed.rows_for(kind, size) if r.start == start), None)
        if row is None:
            self.left_out[LANDED] += 1
            return
        end = start if pair.fate == "stayed" else Place.GONE
        if pair.fate == "moved" and pair.after_id is not None:
            end = self._place(self.after[pair.after_id])
        self.moves.setdefault(row.name, Counter())[PLACE_NAMES[end]] += 1

    def _place(self, deposit: DepositRecord) -> Place:
        nearest = deposit.s_um if deposit.s_min_um is None else deposit.s_min_um
        surface = Surface(SURFACE_NAMES.index(deposit.surface))
        return place_from(surface, nearest, self.shape, self.assumed.front_um, self.mode)


def _by_id(deposits: Sequence[DepositRecord]) -> dict[int, DepositRecord]:
    return {deposit.id: deposit for deposit in deposits}


def with_pair(moves: Moves, pair: LearntPair) -> Moves:
    """The moves with one more pair."""
    return replace(moves, pairs=(*moves.pairs, pair))
