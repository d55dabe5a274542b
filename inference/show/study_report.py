"""A study as a report."""

import json
from collections.abc import Sequence

from ...model.version import code_version
from ..keep.cautions import CAUTIONS
from ..keep.inspection import utc_now
from ..keep.statistics import Share
from ..keep.studies import Comparison, MethodResult
from ..keep.study import Study
from ..keep.study_lots import Agreement, LotChart, Transfer
from ..keep.study_removal import Removal
from .document import (
    Block,
    Bullets,
    Document,
    Heading,
    Note,
    Plot,
    Signatures,
    Table,
)
from .plot import control_plot, interval_plot, lot_plot, steps_plot
from .study_words import LIMITS_OF_A_STUDY, MANY, in_short, p_words, sum_up
from .words import VERDICT_WORDS, clock, percent

__all__ = ["study_document", "study_text"]

HEADINGS = {
    "methods": "Cleaning methods",
    "removal": "What cleaning removed",
    "residue": "Dried residue",
    "lots": "Lots as received",
    "transfer": "Repeated matings",
    "agreement": "Agreement",
    "control": "Control connector",
}


def study_text(study: Study, title: str) -> str:
    """The study's sentences, for a terminal."""
    lines = [f"{title}: {_extent(study)}", *(f"  {note}" for note in study.notes)]
    lines += ["In short", *(f"  - {sentence}" for sentence in in_short(study) or [_nothing()])]
    for part, sentences in sum_up(study).items():
        if sentences:
            lines += [HEADINGS[part], *(f"  - {sentence}" for sentence in sentences)]
    if not study.empty:
        lines += ["What this does not say", *(f"  - {each}" for each in LIMITS_OF_A_STUDY)]
    return "\n".join(lines)


def study_document(study: Study, title: str, invented: bool = False) -> Document:
    """The report. `invented`: its data are made up, and every page says so."""
    sentences = sum_up(study)
    blocks: list[Block] = [Note(note) for note in study.notes]
    if invented:
        blocks.insert(0, Note("Invented data, to show what a study looks like."))
    blocks += [Heading("In short"), Bullets(tuple(in_short(study)) or (_nothing(),))]
    for part, heading in HEADINGS.items():
        if sentences[part]:
            blocks += [Heading(heading), *_figures(study, part), Bullets(tuple(sentences[part]))]
    blocks += [
        Heading("What this does not say"),
        Bullets(LIMITS_OF_A_STUDY),
        Heading("How it was counted"),
        Bullets(_how(study)),
        Heading("Before you look or clean"),
        Bullets(CAUTIONS),
        Heading("Signed"),
        Signatures(("Carried out by", "Checked by")),
    ]
    return Document(
        title=title,
        subtitle=f"{_extent(study)}.",
        blocks=tuple(blocks),
        record_name="study.json",
        record=json.dumps(study.to_json(), indent=1, ensure_ascii=False) + "\n",
        foot=f"Fiberward {code_version()}, study of {study.source}"
        + (" (invented data)" if invented else ""),
        created_at=utc_now(),
    )


def _nothing() -> str:
    return "The data answer none of the questions of a study."


def _extent(study: Study) -> str:
    said = f"{study.inspections} inspections of {study.connectors} connectors, {study.source}"
    if study.since and study.until and "T" in study.since and "T" in study.until:
        said += f", {clock(study.since)} to {clock(study.until)}"
    return said


def _how(study: Study) -> tuple[str, ...]:
    interval = {
        "wilson": "Wilson's (NIST/SEMATECH e-Handbook 7.2.4.1)",
        "exact": "exact (Clopper and Pearson, NIST/SEMATECH e-Handbook 7.2.4.2)",
    }[study.interval]
    said = [
        "A success is the verdict mate, a person's word before the machine's. Reshoots "
        f"({study.reshoots} here) decide nothing and count as neither.",
        f"Intervals of shares are {interval}, at 95 %; where cases on one connector resemble each "
        "other, for the smaller number that they are worth.",
        "Two methods on the same connectors: McNemar's exact test; otherwise Fisher's exact test, "
        "each connector once. Several comparisons: p corrected by Holm's method. A difference is "
        "called shown at p = 0.05 or below.",
        "Deposits are counted without the unsure ones; removal without damage and without what is "
        "new.",
    ]
    if study.transfer is not None or study.lots is not None:
        said.append("Intervals of counts are exact (Poisson), at 95 %.")
    if study.control is not None:
        said.append(
            "Control connector: limits of individual values from the first 20 (NIST/SEMATECH "
            "e-Handbook 6.3.2.2); a signal is a value beyond them, or eight in a row on one side."
        )
    return tuple(said)


# -- figures and tables --------------------------------------------------------------------------


def _figures(study: Study, part: str) -> list[Block]:
    if part == "methods" and study.methods:
        return _method_figures(study.methods, study.comparisons)
    if part == "removal" and study.removals:
        return _removal_figures(study.removals)
    if part == "residue" and study.residue_comparisons:
        rows = [(r.method, r.residue) for r in study.methods if r.residue is not None]
        return [Plot(interval_plot(rows, "Left with a dried residue after the first cleaning"))]
    if part == "lots" and study.lots is not None:
        return _lot_figures(study.lots)
    if part == "transfer" and study.transfer is not None:
        return _transfer_figures(study.transfer)
    if part == "control" and study.control is not None:
        return [Plot(control_plot(study.control))]
    if part == "agreement":
        return [_agreement_table(each) for each in study.agreements]
    return []


