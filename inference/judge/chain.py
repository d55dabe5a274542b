"""An absorbing Markov chain over places, one step a mating: exact, and by simulation.

A piece of dirt at place i moves in one mating to place j with chance P[i, j]. The target and what
lies beyond it absorb, as does "gone". Before it moves it sheds a Poisson number of fragments, mean
f[i], that start at i and move by a matrix of their own from the same mating on. "Arrived" means
that the dirt or one of its fragments has. (Absorbing chains: Kemeny & Snell, Finite Markov Chains,
ch. 3; fundamental matrix N = 1/(1 - Q).)
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .places import Place

__all__ = ["Journey", "arrivals", "expected_matings", "simulate"]

Floats = npt.NDArray[np.float64]
PLACES = len(Place)


@dataclass(frozen=True)
class Journey:
    """One model or a batch of them: `moves`, `fragment_moves` [..., 10, 10], `sheds` [..., 10].

    Rows of the matrices add up to 1; index by `Place`.
    """

    moves: Floats
    fragment_moves: Floats
    sheds: Floats


def _absorbing(moves: Floats, target: Place) -> Floats:
    """The matrix with the target, what lies beyond it, and gone as ends."""
    closed = moves.copy()
    for place in range(target, PLACES):
        closed[..., place, :] = 0.0
        closed[..., place, place] = 1.0
    return closed


def arrivals(
    journey: Journey, target: Place, matings: Sequence[int]
) -> dict[int, tuple[Floats, Floats]]:
    """Per number of matings: the chance to have arrived at `target`, and the expected number of
    fragments that have, from each place; both [..., 10]. Exact, one matrix product a mating.

    Fragments of dirt that has itself arrived or gone are not counted on.
    """
    moves, fragments = (
        _from_below(each, target) for each in (journey.moves, journey.fragment_moves)
    )
    sheds = np.moveaxis(journey.sheds, -1, 0)[:target]
    one = np.zeros((PLACES, *sheds.shape[1:]))
    one[target : Place.GONE] = 1.0
    some, count = one.copy(), np.zeros_like(one)
    found: dict[int, tuple[Floats, Floats]] = {}
    for step in range(1, max(matings) + 1):
        one[:target] = _apply(fragments, one)
        shed = sheds * one[:target]
        # not 1 - (none): a chance of 1e-20 is not 0
        some[:target] = -np.expm1(-shed) + np.exp(-shed) * _apply(moves, some)
        count[:target] = shed + _apply(moves, count)
        if step in matings:
            chance, expected = np.clip(some, 0.0, 1.0), count.copy()
            found[step] = np.moveaxis(chance, 0, -1), np.moveaxis(expected, 0, -1)
    return found


def _from_below(moves: Floats, target: Place) -> Floats:
    """The chances [target, 10, ...] from each place before the target to each: the rest absorb.

    A batch goes last, so that one place's chances in all models lie side by side.
    """
    return np.ascontiguousarray(np.moveaxis(moves[..., :target, :], (-2, -1), (0, 1)))


def _apply(chances: Floats, vector: Floats) -> Floats:
    """What each place before the target expects of `vector` [10, ...] a mating later."""
    return np.einsum("ij...,j...->i...", chances, vector)


def expected_matings(moves: Floats, target: Place, start: Place) -> float | None:
    """Matings until the dirt itself arrives, on average over the cases in which it ever does.

    `moves` [10, 10]. With b the chance to arrive at all, it is (N b) / b. None if it never can.
    """
    if start >= target:
        return 0.0 if start != Place.GONE else None
    q = moves[:target, :target]
    toward = moves[:target, target : Place.GONE].sum(axis=1)
    fundamental = np.linalg.pinv(np.eye(target) - q)
    ever = fundamental @ toward
    if ever[start] <= 1e-12:
        return None
    return float((fundamental @ ever)[start] / ever[start])


def simulate(
    journey: Journey, target: Place, start: Place, matings: int, runs: int, seed: int
) -> tuple[float, float]:
    """(share of runs that arrived, mean number of fragments that arrived), by drawing lots.

    For one model, `moves` [10, 10]; an independent check of `arrivals`.
    """
    rng = np.random.default_rng(seed)
    moves: Floats = np.cumsum(_absorbing(journey.moves, target), axis=1)
    fragments = _absorbing(journey.fragment_moves, target)
    at = np.full(runs, int(start), np.int64)
    loose = np.zeros((runs, PLACES), int)
    for _ in range(matings):
        loose[:, :target] += rng.poisson(np.where(at < target, journey.sheds[at], 0.0))[:, None] * (
            np.arange(target) == at[:, None]
        )
        loose = _scatter(loose, fragments, target, rng)
        at = (rng.random((runs, 1)) > moves[at]).sum(axis=1).clip(0, PLACES - 1)
    caught = loose[:, target : Place.GONE].sum(axis=1)
    itself = (at >= target) & (at != Place.GONE)
    arrived = itself | (caught > 0)
    return float(arrived.mean()), float(caught.mean())


def _scatter(
    loose: npt.NDArray[np.int64], moves: Floats, target: Place, rng: np.random.Generator
) -> npt.NDArray[np.int64]:
    """Move every loose fragment [runs, places] once."""
    moved = np.where(np.arange(PLACES) < target, 0, loose)
    for place in range(target):
        moved += rng.multinomial(loose[:, place], moves[place] / moves[place].sum())
    return moved
