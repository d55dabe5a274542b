"""The verdict: retire, clean first, reshoot or mate, in that order, each with its reasons.

Known dirt beats poor coverage, and mate is what is left when nothing speaks against it and the
pictures show enough. Every deposit that is handed in counts; one that is not sure asks for another
picture instead of a cleaning, never for a mate.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite
from typing import Literal

from ...model.kinds import Kind
from ...model.shape import ConnectorShape
from ...model.surfaces import Surface
from ..see.coverage import Coverage
from ..see.fuse import Deposit
from ..see.quality import LIMIT_CONTRAST
from .advice import cleaning_advice, reshoot_advice, retire_advice
from .assumed import Assumptions
from .bridge import Bridge, Wedge, bridge_of, wedge_of
from .evidence import ViewEvidence, missing_evidence, zone_sight_um
from .harm import Harm, harm_of
from .reach import Reach, reach_of
from .rules import Rules
from .sight import Sight, doubted_sight, sight_words
from .stops import Findings, Reason, is_sure, stay_of, stop_of, where
from .zones import InZone, ZoneTable, breaking, grade_zones, mark_of, table_for

__all__ = ["DepositJudgement", "Judgement", "Reason", "Stated", "Verdict", "ViewEvidence", "judge"]

NOMINAL_APC_DEG = 8.0  # EN 61755-3-6 and -3-8

Verdict = Literal["mate", "clean-first", "reshoot", "retire"]


@dataclass(frozen=True)
class Stated:
    """What a person says about the connector; everything may be left unsaid.

    `in_zone`: the grade under their own microscope, `in_zone_by` who graded. `cleanings_failed`:
    how often it was cleaned and still found dirty or damaged. `pictured_at`: when the pictures were
    taken, as text. `finish` None: as the fitted shape has it.
    """

    in_zone: Literal["within", "outside"] | None = None
    in_zone_by: str | None = None
    cleanings_failed: int = 0
    pictured_at: str | None = None
    finish: Literal["pc", "apc"] | None = None

    def __post_init__(self) -> None:
        if self.cleanings_failed < 0:
            raise ValueError(f"cleanings_failed must not be negative, got {self.cleanings_failed}")
        if self.in_zone is not None and not self.in_zone_by:
            raise ValueError("a stated grade of the zones needs the name of who graded")


@dataclass(frozen=True)
class DepositJudgement:
    """What follows from one deposit.

    `stop`: why it must not be mated with, `stay`: why it may stay; at most one of them.
    `verdict_without`: the connector's verdict if this deposit were not there.
    """

    deposit_id: int
    sure: bool
    stop: Reason | None
    bridge: Bridge | None
    wedge: Wedge | None
    reach: tuple[Reach, ...] | None
    harm: tuple[Harm, ...] | None
    stay: Reason | None = None
    verdict_without: Verdict | None = None


@dataclass(frozen=True)
class Judgement:
    """The verdict with everything that it rests on; `validity` says what a mate holds for."""

    verdict: Verdict
    reasons: tuple[Reason, ...]
    in_zone: InZone
    advice: tuple[str, ...]
    validity: str | None
    deposits: tuple[DepositJudgement, ...]
    rules: Rules


def judge(
    deposits: Sequence[Deposit],
    coverage: Coverage | None,
    views: Sequence[ViewEvidence],
    shape: ConnectorShape | None,
    rules: Rules | None = None,
    stated: Stated | None = None,
    sight: Sight | None = None,
    assumptions: Assumptions | None = None,
) -> Judgement:
    """Judge one connector from all deposits above the detection floor.

    `Judgement.deposits` keeps their order; reasons go fiberward, the nearest deposit first.
    `coverage`, `shape`: None where no view could be placed, which never ends in a mate. `sight`:
    what is known of the net that found the deposits, None where no net did.
    """
    rules, stated = rules or Rules(), stated or Stated()
    angled = _is_angled(shape, stated)
    table = table_for(rules.fiber_mode, "apc" if angled else "pc", rules.zone_tables)
    case = _Case(coverage, tuple(views), table, rules, stated, sight)
    judged = [_judge_deposit(d, (shape, angled), rules, assumptions) for d in deposits]
    rows = list(zip(deposits, judged, strict=True))
    ruling = _ruled(case, rows)
    for index, row in enumerate(judged):
        without = _ruled(case, [*rows[:index], *rows[index + 1 :]]).verdict
        judged[index] = replace(row, verdict_without=without)
    verdict, reasons = ruling.verdict, ruling.reasons
    if verdict == "mate":
        reasons = (_nothing_found(deposits, views, coverage), *_left_reasons(ruling.left, stated))
        reasons += tuple(row.stay for _, row in _fiberward(rows) if row.stay and row.sure)
    stopping = {reason.deposit_id for reason in ruling.stops}
    advice = _advise(verdict, [d for d in deposits if d.id in stopping], reasons, case)
    validity = _validity(ruling.in_zone, case) if verdict == "mate" else None
    return Judgement(verdict, reasons, ruling.in_zone, advice, validity, tuple(judged), rules)


Row = tuple[Deposit, DepositJudgement]


@dataclass(frozen=True)
class _Case:
    """Everything a verdict rests on but the deposits."""

    coverage: Coverage | None
    views: tuple[ViewEvidence, ...]
    table: ZoneTable | None
    rules: Rules
    stated: Stated
    sight: Sight | None


@dataclass(frozen=True)
class _Ruling:
    verdict: Verdict
    reasons: tuple[Reason, ...]
    stops: tuple[Reason, ...]
    in_zone: InZone
    left: tuple[Deposit, ...]


def _ruled(case: _Case, unsorted: Sequence[Row]) -> _Ruling:
    """The verdict on these deposits, by `rule_table` in its order."""
    rules, stated, table = case.rules, case.stated, case.table
    rows = _fiberward(unsorted)
    sure = [deposit for deposit, row in rows if row.sure]
    in_zone = _grade(sure, case.coverage, table, (rules, stated))
    left = tuple(d for d in sure if _is_left(d, table, rules, stated))
    stops = _stops([row for _, row in rows], in_zone, left)
    stops += _zone_stops(sure, in_zone, table)
    missing = _doubts(rows, (in_zone, table, rules))
    missing += missing_evidence(case.coverage, case.views, rules)
    missing += doubted_sight(case.sight, rules)
    missing += _grade_wanted(in_zone, rules)
    verdict, reasons = _decide(stops, missing, rules, stated)
    return _Ruling(verdict, reasons, stops, in_zone, left)


def _fiberward(rows: Sequence[Row]) -> list[Row]:
    """The nearest to the fibre first."""
    return sorted(rows, key=lambda pair: _nearness(pair[0]))


def _nearness(deposit: Deposit) -> tuple[int, float, int]:
    """Sorts reasons fiberward: fibre first, the nearest first on each surface."""
    return -deposit.surface, inf if deposit.s_um is None else deposit.s_um, deposit.id


def _is_angled(shape: ConnectorShape | None, stated: Stated) -> bool:
    if stated.finish is not None:
        return stated.finish == "apc"
    return shape is not None and shape.apc_angle_deg > 0


def _judge_deposit(
    deposit: Deposit,
    at: tuple[ConnectorShape | None, bool],
    rules: Rules,
    assumptions: Assumptions | None,
) -> DepositJudgement:
    shape, angled = at
    found = Findings(
        bridge=None if shape is None else _bridge(deposit, shape, angled, rules),
        wedge=None if shape is None else wedge_of(deposit, shape),
        reach=reach_of(deposit, shape, rules.fiber_mode, assumptions),
    )
    stop = stop_of(deposit, found, rules)
    return DepositJudgement(
        deposit_id=deposit.id,
        sure=is_sure(deposit, rules),
        stop=stop,
        bridge=found.bridge,
        wedge=found.wedge,
        reach=found.reach,
        harm=harm_of(deposit, angled),
        stay=stay_of(deposit, found, rules) if stop is None else None,
    )


def _bridge(deposit: Deposit, shape: ConnectorShape, angled: bool, rules: Rules) -> Bridge | None:
    """By the finish that was stated, which wins over the fitted one."""
    if not angled:
        shape = replace(shape, apc_angle_deg=0.0)
    angle = shape.apc_angle_deg or NOMINAL_APC_DEG
    return bridge_of(deposit, shape, angle if angled else 0.0, rules.apex_offset_um)


def _grade(
    sure: Sequence[Deposit],
    coverage: Coverage | None,
    table: ZoneTable | None,
    context: tuple[Rules, Stated],
) -> InZone:
    rules, stated = context
    grade = InZone("none")
    if table is not None:
        grade = grade_zones(sure, zone_sight_um(coverage, rules), table)
    if stated.in_zone is None:
        return grade
    source = "stated" if grade.source == "none" else grade.source
    return replace(grade, source=source, stated=stated.in_zone, stated_by=stated.in_zone_by)


def _is_left(deposit: Deposit, table: ZoneTable | None, rules: Rules, stated: Stated) -> bool:
    """Whether cleaning has shown a deposit to be damage that only the graded zones' limits judge.

    Before that it may be lint or residue taken for damage. Off the graded zones damage has no limit
    anywhere; within them it needs a table.
    """
    cleaned = stated.cleanings_failed >= rules.cleanings_before_retire
    graded = deposit.off_zone or table is not None
    return deposit.kind == Kind.DAMAGE and cleaned and graded


def _stops(
    judged: Sequence[DepositJudgement], in_zone: InZone, left: Sequence[Deposit]
) -> tuple[Reason, ...]:
    """Every ground for cleaning that lies in a sure deposit or in what a person said."""
    may_stay = {deposit.id for deposit in left}
    found = [
        row.stop
        for row in judged
        if row.sure and row.stop is not None and row.deposit_id not in may_stay
    ]
    if in_zone.stated == "outside":
        text = f"The graded zones are outside their limits, as stated by {in_zone.stated_by}."
        found.append(Reason("in-zone-stated", text))
    return tuple(found)


def _zone_stops(
    sure: Sequence[Deposit], in_zone: InZone, table: ZoneTable | None
) -> tuple[Reason, ...]:
    """One ground for each broken limit of the graded zones, naming the largest deposit in it."""
    found: list[Reason] = []
    for limit in table.limits if table is not None else ():
        if table is None or limit.name not in (in_zone.rows_over or ()):
            continue
        counted = breaking(limit, sure, table)
        worst = max(counted, key=lambda deposit: mark_of(deposit)[1])
        text = (
            f"Graded zones, limit broken: {limit.name} ({len(counted)} found, the largest is "
            f"{where(worst)}; {table.edition}, {table.note})."
        )
        found.append(
            Reason("in-zone-limit", text, worst.id, None, len(counted), limit.at_most, "deposits")
        )
    return tuple(found)


def _left_reasons(left: Sequence[Deposit], stated: Stated) -> list[Reason]:
    """What a mate lets pass as damage after cleaning, named so that a person can object."""
    times = stated.cleanings_failed
    return [
        Reason(
            "damage-left",
            f"Still there after {times} cleanings and taken as damage: {where(deposit)}.",
            deposit.id,
        )
        for deposit in left
    ]


def _doubts(
    rows: Sequence[tuple[Deposit, DepositJudgement]],
    context: tuple[InZone, ZoneTable | None, Rules],
) -> tuple[Reason, ...]:
    """Unsure deposits that would ask for cleaning, alone or by a limit of the graded zones."""
    in_zone, table, rules = context
    deposits = [deposit for deposit, _ in rows]
    meant = {row.deposit_id for _, row in rows if row.stop is not None}
    if table is not None:
        open_limits = [
            limit for limit in table.limits if limit.name not in (in_zone.rows_over or ())
        ]
        meant |= {d.id for limit in open_limits for d in breaking(limit, deposits, table)}
    found: list[Reason] = []
    for deposit, row in rows:
        if not row.sure and deposit.id in meant:
            text = f"The pictures cannot tell whether there is dirt: {where(deposit)}."
            limit = rules.sure_confidence
            share = deposit.confidence if isfinite(deposit.confidence) else None
            found.append(Reason("unsure-deposit", text, deposit.id, None, share, limit, "share"))
    return tuple(found)


def _grade_wanted(in_zone: InZone, rules: Rules) -> tuple[Reason, ...]:
    if in_zone.passed or not rules.require_in_zone:
        return ()
    text = "The settings require a grade of the zones within 250 um, and there is none."
    return (Reason("in-zone-required", text),)


def _decide(
    stops: tuple[Reason, ...], missing: tuple[Reason, ...], rules: Rules, stated: Stated
) -> tuple[Verdict, tuple[Reason, ...]]:
    failed, allowed = stated.cleanings_failed, rules.cleanings_before_retire
    if stops and failed >= allowed:
        text = f"Cleaned {failed} times and still not fit to mate; {allowed} are allowed."
        reason = Reason("cleaning-failed", text, None, None, failed, allowed, "cleanings")
        return "retire", (reason, *stops)
    if stops:
        return "clean-first", stops
    if missing:
        return "reshoot", missing
    return "mate", ()


def _advise(
    verdict: Verdict, stopping: Sequence[Deposit], reasons: Sequence[Reason], case: _Case
) -> tuple[str, ...]:
    if verdict == "retire":
        return retire_advice()
    if verdict == "clean-first":
        allowed = case.rules.cleanings_before_retire
        return cleaning_advice(stopping, case.stated.cleanings_failed, allowed)
    return reshoot_advice(reasons) if verdict == "reshoot" else ()


def _nothing_found(
    deposits: Sequence[Deposit], views: Sequence[ViewEvidence], coverage: Coverage | None
) -> Reason:
    size = None if coverage is None else coverage.size_um
    kept = f"; {len(deposits)} that may stay, see below" if deposits else ""
    count = sum(view.readable for view in views)
    text = f"No deposit that stops a mate in {count} pictures{kept}."
    return Reason("nothing-found", text, None, None, size, None, "um")


def _validity(in_zone: InZone, case: _Case) -> str:
    """What a mate holds for: size, the net, what was not seen, the graded zones, until when."""
    coverage, stated = case.coverage, case.stated
    parts: list[str] = []
    if coverage is not None:
        unseen = ", ".join(
            f"{1 - share:.0%} of the {surface.name.lower()}"
            for surface, share in coverage.share.items()
            if surface in _CHARTED and share < 0.995
        )
        parts.append(
            f"Nothing at or above {coverage.size_um:.0f} um that differs from its ground by "
            f"{LIMIT_CONTRAST:.0%} or more, where the pictures show it"
        )
        if case.sight is not None:
            parts.append(f"by a net that found {sight_words(case.sight)}")
        parts.append(f"not shown: {unseen}" if unseen else "all surfaces shown")
    if in_zone.passed:
        parts.append(in_zone.sentence.rstrip("."))
    else:
        parts.append("provided the graded zones pass under your own microscope")
    when = f"at {stated.pictured_at}" if stated.pictured_at else "(time unknown)"
    parts.append(f"as pictured {when}; capping, handling or mating voids it")
    return "; ".join(parts) + "."


_CHARTED = (Surface.FIBER, Surface.ENDFACE, Surface.CHAMFER, Surface.BARREL, Surface.CAVITY)
