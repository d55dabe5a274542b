"""A study in plain sentences, which claim no more than its numbers do."""

from collections.abc import Sequence

from ..keep.statistics import CleanBy, Share
from ..keep.studies import Comparison, MethodResult
from ..keep.study import Study
from ..keep.study_control import BASELINE, ControlChart
from ..keep.study_data import MACHINE
from ..keep.study_lots import Agreement, LotChart, Transfer
from ..keep.study_removal import Removal
from .words import VERDICT_WORDS, percent

__all__ = ["LIMITS_OF_A_STUDY", "MANY", "in_short", "p_words", "share_words", "sum_up"]

# Too few to say anything of a method; common practice, no source.
FEW = 5
MANY = 1000
# Lots before a chart's limits are taken as settled; common practice.
SETTLED_LOTS = 20

LIMITS_OF_A_STUDY = (
    "This is what these connectors showed. How another person, another kind of dirt or another "
    "connector would do, it does not say.",
    "Where it was not drawn by lot which connector got which method, a difference may come from "
    "anything else that differed.",
)


def share_words(found: Share, what: str = "") -> str:
    """`8 of 12 connectors (67 %, 95 % interval 39 to 86 %)`."""
    things = f" {what}" if what else ""
    interval = f"{percent(found.low)[:-2]} to {percent(found.high)}"
    return f"{found.hits} of {found.of}{things} ({percent(found.p)}, 95 % interval {interval})"


def p_words(p: float) -> str:
    """`p = 0.03`, with no more digits than it is worth."""
    return "p < 0.001" if p < 0.001 else f"p = {p:.2g}"


def sum_up(study: Study) -> dict[str, list[str]]:
    """Sentences by part, as methods, removal, residue ...; a part without any is empty."""
    return {
        "methods": _methods(study),
        "removal": [_removed(row) for row in study.removals if row.by == "all"],
        "residue": _residue(study),
        "lots": [] if study.lots is None else _lots(study.lots),
        "transfer": [] if study.transfer is None else _transfer(study.transfer),
        "agreement": [_agreed(each) for each in study.agreements],
        "control": [] if study.control is None else _controlled(study.control),
    }


def in_short(study: Study) -> list[str]:
    """The answers, one sentence a question."""
    said: list[str] = []
    told = [(m.method, m.first_time) for m in study.methods if m.first_time is not None]
    if told:
        shares = ", ".join(f"{name} {percent(p.p)} (of {p.of})" for name, p in told)
        said.append(f"Fit to mate after the first cleaning: {shares}. {_shown(study.comparisons)}")
    whole = [row for row in study.removals if row.by == "all"]
    if whole:
        shares = ", ".join(f"{r.method} {percent(r.gone.p)} (of {r.gone.of})" for r in whole)
        said.append(f"Deposits gone: {shares}.")
    if any(each.a.hits or each.b.hits for each in study.residue_comparisons):
        left = [(m.method, m.residue) for m in study.methods if m.residue is not None]
        shares = ", ".join(f"{name} {percent(p.p)} (of {p.of})" for name, p in left)
        said.append(f"Left with a dried residue: {shares}. {_shown(study.residue_comparisons)}")
    if study.lots is not None:
        outside = [f"{lot.name} ({lot.side})" for lot in study.lots.lots if lot.side is not None]
        said.append(f"Lots outside their limits: {', '.join(outside) or 'none'}.")
    if study.transfer is not None:
        change = "a change is" if study.transfer.pairs.p <= 0.05 else "no change is"
        said.append(f"Dirt in the graded zones after repeated matings: {change} shown.")
    if study.control is not None:
        said.append(_controlled(study.control)[-1])
    said += [
        f"Agreement of {each.rater_a} and {each.rater_b}: kappa {each.kappa.kappa:.2f}, "
        f"{each.kappa.word}."
        for each in study.agreements
        if each.kappa.kappa is not None
    ]
    return said


