"""What is thought of how dirt moves: assumed, seen, and both together, each with its interval."""

from dataclasses import dataclass

from ...model.kinds import KIND_NAMES
from .assumed import Assumption, Assumptions
from .places import PLACE_NAMES, Place

__all__ = ["Chance", "MoveRow", "Told", "told_moves"]


@dataclass(frozen=True)
class Chance:
    """A chance per mating, 0..1: its mean and 95 % interval."""

    mean: float
    interval: tuple[float, float]


@dataclass(frozen=True)
class Told:
    """One place that dirt may go to, its own being that it stays.

    `assumed`: None where nobody thought of it. `seen`: how many deposits were seen to. `now`: what
    is thought with them counted in.
    """

    place: str
    stays: bool
    assumed: Chance | None
    seen: int
    now: Chance


@dataclass(frozen=True)
class MoveRow:
    """One assumption and what was learnt beside it.

    `weight`: how many moves seen the assumption counts for; `seen`: how many were. `sheds`:
    fragments per mating, assumed and never learnt, for pictures do not tell them from newcomers.
    """

    assumption: str
    why: str
    kinds: tuple[str, ...]
    size_um: tuple[float, float | None]
    start: str
    weight: float
    seen: int
    sheds: float
    to: tuple[Told, ...]


def told_moves(assumed: Assumptions) -> tuple[MoveRow, ...]:
    """Every assumption, outside in as they are listed."""
    return tuple(_row(row) for row in assumed.rows)


def _row(row: Assumption) -> MoveRow:
    prior, posterior, learnt = row.prior, row.posterior, dict(row.learnt)
    places = [place for place in Place if posterior[place] > 0]
    before, after = float(prior.sum()), float(posterior.sum())
    told = tuple(
        Told(
            PLACE_NAMES[place],
            place == row.start,
            _chance(float(prior[place]), before) if prior[place] > 0 else None,
            learnt.get(place, 0),
            _chance(float(posterior[place]), after),
        )
        for place in places
    )
    low, high = row.size_um
    return MoveRow(
        row.name,
        row.why,
        tuple(KIND_NAMES[kind] for kind in row.kinds),
        (low, high if high < 1e9 else None),
        PLACE_NAMES[row.start],
        row.weight,
        row.observed,
        row.sheds,
        told,
    )


def _chance(alpha: float, total: float) -> Chance:
    """One share of a Dirichlet: a beta(alpha, total - alpha); 2.5 % and 97.5 % points."""
    from scipy.special import betaincinv

    ends = (float(betaincinv(alpha, total - alpha, q)) for q in (0.025, 0.975))
    return Chance(alpha / total, (next(ends), next(ends)))
