"""Listed deposits beside true ones: which is which, how far off, how much too large or small."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["placed_particles"]

REACH_UM = 300.0
TURNS_DEG = np.arange(-4.0, 4.01, 0.5)  # one for all: a stated turn is good to about 3 degrees


def placed_particles(
    true: Sequence[Mapping[str, Any]], listed: Sequence[Mapping[str, Any]], radius_um: float
) -> list[dict[str, float]]:
    """Pairs of true particles and listed deposits: `distance_um` and `log2_size`.

    One to one, on the same surface, within `REACH_UM` along it, with the least total distance (the
    Hungarian method), after the common rotation that pairs most, then nearest. `radius_um`: the
    ferrule's; farther out an angle counts as there.
    """
    known = [row for row in listed if row["s_um"] is not None and row["theta_deg"] is not None]
    if not true or not known:
        return []
    best: list[dict[str, float]] = []
    for turn in TURNS_DEG:
        pairs = _paired(true, known, radius_um, float(turn))
        if _better(pairs, best):
            best = pairs
    return best


def _better(pairs: Sequence[Mapping[str, float]], best: Sequence[Mapping[str, float]]) -> bool:
    if len(pairs) != len(best):
        return len(pairs) > len(best)
    return sum(p["distance_um"] for p in pairs) < sum(p["distance_um"] for p in best)


def _paired(
    true: Sequence[Mapping[str, Any]],
    listed: Sequence[Mapping[str, Any]],
    radius_um: float,
    turn_deg: float,
) -> list[dict[str, float]]:
    from scipy import optimize

    kit: Any = optimize
    away: npt.NDArray[np.float64] = np.array(
        [[_distance(t, f, radius_um, turn_deg) for f in listed] for t in true], float
    )
    capped: Any = np.minimum(away, 10 * REACH_UM)
    rows, cols = kit.linear_sum_assignment(capped)
    return [
        {
            "distance_um": float(away[i, j]),
            "log2_size": math.log2(listed[j]["size_um"] / true[i]["size_um"]),
        }
        for i, j in zip(map(int, rows), map(int, cols), strict=True)
        if away[i, j] < REACH_UM and listed[j]["size_um"] > 0
    ]


def _distance(
    true: Mapping[str, Any], found: Mapping[str, Any], radius_um: float, turn_deg: float
) -> float:
    if true["surface"] != found["surface"]:
        return float("inf")
    gap_deg = (found["theta_deg"] + turn_deg - true["theta_deg"] + 180) % 360 - 180
    around = np.radians(abs(gap_deg)) * min(true["s_um"], radius_um)
    return float(np.hypot(found["s_um"] - true["s_um"], around))
