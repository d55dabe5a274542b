"""What cleaning removed, by method: of all dirt, of each kind, on each surface.

Deposits on one connector resemble each other and count for less than as many connectors (see
clustered_share).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from .statistics import Method, Share, clustered_share
from .study_cycles import NO_METHOD
from .study_data import ENDS, FateTable, Numbers

__all__ = ["Removal", "removals_of"]

By = Literal["all", "kind", "surface"]
GONE, UNSEEN = ENDS.index("gone"), ENDS.index(None)


@dataclass(frozen=True)
class Removal:
    """How much of one part of the dirt went: `gone` of the deposits whose fate was seen.

    `part`: a kind or a surface, or all. `moved`, `stayed`: of the same; `unseen`: fate not shown.
    """

    method: str
    by: By
    part: str
    gone: Share
    moved: int
    stayed: int
    unseen: int
    connectors: int


def removals_of(fates: FateTable, how: Method) -> tuple[Removal, ...]:
    """Removal after cleaning per method and part; no row where no fate is known."""
    rows: list[Removal] = []
    for method, name in _named_methods(fates):
        own = np.flatnonzero(fates.method == method)
        parts: tuple[tuple[By, Sequence[str], Numbers], ...] = (
            ("all", ("all",), np.zeros(len(own), dtype=np.int64)),
            ("kind", fates.kinds, fates.kind[own]),
            ("surface", fates.surfaces, fates.surface[own]),
        )
        for by, names, part in parts:
            rows += _of_parts(fates, own, (name, by, names, part), how)
    return tuple(sorted(rows, key=lambda row: (row.method, row.by, row.part)))


def _named_methods(fates: FateTable) -> list[tuple[int, str]]:
    used: list[int] = np.unique(fates.method).tolist()
    return [(code, NO_METHOD if code < 0 else fates.methods[code]) for code in used]


def _counted(places: tuple[Numbers, Numbers], shape: tuple[int, int]) -> Numbers:
    """How often each (row, column) is among the places."""
    cell = places[0] * shape[1] + places[1]
    return np.bincount(cell, minlength=shape[0] * shape[1]).reshape(shape)


def _tallied(gone: Numbers, known: Numbers) -> dict[tuple[int, int], int]:
    """How often each pair of numbers is among them."""
    high = int(known.max()) + 1
    pairs, many = np.unique(gone * high + known, return_counts=True)
    return {divmod(pair, high): n for pair, n in zip(pairs.tolist(), many.tolist(), strict=True)}


def _of_parts(
    fates: FateTable,
    own: Numbers,
    part: tuple[str, By, Sequence[str], Numbers],
    how: Method,
) -> list[Removal]:
    """One method's rows. own: which fates are its; part: method, by what, names and codes of it."""
    method, by, names, code = part
    fate = fates.fate[own]
    connector = fates.connector[own]
    counts = _counted((code, fate), (len(names), len(ENDS)))
    # each connector's own: how many of its deposits were gone, of how many whose fate is known
    shape = (len(names), int(connector.max(initial=0)) + 1)
    gone, known = (
        _counted((code[which], connector[which]), shape) for which in (fate == GONE, fate != UNSEEN)
    )
    rows: list[Removal] = []
    for k, name in enumerate(names):
        here = known[k] > 0
        if here.any():
            shared = clustered_share(_tallied(gone[k][here], known[k][here]), how)
            _, moved, stayed, unseen = counts[k].tolist()
            rows.append(Removal(method, by, name, shared, moved, stayed, unseen, int(here.sum())))
    return rows
