"""A first grade of the zones within 250 um of diameter, from tables kept as data.

The tables quote IEC 61300-3-35 at second hand (each says from where) and ask for a check against a
bought copy. A limit is over when the deposits found break it; it is not resolved when the picture
could not have shown marks of its size; otherwise it is kept. Whole-connector pictures seldom
resolve any limit finer than the contact zone's.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import inf
from pathlib import Path
from typing import Any, Literal

from ...model.errors import SettingsError
from ...model.kinds import Kind
from ...model.toml_text import toml_table
from ..see.fuse import Deposit

__all__ = [
    "ZONE_RADIUS_UM",
    "InZone",
    "ZoneLimit",
    "ZoneTable",
    "breaking",
    "grade_zones",
    "mark_of",
    "read_own_table",
    "read_table",
    "table_for",
    "zone_at",
    "zones_touched",
]

ZONE_RADIUS_UM = 125.0  # the graded zones end at 250 um of diameter
SCRATCH_ASPECT = 5.0  # a mark this many times longer than wide is linear; our own choice
_FOLDER = Path(__file__).parent / "zone_tables"
_LIMIT_KEYS = {"zone", "mark", "at_most", "above_um", "from_um", "to_um", "see_um", "sure"}


@dataclass(frozen=True)
class ZoneLimit:
    """At most `at_most` marks of one sort and size range (um) that touch one zone.

    A size counts when above_um < size or from_um <= size (whichever the source says), and
    size <= to_um. `see_um`: what a picture must be able to show for the limit to be resolved.
    """

    zone: str
    mark: Literal["scratch", "defect"]
    at_most: int
    see_um: float
    above_um: float | None = None
    from_um: float | None = None
    to_um: float | None = None
    sure: str | None = None

    @property
    def name(self) -> str:
        """The limit in words, as reports show it."""
        many = "no" if self.at_most == 0 else f"at most {self.at_most}"
        plural = {"scratch": "scratches", "defect": "defects"}[self.mark]
        return f"zone {self.zone}: {many} {plural}{self._range()}"

    def _range(self) -> str:
        if self.above_um is not None:
            return f" above {self.above_um:g} um"
        if self.from_um is not None:
            return f" from {self.from_um:g} to {self.to_um:g} um"
        return "" if self.to_um is None else f" up to {self.to_um:g} um"

    def counts(self, size_um: float) -> bool:
        """Whether a mark of this size falls under the limit; one of unknown size (NaN) does."""
        small = self.above_um is not None and size_um <= self.above_um
        small = small or (self.from_um is not None and size_um < self.from_um)
        return not (small or (self.to_um is not None and size_um > self.to_um))


@dataclass(frozen=True)
class ZoneTable:
    """Zones (outer diameter in um, inside out) and limits of one edition, finish and fibre mode."""

    name: str
    edition: str
    fiber_mode: Literal["sm", "mm"]
    finish: Literal["pc", "apc"]
    source: str
    sure: str
    note: str
    zones_um: dict[str, float]
    limits: tuple[ZoneLimit, ...]


@dataclass(frozen=True)
class InZone:
    """The grade: `source` picture | stated | none; limits over and not resolved, by name."""

    source: Literal["picture", "stated", "none"]
    rows: int | None = None
    rows_over: tuple[str, ...] | None = None
    rows_not_resolved: tuple[str, ...] | None = None
    table: str | None = None
    stated: Literal["within", "outside"] | None = None
    stated_by: str | None = None

    @property
    def passed(self) -> bool:
        """Every limit resolved and kept, or a person said so and no picture says otherwise."""
        if self.rows_over:
            return False
        seen = self.source == "picture" and not self.rows_not_resolved
        return seen or self.stated == "within"

    @property
    def sentence(self) -> str:
        """The grade in one sentence."""
        said = f"stated {self.stated} the limits by {self.stated_by}" if self.stated else ""
        if self.source != "picture":
            return f"Graded zones: {said or 'not graded'}."
        counts = (
            f"{len(self.rows_over or ())} of {self.rows} limits over, "
            f"{len(self.rows_not_resolved or ())} not resolved ({self.table})"
        )
        return f"Graded zones: {counts}{'; ' + said if said else ''}."


@cache
def read_table(name: str) -> ZoneTable:
    """The shipped table of that name; raises SettingsError if there is none."""
    path = _FOLDER / f"{name}.toml"
    if not path.is_file():
        known = ", ".join(sorted(p.stem for p in _FOLDER.glob("*.toml")))
        raise SettingsError(f"zone table {name!r}: unknown; choose one of {known}")
    return read_own_table(path)


def read_own_table(path: Path) -> ZoneTable:
    """A table from a file of the shipped ones' form; raises SettingsError naming the file."""
    try:
        document = toml_table(path.read_text(encoding="utf-8"))
        table = _parse(document)
    except OSError as error:
        raise SettingsError(f"zone table {path}: cannot be read ({error.strerror})") from error
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError) as error:
        raise SettingsError(f"zone table {path}: {error}") from error
    return table


def _parse(document: dict[str, Any]) -> ZoneTable:
    """A table from its document; ValueError, KeyError or TypeError where it is none."""
    limits = document.pop("limit")
    for limit in limits:
        if unknown := set(limit) - _LIMIT_KEYS:
            raise ValueError(f"unknown keys {sorted(unknown)} in a limit")
        if limit["zone"] not in document["zones_um"]:
            raise ValueError(f"a limit names zone {limit['zone']!r}")
    table = ZoneTable(limits=tuple(ZoneLimit(**limit) for limit in limits), **document)
    _check(table)
    return table


