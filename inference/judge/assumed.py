"""The assumptions that reach rests on, as data, and what a shop has learnt beside them."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from math import inf, isfinite
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ...model.errors import SettingsError
from ...model.kinds import KIND_NAMES, Kind
from ...model.toml_text import toml_table
from .chain import PLACES, Journey
from .places import PLACE_NAMES, Place

__all__ = [
    "Assumption",
    "Assumptions",
    "Rows",
    "read_assumptions",
    "recorded_assumptions",
    "shipped_assumptions",
]

# what a file of any content may raise while its rows are made of it
AMISS = (KeyError, ValueError, TypeError, AttributeError, OverflowError)
SHIPPED = Path(__file__).parent / "assumptions" / "shipped.toml"
DRAWS, SEED = 1000, 20251125
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Assumption:
    """How dirt of some kinds and sizes (um, from <= size < to) leaves one place in one mating.

    `moves`: chance per place it may go to, `weight`: how many observed moves that counts for.
    `learnt`: observed moves per place, staying included. `sheds`: fragments per mating.
    """

    name: str
    kinds: tuple[Kind, ...]
    start: Place
    moves: tuple[tuple[Place, float], ...]
    weight: float
    why: str
    size_um: tuple[float, float] = (0.0, inf)
    sheds: float = 0.0
    learnt: tuple[tuple[Place, int], ...] = ()

    def fits(self, kind: Kind, size_um: float) -> bool:
        """Whether it speaks of dirt of this kind and size; one of unknown size (NaN) is large."""
        size = size_um if isfinite(size_um) else 1e9
        return kind in self.kinds and self.size_um[0] <= size < self.size_um[1]

    @property
    def prior(self) -> Floats:
        """Dirichlet parameters [10] of the assumption alone."""
        alpha = np.zeros(PLACES)
        for place, chance in self.moves:
            alpha[place] = chance * self.weight
        alpha[self.start] += self.weight - alpha.sum()
        return alpha

    @property
    def posterior(self) -> Floats:
        """Dirichlet parameters [10] with what was learnt: prior and counts added."""
        alpha = self.prior
        for place, count in self.learnt:
            alpha[place] += count
        return alpha

    @property
    def observed(self) -> int:
        """How many moves were learnt."""
        return sum(count for _, count in self.learnt)


Rows = tuple[Assumption, ...]


@dataclass(frozen=True)
class Assumptions:
    """All assumptions. `front_um`: length of the barrel's front. `id` names the set."""

    id: str
    front_um: float
    sheds_spread: float
    rows: Rows

    def rows_for(self, kind: Kind, size_um: float) -> Rows:
        """One row for each place that dirt of this kind and size can leave, outside in.

        Damage counts as a grain: until it has been cleaned it may be one.
        """
        as_kind = Kind.PARTICLE if kind == Kind.DAMAGE else kind
        return tuple(row for row in self.rows if row.fits(as_kind, size_um))

    @property
    def grains(self) -> Rows:
        """The rows that fragments follow: those of the smallest grains."""
        return self.rows_for(Kind.PARTICLE, 0.0)

    @property
    def observed(self) -> int:
        """How many moves were learnt from a shop's own pairs."""
        return sum(row.observed for row in self.rows)

    @property
    def basis(self) -> str:
        """What the figures rest on, in words that stand beside each of them."""
        if not self.observed:
            return f"assumed ({self.id}, no measured moves)"
        return f"assumed ({self.id}) and {self.observed} measured moves"

    @property
    def record(self) -> dict[str, Any]:
        """As kept with an inspection: the set's name and what was learnt, per row and place."""
        learnt = {
            row.name: {PLACE_NAMES[place]: count for place, count in row.learnt}
            for row in self.rows
            if row.learnt
        }
        return {"id": self.id, "front_um": self.front_um, "learnt": learnt}

    def taught(self, counts: Mapping[str, Mapping[Place, int]]) -> "Assumptions":
        """These with moves counted per row name; raises SettingsError for an unknown row."""
        known = {row.name for row in self.rows}
        if unknown := sorted(set(counts) - known):
            raise SettingsError(f"moves: no assumption named {', '.join(unknown)} in {self.id}")
        rows = tuple(
            replace(row, learnt=tuple(sorted(counts[row.name].items())))
            if row.name in counts
            else row
            for row in self.rows
        )
        return replace(self, rows=rows)

    def mean(self, rows: Rows) -> Journey:
        """The chain with every chance at its mean."""
        return Journey(
            _matrix((row.start, row.posterior / row.posterior.sum()) for row in rows),
            _matrix((row.start, row.posterior / row.posterior.sum()) for row in self.grains),
            _by_place(rows),
        )

    def drawn(self, rows: Rows) -> Journey:
        """`DRAWS` chains with the chances drawn from their Dirichlet distributions.

        A row's draws depend on its name only, so that all dirt shares them.
        """
        each = {row.name: _draws(row) for row in (*rows, *self.grains)}
        spread = np.stack([_shed_draws(row, self.sheds_spread) for row in rows])
        sheds = np.zeros((DRAWS, PLACES))
        for row, factor in zip(rows, spread, strict=True):
            sheds[:, row.start] = row.sheds * factor
        return Journey(
            _matrix(((row.start, each[row.name]) for row in rows), DRAWS),
            _matrix(((row.start, each[row.name]) for row in self.grains), DRAWS),
            sheds,
        )


