"""Cleanliness of an inspected connector in open notation: ISO 16232 / VDA 19.1, ISO 14644-9.

Both count what the pictures show. The component code is per component, by the longest extent of
particles and by the stretched length of fibres; the standard's way is to extract and count on a
filter, so the code is marked as by direct imaging. The ISO 14644-9 class is per surface, from the
area that was seen well enough.
"""

from collections.abc import Mapping, Sequence
from functools import lru_cache
from math import ceil, log10
from typing import Any

from ...model.profile import MeridianProfile
from ...model.shape import ConnectorShape
from ...model.surfaces import SURFACE_NAMES, Surface
from .component_code import (
    CLASS_FROM_UM,
    CodeItem,
    ComponentCode,
    class_end_um,
    counts_by_class,
    is_fiber,
)
from .inspection import DepositRecord

__all__ = ["BY_IMAGING", "cleanliness_of", "scp_index"]

BY_IMAGING = "by direct imaging, not extraction"
COUNTED = ("particle", "lint")  # films, residues and liquids are no particles, damage no dirt
_K_UM = 1.0  # ISO 14644-9: C = k 10^N / D with k = 1 um (from memory of the standard)
_WORST_CLASS = 8
# Upper 95 % limit of a Poisson mean of which nothing was found: -ln 0.05.
_NONE_FOUND = 2.9957
_CHARTED = (Surface.ENDFACE, Surface.CHAMFER, Surface.BARREL, Surface.CAVITY)


def scp_index(per_m2: float, size_um: float) -> float:
    """N = log10(C D / k) of ISO 14644-9: C particles per m2 at or above D um, k = 1 um."""
    if per_m2 <= 0 or size_um <= 0:
        raise ValueError("the class needs a concentration and a size above 0")
    return log10(per_m2 * size_um / _K_UM)


def cleanliness_of(
    deposits: Sequence[DepositRecord],
    shape: ConnectorShape | None,
    coverage: Mapping[str, float | None],
    size_um: float | None,
) -> dict[str, Any] | None:
    """The codes as JSON values; None where the connector could not be placed.

    `size_um`: the size that coverage counts from; smaller classes are no part of the code, and
    what was found of them is a lower bound. Only deposits of the kinds counted, unsure ones not.
    """
    if shape is None or size_um is None:
        return None
    counted = [d for d in deposits if d.kind in COUNTED and not d.unsure]
    fibers = [d for d in counted if _is_fiber(d)]
    others = [d for d in counted if not _is_fiber(d)]
    return {
        "how": BY_IMAGING,
        "counted_from_um": size_um,
        "seen_share": _seen_share(shape, coverage),
        "particles": _code([d.feret_max_um for d in others], size_um),
        "fibers": _code([d.length_um for d in fibers], size_um),
        "surfaces": [_scp(s, counted, shape, coverage, size_um) for s in _CHARTED],
    }


def _is_fiber(deposit: DepositRecord) -> bool:
    length, width = deposit.length_um, deposit.width_um
    return length is not None and width is not None and is_fiber(length, width)


def _code(sizes: Sequence[float | None], from_um: float) -> dict[str, Any]:
    """The code of the classes that could be counted, and what was found in smaller ones."""
    counts = counts_by_class([size for size in sizes if size is not None])
    whole = [letter for letter, low in CLASS_FROM_UM.items() if low >= from_um]
    found = [letter for letter in whole if counts[letter]]
    items = [CodeItem(letter, counts[letter]) for letter in found]
    rest = "".join(letter for letter in whole if not counts[letter])
    code = ComponentCode("N", tuple(_with_none(items, rest)))
    small = {
        letter: counts[letter] for letter in CLASS_FROM_UM if letter not in whole and counts[letter]
    }
    return {
        "code": str(code) if whole else None,
        "counts": {letter: counts[letter] for letter in whole},
        "at_least": small,
        "not_counted": [
            {"class": c, "from_um": CLASS_FROM_UM[c], "to_um": class_end_um(c)}
            for c in CLASS_FROM_UM
            if c not in whole
        ],
    }


def _with_none(items: Sequence[CodeItem], empty: str) -> list[CodeItem]:
    """The items in order of size, with runs of empty classes drawn together as 0."""
    order = list(CLASS_FROM_UM)
    runs: list[str] = []
    for letter in empty:
        follows = runs and order.index(letter) == order.index(runs[-1][-1]) + 1
        if follows:
            runs[-1] += letter
        else:
            runs.append(letter)
    nothing = [CodeItem(run, 0, pooled=len(run) > 1) for run in runs]
    return sorted([*items, *nothing], key=lambda item: item.classes)


@lru_cache(maxsize=32)  # a record asks for each several times
def _areas_um2(surface: Surface, shape: ConnectorShape) -> dict[str, float]:
    """The areas that make up a surface; the fibre's end belongs to the endface."""
    profile = MeridianProfile(shape)
    parts = (Surface.FIBER, Surface.ENDFACE) if surface is Surface.ENDFACE else (surface,)
    return {SURFACE_NAMES[part]: profile.total_area_um2(part) for part in parts}


def _seen_um2(
    surface: Surface, shape: ConnectorShape, coverage: Mapping[str, float | None]
) -> float:
    areas = _areas_um2(surface, shape)
    return sum((coverage.get(name) or 0.0) * area for name, area in areas.items())


def _seen_share(shape: ConnectorShape, coverage: Mapping[str, float | None]) -> float:
    whole = sum(sum(_areas_um2(surface, shape).values()) for surface in _CHARTED)
    seen = sum(_seen_um2(surface, shape, coverage) for surface in _CHARTED)
    return round(seen / whole, 4)


def _scp(
    surface: Surface,
    counted: Sequence[DepositRecord],
    shape: ConnectorShape,
    coverage: Mapping[str, float | None],
    size_um: float,
) -> dict[str, Any]:
    """The class of one surface; index None where nothing was found, all None where unseen."""
    names = tuple(_areas_um2(surface, shape))
    count = sum(d.surface in names and (d.size_um or 0) >= size_um for d in counted)
    seen_um2 = _seen_um2(surface, shape, coverage)
    row: dict[str, Any] = {
        "surface": SURFACE_NAMES[surface],
        "area_mm2": float(f"{seen_um2 * 1e-6:.4g}"),
        "size_um": size_um,
        "count": count,
        "index": None,
        "index_below": None,
        "scp_class": None,
    }
    if seen_um2 <= 0:
        return row | {"count": None, "area_mm2": 0.0}
    per_um2 = 1e12 / seen_um2
    if count == 0:  # how dirty it may be all the same, with 95 % confidence
        return row | {"index_below": round(scp_index(_NONE_FOUND * per_um2, size_um), 2)}
    index = scp_index(count * per_um2, size_um)
    named = max(1, ceil(round(index, 9)))
    return row | {
        "index": round(index, 2),
        "scp_class": named if named <= _WORST_CLASS else None,
    }