def _check(table: ZoneTable) -> None:
    diameters = [0.0, *table.zones_um.values(), inf]
    if not all(a < b for a, b in zip(diameters, diameters[1:], strict=False)):
        raise ValueError("zones_um must grow from the core outwards")
    if table.fiber_mode not in ("sm", "mm") or table.finish not in ("pc", "apc"):
        raise ValueError("fiber_mode must be sm or mm, finish pc or apc")
    words: list[object] = [table.name, table.edition, table.source, table.sure, table.note]
    if not all(isinstance(each, str) for each in words):
        raise ValueError("name, edition, source, sure and note must be words")
    if not table.limits:
        raise ValueError("a table without a limit would be kept by anything")
    for limit in table.limits:
        _check_limit(limit)


def _check_limit(limit: ZoneLimit) -> None:
    sizes = [v for v in (limit.above_um, limit.from_um, limit.to_um) if v is not None]
    whole = type(limit.at_most) is int and limit.at_most >= 0
    if limit.mark not in ("scratch", "defect") or not whole:
        raise ValueError(f"zone {limit.zone}: mark must be scratch or defect, at_most 0 or more")
    # written so that NaN is refused
    if not 0 < limit.see_um < inf or not all(0 <= size < inf for size in sizes):
        raise ValueError(f"{limit.name}: sizes must not be negative, see_um above 0")
    if sizes and limit.see_um > min(sizes):
        raise ValueError(f"{limit.name}: see_um must not be coarser than the sizes it counts")
    if limit.from_um is not None and limit.to_um is None:
        raise ValueError(f"zone {limit.zone}: from_um needs to_um")


def table_for(
    fiber_mode: Literal["sm", "mm"],
    finish: Literal["pc", "apc"],
    own: Sequence[ZoneTable] = (),
) -> ZoneTable | None:
    """The table for a fibre mode and finish; None where there is none.

    One of a shop's `own` comes before the shipped one.
    """
    for table in own:
        if (table.fiber_mode, table.finish) == (fiber_mode, finish):
            return table
    name = {("sm", "pc"): "sm-pc-45", ("sm", "apc"): "sm-apc", ("mm", "pc"): "mm-pc"}.get(
        (fiber_mode, finish)
    )
    return None if name is None else read_table(name)


def zone_at(radius_um: float, table: ZoneTable) -> str | None:
    """The zone at a radius (um) from the fibre's centre; an edge belongs to the inner zone."""
    for zone, diameter in table.zones_um.items():
        if radius_um <= diameter / 2:
            return zone
    return None


def zones_touched(deposit: Deposit, table: ZoneTable) -> tuple[str, ...]:
    """Every zone that a deposit reaches into, by its nearest and farthest path length.

    On the dome path and radius differ by less than 0.01 % within the zones. Empty when the deposit
    is off-zone; all zones when it is not but its place is unknown.
    """
    near = deposit.s_min_um if deposit.s_min_um is not None else deposit.s_um
    far = deposit.s_max_um if deposit.s_max_um is not None else near
    if deposit.off_zone:
        return ()
    if near is None or far is None:
        return tuple(table.zones_um)
    touched: list[str] = []
    inner = -inf
    for zone, diameter in table.zones_um.items():
        if near <= diameter / 2 and far > inner:
            touched.append(zone)
        inner = diameter / 2
    return tuple(touched)


def mark_of(deposit: Deposit) -> tuple[Literal["scratch", "defect"], float]:
    """What the standard would call a deposit, and the size (um) that its rule uses.

    A scratch is a permanent linear mark, judged by its width; everything else, loose dirt included,
    is a defect, judged by the smallest circle that encloses it.
    """
    linear = deposit.feret_max_um >= SCRATCH_ASPECT * max(deposit.width_um, 1e-9)
    if deposit.kind == Kind.DAMAGE and linear:
        return "scratch", deposit.width_um
    return "defect", deposit.enclosing_um


def grade_zones(
    deposits: Sequence[Deposit], detection_limit_um: float | None, table: ZoneTable
) -> InZone:
    """Hold the deposits against every limit of the table.

    `detection_limit_um`: the smallest deposit the best view of the fibre can show; None where no
    view shows the fibre, which leaves the zones ungraded unless a deposit already breaks a limit.
    """
    over = tuple(limit.name for limit in table.limits if breaking(limit, deposits, table))
    if detection_limit_um is None and not over:
        return InZone("none", table=table.name)
    sight = inf if detection_limit_um is None else detection_limit_um
    unresolved = tuple(
        limit.name for limit in table.limits if sight > limit.see_um and limit.name not in over
    )
    return InZone("picture", len(table.limits), over, unresolved, table.name)


def breaking(
    limit: ZoneLimit, deposits: Sequence[Deposit], table: ZoneTable
) -> tuple[Deposit, ...]:
    """The deposits that together break a limit; empty when it is kept."""
    counted: list[Deposit] = []
    for deposit in deposits:
        if deposit.off_zone or limit.zone not in zones_touched(deposit, table):
            continue
        mark, size = mark_of(deposit)
        if mark == limit.mark and limit.counts(size):
            counted.append(deposit)
    return tuple(counted) if len(counted) > limit.at_most else ()