def _shown(comparisons: Sequence[Comparison]) -> str:
    """Which differences the numbers show."""
    if not comparisons:
        return "There is no second method to compare with."
    shown = [
        f"{each.name_a} more than {each.name_b}"
        if each.a.p > each.b.p
        else f"{each.name_b} more than {each.name_a}"
        for each in comparisons
        if each.shown
    ]
    if not shown:
        return "No difference between methods is shown."
    return f"Shown: {', '.join(shown)}."


# -- methods -------------------------------------------------------------------------------------


def _methods(study: Study) -> list[str]:
    did = "were fit to mate after the first cleaning"
    each = [" ".join(_method(result)) for result in study.methods]
    return each + [_compared(pair, did) for pair in study.comparisons]


def _method(result: MethodResult) -> list[str]:
    found = result.first_time
    if found is None:
        return [
            f"{result.method}: {result.undecided} first cleanings, and no picture decided on them."
        ]
    what = "first cleanings" if found.of > result.connectors else "connectors"
    said = [f"{result.method}: {share_words(found, what)} fit to mate after the first cleaning."]
    if found.of_effective < found.of - 0.5:
        said.append(
            f"They are {found.of} cleanings of {result.connectors} connectors, which resemble each "
            f"other: the interval is that of {found.of_effective:.0f}."
        )
    if result.undecided:
        whole = found.of + result.undecided
        said.append(
            f"First cleanings on which no picture decided: {result.undecided}; had all of those "
            f"failed, it would be {found.hits} of {whole} ({percent(found.hits / whole)})."
        )
    if len(result.attempts) > 1:
        said.append(_after_all(result.attempts[-1]))
    if result.connectors < FEW:
        said.append("So few connectors say next to nothing.")
    return said


def _after_all(last: CleanBy) -> str:
    interval = ""
    if last.low is not None and last.high is not None:
        interval = f", 95 % interval {percent(last.low)[:-2]} to {percent(last.high)}"
    return (
        f"After {last.attempt} cleanings {percent(last.p)} (estimated, allowing for those left "
        f"earlier{interval})."
    )


def _compared(each: Comparison, did: str) -> str:
    a, b = each.a, each.b
    test = "McNemar's test on the same connectors" if each.paired else "Fisher's test"
    corrected = "" if each.p == each.p_holm else " after correction for their number"
    numbers = f"({test}, {p_words(each.p_holm)}{corrected})"
    both = f"{a.hits} of {a.of} against {b.hits} of {b.of} {did}"
    if each.shown:
        more = each.name_a if a.p > b.p else each.name_b
        return f"{each.name_a} and {each.name_b} differ: {both}, more with {more} {numbers}."
    said = f"{each.name_a} and {each.name_b}: {both}; no difference is shown {numbers}."
    said += " That does not make them alike"
    if each.gap is not None:
        low, high = (round(100 * end) for end in each.gap)
        said += (
            f": the difference may lie anywhere from {low:+d} to {high:+d} percentage points"
            if low <= 0 <= high
            else f". The interval alone ({low:+d} to {high:+d} percentage points) would show one; "
            "the exact test, which is more cautious, does not"
        )
    if each.needed is not None:
        many = f"about {each.needed}" if each.needed <= MANY else f"more than {MANY}"
        where = ", other ones for each" if each.paired else ""
        said += (
            f". To show one as large as seen here, 4 times in 5, takes {many} connectors per "
            f"method{where}"
        )
    return said + "."


def _removed(row: Removal) -> str:
    said = f"{row.method}: {share_words(row.gone, 'deposits')} gone, on {row.connectors} connectors"
    said += f"; {row.stayed} stayed, {row.moved} moved elsewhere"
    said += f", and of {row.unseen} the place was not seen again." if row.unseen else "."
    if row.gone.of_effective < row.gone.of - 0.5:
        said += (
            " Deposits on one connector resemble each other: the interval is that of "
            f"{row.gone.of_effective:.0f}."
        )
    return said


def _residue(study: Study) -> list[str]:
    counted = [row for row in study.methods if row.residue is not None]
    if not any(row.residue is not None and row.residue.hits for row in counted):
        return []
    said = [
        f"{row.method}: {share_words(row.residue)} were left with a dried residue."
        for row in counted
        if row.residue is not None
    ]
    did = "were left with a dried residue"
    return said + [_compared(each, did) for each in study.residue_comparisons]