def _method_figures(
    methods: Sequence[MethodResult], comparisons: Sequence[Comparison]
) -> list[Block]:
    shown = [(m.method, m.first_time) for m in methods if m.first_time is not None]
    blocks: list[Block] = []
    if shown:
        blocks.append(Plot(interval_plot(shown, "Fit to mate after the first cleaning")))
    rows = tuple(
        (
            m.method,
            str(m.connectors),
            *_cells(m.first_time),
            str(m.undecided),
            _attempts(m),
        )
        for m in methods
    )
    head = ("Method", "Connectors", "Fit at first", "Share", "95 % interval", "Undecided")
    caption = "After the first cleaning, and the share fit after each further one (Kaplan-Meier)."
    blocks.append(Table(caption, (*head, "Fit after 1, 2, ... cleanings"), rows, (1, 2, 3, 4, 5)))
    if comparisons:
        rows = tuple(_comparison_row(each) for each in comparisons)
        head = ("Methods", "Test", "First", "Second", "p", "p corrected", "Needed per method")
        blocks.append(Table("Methods against each other.", head, rows, (2, 3, 4, 5, 6)))
    return blocks


def _comparison_row(each: Comparison) -> tuple[str, ...]:
    return (
        f"{each.name_a} / {each.name_b}",
        "McNemar" if each.paired else "Fisher",
        f"{each.a.hits} of {each.a.of}",
        f"{each.b.hits} of {each.b.of}",
        p_words(each.p).removeprefix("p = ").removeprefix("p "),
        p_words(each.p_holm).removeprefix("p = ").removeprefix("p "),
        _needed(each),
    )


def _needed(each: Comparison) -> str:
    if each.needed is None:
        return "–"
    return str(each.needed) if each.needed <= MANY else f"over {MANY}"


def _attempts(result: MethodResult) -> str:
    return ", ".join(percent(row.p) for row in result.attempts) or "–"


def _cells(found: Share | None) -> tuple[str, str, str]:
    if found is None:
        return ("–", "–", "–")
    interval = f"{percent(found.low)[:-2]} to {percent(found.high)}"
    return (f"{found.hits} of {found.of}", percent(found.p), interval)


def _removal_figures(removals: Sequence[Removal]) -> list[Block]:
    whole = [(row.method, row.gone) for row in removals if row.by == "all"]
    rows = tuple(
        (
            row.method,
            row.part if row.by != "all" else "all dirt",
            *_cells(row.gone),
            str(row.moved),
            str(row.stayed),
            str(row.unseen),
        )
        for row in sorted(
            removals, key=lambda r: (r.method, ("all", "kind", "surface").index(r.by))
        )
    )
    head = ("Method", "Kind or surface", "Gone", "Share", "95 % interval", "Moved", "Stayed")
    caption = "Deposits before cleaning, and what became of them."
    return [
        Plot(interval_plot(whole, "Deposits gone after cleaning")),
        Table(caption, (*head, "Not seen again"), rows, (2, 3, 4, 5, 6, 7)),
    ]


def _lot_figures(chart: LotChart) -> list[Block]:
    rows = tuple(
        (
            lot.name,
            str(lot.connectors),
            str(lot.deposits),
            f"{lot.rate:.3g}",
            f"{lot.interval[0]:.3g} to {lot.interval[1]:.3g}",
            f"{lot.limits.low:.3g} to {lot.limits.high:.3g}",
            lot.side or "inside",
            "–" if lot.dirty is None else f"{lot.dirty.hits} of {lot.dirty.of}",
        )
        for lot in chart.lots
    )
    head = ("Lot", "Connectors", "Deposits", "Per connector", "95 % interval", "Limits", "Lies")
    caption = "Connectors as received, each once."
    return [
        Plot(lot_plot(chart)),
        Table(caption, (*head, "Not to be mated as they are"), rows, (1, 2, 3, 4, 5)),
    ]


def _transfer_figures(found: Transfer) -> list[Block]:
    points = [(s.matings, s.inside.p, s.inside.low, s.inside.high) for s in found.steps]
    rows = tuple(
        (
            str(step.matings),
            *_cells(step.inside),
            f"{step.mean:.2g}",
            f"{step.interval[0]:.2g} to {step.interval[1]:.2g}",
        )
        for step in found.steps
    )
    head = ("Matings", "With something inside", "Share", "95 % interval", "Mean number", "Interval")
    what = "Connectors with something in the graded zones"
    return [
        Plot(steps_plot(points, "number of matings", what)),
        Table("Deposits within 125 um of the axis.", head, rows, (0, 1, 2, 3, 4, 5)),
    ]


def _agreement_table(each: Agreement) -> Table:
    names = [VERDICT_WORDS[word].name for word in each.words]
    rows = tuple(
        (name, *(str(n) for n in row)) for name, row in zip(names, each.table, strict=True)
    )
    caption = f"{each.rater_a} (rows) and {each.rater_b} (columns)."
    numbers = tuple(range(1, len(names) + 1))
    return Table(caption, (each.rater_a, *names), rows, numbers)
