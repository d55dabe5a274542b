"""The kinds of deposit, in one table. Every list of kinds derives from it."""

from dataclasses import dataclass
from enum import IntEnum

__all__ = ["KINDS", "KIND_NAMES", "Kind", "KindRow"]


class Kind(IntEnum):
    """Index of a kind in masks and in the net's `kind` output."""

    CLEAN = 0
    PARTICLE = 1
    LINT = 2
    FILM = 3
    RESIDUE = 4
    LIQUID = 5
    DAMAGE = 6


@dataclass(frozen=True)
class KindRow:
    """One kind of deposit.

    `color` is from the Okabe-Ito palette as published; `marker` names the shape drawn beside it,
    the second cue. `removable`: cleaning can take it away. `hard`: a grain of it can hold two
    endfaces apart.
    """

    kind: Kind
    name: str
    meaning: str
    color: str
    marker: str
    removable: bool
    hard: bool


KINDS = (
    KindRow(Kind.CLEAN, "clean", "no deposit", "#000000", "none", False, False),
    KindRow(
        Kind.PARTICLE, "particle", "a grain of dust or wear debris", "#E69F00", "disc", True, True
    ),
    KindRow(Kind.LINT, "lint", "a fibre of cloth or paper", "#56B4E9", "wave", True, False),
    KindRow(Kind.FILM, "film", "oil or a fingerprint", "#009E73", "square", True, False),
    KindRow(Kind.RESIDUE, "residue", "what a dried liquid left", "#F0E442", "ring", True, False),
    KindRow(Kind.LIQUID, "liquid", "a drop or a wet patch", "#0072B2", "drop", True, False),
    KindRow(Kind.DAMAGE, "damage", "scratch, chip or pit", "#D55E00", "cross", False, False),
)
KIND_NAMES = tuple(row.name for row in KINDS)