# -- surveys -------------------------------------------------------------------------------------


def _lots(chart: LotChart) -> list[str]:
    said = [
        f"{len(chart.lots)} lots, {chart.center:.2g} deposits per connector on the mean "
        f"({chart.kind} chart, three sigma)."
    ]
    outside = [lot for lot in chart.lots if lot.side is not None]
    for lot in outside:
        limit = lot.limits.high if lot.side == "above" else lot.limits.low
        said.append(
            f"Lot {lot.name} lies {lot.side} its limit: {lot.rate:.3g} deposits per connector, "
            f"limit {limit:.3g}. Look for what was different."
        )
    if not outside:
        said.append("No lot lies outside its limits: no reason is shown to treat any differently.")
    if chart.widen > 1:
        said.append(
            f"Deposits come in clusters: they scatter {chart.widen:.1f} times as widely in lots "
            "as chance would have them, so the limits are as many times wider."
        )
    if len(chart.lots) < SETTLED_LOTS:
        said.append(
            f"The limits come from these {len(chart.lots)} lots themselves and are provisional "
            f"below {SETTLED_LOTS}."
        )
    if chart.left_out:
        said.append(f"{chart.left_out} connectors have no lot or no count and are left out.")
    return said


def _transfer(found: Transfer) -> list[str]:
    first, last = found.steps[0], found.steps[-1]
    said = [
        f"With {row.matings} matings, {share_words(row.inside, 'connectors')} had something in the "
        "graded zones."
        for row in (first, last)
    ]
    pairs = found.pairs
    if found.both == 0:
        said.append("No connector was seen at both, so they cannot be held against each other.")
    elif pairs.p <= 0.05:
        way = "gained" if pairs.only_a > pairs.only_b else "lost"
        said.append(
            f"Of {found.both} connectors seen at both, {max(pairs.only_a, pairs.only_b)} {way} "
            f"something there and {min(pairs.only_a, pairs.only_b)} the other way: a change is "
            f"shown (McNemar's test, {p_words(pairs.p)})."
        )
    else:
        said.append(
            f"Of {found.both} connectors seen at both, {pairs.only_a} gained something there and "
            f"{pairs.only_b} lost it: no change is shown (McNemar's test, {p_words(pairs.p)}), "
            "which does not mean that there is none."
        )
    if found.moved is not None:
        said.append(f"Of the deposits that moved, {share_words(found.moved)} moved fiberward.")
    return said


def _agreed(each: Agreement) -> str:
    k = each.kappa
    said = f"{each.rater_a} and {each.rater_b}: the same word on {share_words(k.agreed)}"
    if k.kappa is None or k.low is None or k.high is None:
        word = VERDICT_WORDS[each.words[0]].name
        return f"{said}. Both said {word} throughout, so kappa is not defined."
    said += f"; Cohen's kappa {k.kappa:.2f} (95 % interval {k.low:.2f} to {k.high:.2f}), {k.word}"
    said += " by Landis and Koch's words. Agreeing is not being right."
    if MACHINE in (each.rater_a, each.rater_b):
        said += " Where a person judged only what looked doubtful, it is lower than it would be."
    return said


def _controlled(chart: ControlChart) -> list[str]:
    limits = chart.limits
    said = [
        f"{chart.label}: {len(chart.points)} inspections, mean {limits.center:.3g} deposits, "
        f"limits {max(0.0, limits.low):.3g} to {limits.high:.3g}."
    ]
    if not chart.settled:
        said.append(f"The limits rest on fewer than {BASELINE} values and are provisional.")
    newest = chart.points[-1]
    why = {
        "beyond": f"the newest value, {newest.value:g}, lies beyond a limit",
        "run": "the last eight values lie on one side of the mean",
    }
    if newest.signal is None:
        said.append("Control connector: the newest value gives no signal; go on.")
    else:
        said.append(
            f"Control connector: STOP, {why[newest.signal]}. Find out what changed (light, lens, "
            "focus, weights) before more connectors are inspected."
        )
    return said