def _matrix(rows: Iterable[tuple[Place, Floats]], draws: int | None = None) -> Floats:
    shape = (PLACES, PLACES) if draws is None else (draws, PLACES, PLACES)
    matrix = np.broadcast_to(np.eye(PLACES), shape).copy()
    for start, chances in rows:
        matrix[..., start, :] = chances
    return matrix


def _by_place(rows: Rows) -> Floats:
    sheds = np.zeros(PLACES)
    for row in rows:
        sheds[row.start] = row.sheds
    return sheds


def _generator(name: str) -> np.random.Generator:
    return np.random.default_rng([SEED, *name.encode()])


@lru_cache(maxsize=128)  # a question about one row changes none of the others
def _draws(row: Assumption) -> Floats:
    """[DRAWS, 10] from the row's Dirichlet distribution, by gammas; read-only."""
    alpha = row.posterior
    gammas = _generator(row.name).standard_gamma(np.maximum(alpha, 1e-12), (DRAWS, PLACES))
    gammas[:, alpha <= 0] = 0.0
    draws = gammas / gammas.sum(axis=1, keepdims=True)
    draws.setflags(write=False)
    return draws


@lru_cache(maxsize=128)
def _shed_draws(row: Assumption, spread: float) -> Floats:
    draws = _generator(f"{row.name} sheds").standard_gamma(spread, DRAWS) / spread
    draws.setflags(write=False)
    return draws


@cache
def shipped_assumptions() -> Assumptions:
    """The assumptions that this version ships."""
    return read_assumptions(SHIPPED)


def recorded_assumptions(record: Mapping[str, Any] | None) -> Assumptions | None:
    """The assumptions that an inspection was judged by; None if this version lacks them."""
    shipped = shipped_assumptions()
    if record is None or record.get("id") != shipped.id:
        return None
    counts = {
        name: {_place(place): int(count) for place, count in places.items()}
        for name, places in record.get("learnt", {}).items()
    }
    return shipped.taught(counts)


def read_assumptions(path: Path) -> Assumptions:
    """Assumptions from a TOML file of the shipped one's form; raises SettingsError."""
    try:
        document = toml_table(path.read_text(encoding="utf-8"))
        rows = tuple(_row(row) for row in document["row"])
        found = Assumptions(
            document["id"], float(document["front_um"]), float(document["sheds_spread"]), rows
        )
        _check(found)
    except (OSError, *AMISS) as error:
        raise SettingsError(f"{path}: not a file of assumptions ({error})") from error
    return found


def _row(row: dict[str, Any]) -> Assumption:
    low, high = row.get("size_um", (0.0, inf))
    return Assumption(
        name=row["name"],
        kinds=tuple(Kind(KIND_NAMES.index(kind)) for kind in row["kinds"]),
        start=_place(row["from"]),
        moves=tuple((_place(place), float(chance)) for place, chance in row["to"].items()),
        weight=float(row["weight"]),
        why=row["why"],
        size_um=(float(low), float(high)),
        sheds=float(row.get("sheds", 0.0)),
    )


def _place(name: str) -> Place:
    return Place(PLACE_NAMES.index(name))


def _check(found: Assumptions) -> None:
    """Every kind and size has one row for each place it can leave; chances make sense."""
    if not (0 <= found.front_um < inf and 0 < found.sheds_spread < inf):
        raise ValueError("front_um must not be negative, sheds_spread above 0")
    words: list[object] = [found.id, *(text for row in found.rows for text in (row.name, row.why))]
    if not all(isinstance(each, str) and each for each in words):
        raise ValueError("id, name and why must be words")
    if len({row.name for row in found.rows}) < len(found.rows):
        raise ValueError("two rows of one name")
    for row in found.rows:
        chances = [chance for _, chance in row.moves]
        leaves = row.start not in dict(row.moves)
        # written so that NaN is impossible too
        possible = all(chance >= 0 for chance in chances) and 0 < sum(chances) < 1
        if not (possible and leaves and 0 < row.weight < inf and 0 <= row.sheds < inf):
            raise ValueError(f"row {row.name}: chances, weight or sheds impossible")
    sizes = {0.0, *(edge for row in found.rows for edge in row.size_um if isfinite(edge))}
    for kind in (Kind.PARTICLE, Kind.LINT, Kind.FILM, Kind.RESIDUE, Kind.LIQUID):
        for size in sizes:
            starts = sorted(row.start for row in found.rows_for(kind, size))
            if starts != list(range(Place.CORE)):
                raise ValueError(f"{KIND_NAMES[kind]} of {size:g} um needs one row for each place")
