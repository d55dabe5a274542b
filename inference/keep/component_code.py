"""The component cleanliness code of ISO 16232 / VDA 19.1: its classes, levels, and the text form.

`CCC = A(B-E17/F-G14/N00)`: a basis (A per 1000 cm2, V per 100 cm3, N per component), then classes
of size, each with a level (A, V) or the count itself (N). A hyphen joins classes under one limit;
letters side by side each have it. `<` in the place of `=` makes it a requirement.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Literal, cast

from ...model.errors import UsageError

__all__ = [
    "CLASS_FROM_UM",
    "CodeItem",
    "ComponentCode",
    "class_of",
    "counts_by_class",
    "is_fiber",
    "level_limit",
    "level_of",
    "parse_code",
    "unmet",
]

# Lower edge of each size class (um); a class ends where the next begins, the last is open.
# B to J as published; H and K to N from memory (the 2007 edition ended with an open K).
CLASS_FROM_UM: dict[str, float] = {
    **{"B": 5, "C": 15, "D": 25, "E": 50, "F": 100, "G": 150, "H": 200, "I": 400, "J": 600},
    **{"K": 1000, "L": 1500, "M": 2000, "N": 3000},
}
NO_PARTICLE = -1  # the level written 00
# Most particles of each level from 0 up; above 17 by the doubling of the row, from memory.
_LIMITS = (
    *(1, 2, 4, 8, 16, 32, 64, 130, 250, 500, 1_000, 2_000, 4_000, 8_000, 16_000, 32_000, 64_000),
    *(130_000, 250_000, 500_000, 1_000_000, 2_000_000, 4_000_000, 8_000_000, 16_000_000),
)
# A fibre is longer than 20 of its widths and at most 50 um wide (VDA 19.1 / ISO 16232).
_FIBER_SLENDER, _FIBER_WIDTH_UM = 20.0, 50.0
_CODE = re.compile(r"\s*(?:CCC\s*(=|<=|<|≤)\s*)?([AVN])\s*\(([^()]*)\)\s*")
_ITEM = re.compile(r"([B-N](?:-[B-N]|[B-N]*))\s*(\d+)")

Basis = Literal["A", "V", "N"]


@dataclass(frozen=True)
class CodeItem:
    """One part of a code: classes with a level (A, V; -1 is 00) or a count (N).

    `pooled`: the classes are counted together; else each by itself has the number.
    """

    classes: str
    number: int
    pooled: bool = False

    def __str__(self) -> str:
        shown = f"{self.classes[0]}-{self.classes[-1]}" if self.pooled else self.classes
        return f"{shown}{'00' if self.number == NO_PARTICLE else self.number}"


@dataclass(frozen=True)
class ComponentCode:
    """A whole code. `limit`: it says what is allowed at most, not what was found."""

    basis: Basis
    items: tuple[CodeItem, ...]
    limit: bool = False

    def __str__(self) -> str:
        return f"CCC {'<' if self.limit else '='} {self.basis}({'/'.join(map(str, self.items))})"


def parse_code(text: str) -> ComponentCode:
    """Read a code, with or without `CCC =`. Raises UsageError naming the part it cannot read."""
    whole = _CODE.fullmatch(text)
    if whole is None:
        raise UsageError(f"{text!r} is no component code; write it as CCC = A(B-E17/F-G14/N00)")
    sign, basis, inner = whole.groups()
    items = tuple(_item(part.strip(), basis, text) for part in inner.split("/"))
    used = "".join(item.classes for item in items)
    if sorted(used) != list(used) or len(set(used)) != len(used):
        raise UsageError(f"{text!r}: each size class stands once, smaller ones first")
    return ComponentCode(cast(Basis, basis), items, limit=sign not in (None, "="))


def _item(part: str, basis: str, text: str) -> CodeItem:
    match = _ITEM.fullmatch(part)
    if match is None:
        raise UsageError(f"{text!r}: cannot read {part!r}; classes B to N, then a number")
    letters, digits = match.groups()
    pooled = "-" in letters
    if pooled:
        order = "".join(CLASS_FROM_UM)
        first, last = order.index(letters[0]), order.index(letters[2])
        if first >= last:
            raise UsageError(f"{text!r}: {letters} runs backwards")
        letters = order[first : last + 1]
    if basis == "N":
        return CodeItem(letters, int(digits), pooled)
    number = NO_PARTICLE if digits == "00" else int(digits)
    if number >= len(_LIMITS) or (len(digits) > 1 and digits[0] == "0" and digits != "00"):
        raise UsageError(f"{text!r}: {digits} is no level; levels are 00 and 0 to 24")
    return CodeItem(letters, number, pooled)


def level_limit(level: int) -> int:
    """The most particles that a level allows; 0 for level 00 (-1)."""
    return 0 if level == NO_PARTICLE else _LIMITS[level]


def level_of(number: float) -> int:
    """The lowest level that allows `number` particles (>= 0); ValueError above level 24."""
    if not 0 <= number <= _LIMITS[-1]:
        raise ValueError(f"no level holds {number:g} particles")
    if number == 0:
        return NO_PARTICLE
    return next(level for level, most in enumerate(_LIMITS) if number <= most)


def class_of(size_um: float) -> str | None:
    """The size class: lower edge <= size < upper; None below the smallest."""
    return next((c for c, low in reversed(CLASS_FROM_UM.items()) if size_um >= low), None)


def class_end_um(letter: str) -> float:
    """Where a class ends, um; infinity for the last."""
    edges = [*CLASS_FROM_UM.values(), inf]
    return edges[list(CLASS_FROM_UM).index(letter) + 1]


def is_fiber(length_um: float, width_um: float) -> bool:
    """Whether a piece of this stretched length and largest inscribed circle counts as a fibre."""
    return width_um <= _FIBER_WIDTH_UM and length_um > _FIBER_SLENDER * width_um


def counts_by_class(sizes_um: Sequence[float]) -> dict[str, int]:
    """How many of the sizes fall into each class; every class has an entry."""
    counts = dict.fromkeys(CLASS_FROM_UM, 0)
    for size in sizes_um:
        letter = class_of(size)
        if letter is not None:
            counts[letter] += 1
    return counts


def unmet(code: ComponentCode, numbers: Mapping[str, float]) -> tuple[CodeItem, ...]:
    """The parts of a requirement that `numbers` (per class, on the code's basis) exceed."""
    over: list[CodeItem] = []
    for item in code.items:
        most = item.number if code.basis == "N" else level_limit(item.number)
        found = [numbers.get(letter, 0) for letter in item.classes]
        if (sum(found) if item.pooled else max(found)) > most:
            over.append(item)
    return tuple(over)
