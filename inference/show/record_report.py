"""Reports of what is recorded: one connector, the same before and after, a lot."""

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import zip_longest

from ...model.version import code_version
from ..keep.cautions import CAUTIONS
from ..keep.find_records import InspectionRow, Overrule
from ..keep.inspection import Inspection, ViewRecord, utc_now
from ..keep.statistics import share
from ..keep.study_lots import LotChart
from .comparing import Compared, comparison_words
from .document import (
    Beside,
    Block,
    Bullets,
    Document,
    Heading,
    Note,
    Picture,
    Plot,
    Signatures,
    Table,
    Text,
    Verdict,
)
from .explanation import upper_reach
from .plot import lot_plot
from .study_words import share_words
from .words import VERDICT_WORDS, clock, deg, percent, um

__all__ = ["Kept", "connector_document", "lot_document", "pair_document"]

MOST_REASONS = 8
SIGNED = ("Inspected by", "Released by")
LOT_SCHEMA = "fiberward.lot/1"
NOT_SHOWN = (
    "All settings and figures are in the attached record.",
    "Chances to travel are assumptions until a shop has measured its own.",
)


@dataclass(frozen=True)
class Kept:
    """An inspection with its pictures: the drawn map (None if there is none), overlays by stem."""

    inspection: Inspection
    travel_map: Picture | None
    overlays: Mapping[str, Picture]
    overrules: tuple[Overrule, ...] = ()

    @property
    def label(self) -> str:
        """What the connector is called."""
        return self.inspection.connector.get("label") or "connector without a label"


def connector_document(kept: Kept) -> Document:
    """One inspection: verdict, map, reasons, deposits, pictures, what it rests on."""
    it = kept.inspection
    blocks: list[Block] = [_verdict(it), *_overruled(kept)]
    if it.validity:
        blocks.append(Text(it.validity))
    blocks += [Heading("Where it is"), *_map(kept), Heading("Why")]
    reasons = [reason.text for reason in it.reasons[:MOST_REASONS]]
    if len(it.reasons) > MOST_REASONS:
        reasons.append(f"and {len(it.reasons) - MOST_REASONS} more, in the attached record")
    if it.in_zone.sentence:
        reasons.append(it.in_zone.sentence)
    blocks.append(Bullets(tuple(reasons)))
    if it.advice:
        blocks += [Heading("What to do next"), Bullets(it.advice, numbered=True)]
    blocks += [Heading("Before you look or clean"), Bullets(it.cautions)]
    blocks += [Heading("Deposits"), *_deposits(it), *_coverage(it), *_cleanliness(it)]
    blocks += [Heading("The pictures"), *_pictures(kept)]
    blocks += [Heading("What this rests on"), Bullets(_basis(it))]
    blocks += [Heading("Signed"), Signatures(SIGNED)]
    return Document(
        title=f"Connector {kept.label}",
        subtitle=_stated(it),
        blocks=tuple(blocks),
        record_name="inspection.json",
        record=json.dumps(it.to_json(), indent=1, ensure_ascii=False) + "\n",
        foot=_foot(it, f"connector {kept.label}"),
        created_at=it.created_at,
    )


def pair_document(before: Kept, after: Kept, found: Compared, picture: Picture | None) -> Document:
    """The same connector before and after: verdicts, what went, both maps, all pictures."""
    first, last = before.inspection, after.inspection
    words = comparison_words(found, None).splitlines()
    blocks: list[Block] = [
        _verdict(first, "Before: "),
        *_overruled(before),
        _verdict(last, "After: "),
        *_overruled(after),
        Heading("What became of the deposits"),
    ]
    if picture is not None:
        blocks.append(picture)
    blocks.append(Bullets(tuple(line.strip().removeprefix("- ") for line in words)))
    blocks += _removal(found)
    for name, kept in (("Before: where it was", before), ("After: where it is", after)):
        blocks += [Heading(name), *_map(kept), *_deposits(kept.inspection)]
    blocks += [Heading("The pictures, before and after"), *_beside(before, after)]
    blocks += [Heading("Before you look or clean"), Bullets(CAUTIONS)]
    basis = [
        f"{when}: {line}"
        for when, it in (("Before", first), ("After", last))
        for line in _sources(it)
    ]
    basis += [*NOT_SHOWN, *last.notes]
    blocks += [Heading("What this rests on"), Bullets(tuple(basis))]
    blocks += [Heading("Signed"), Signatures(SIGNED)]
    record = {
        "schema": "fiberward.pair/1",
        "before": first.to_json(),
        "after": last.to_json(),
        "comparison": found.document,
    }
    return Document(
        title=f"Connector {after.label}, before and after",
        subtitle=f"{_stated(first)} Then: {_stated(last)}",
        blocks=tuple(blocks),
        record_name="pair.json",
        record=json.dumps(record, indent=1, ensure_ascii=False) + "\n",
        foot=_foot(last, f"connector {after.label}, before and after"),
        created_at=last.created_at,
    )


def _removal(found: Compared) -> list[Block]:
    """What was removed, by surface and kind."""
    rows = tuple(
        (
            row["surface"],
            row["kind"],
            str(row["known"]),
            *(str(row[name]) for name in ("gone", "moved", "stayed", "not_shown", "new")),
        )
        for row in found.document["removal"]
    )
    head = ("Surface", "Kind", "Before", "Gone", "Moved", "Stayed", "Not shown", "New")
    caption = "Deposits whose fate is known, by where they were before."
    return [Table(caption, head, rows, (2, 3, 4, 5, 6, 7))] if rows else []


# -- parts ---------------------------------------------------------------------------------------


def _verdict(it: Inspection, when: str = "") -> Verdict:
    words = VERDICT_WORDS[it.verdict]
    return Verdict(it.verdict, f"{when}{words.name}", words.meaning)


def _overruled(kept: Kept) -> list[Block]:
    return [
        Note(
            f"Overruled by {each.by_name}, {clock(each.recorded_at)}: "
            f"{VERDICT_WORDS[each.verdict].name}. {each.reason}"
        )
        for each in kept.overrules
    ]


def _stated(it: Inspection) -> str:
    stated = it.connector
    parts = [f"Inspected {clock(it.created_at)}"]
    for name in ("stage", "method", "attempt", "lot", "end", "matings_so_far", "operator"):
        if stated.get(name) is not None:
            parts.append(f"{name.replace('_', ' ')} {stated[name]}")
    if stated.get("ferrule_mm"):
        parts.append(f"ferrule {stated['ferrule_mm']} mm")
    return f"{', '.join(parts)}."


def _map(kept: Kept) -> list[Block]:
    if kept.travel_map is None:
        return [Text("There is no travel map: no picture could be placed, or it was not kept.")]
    return [kept.travel_map]


def _deposits(it: Inspection) -> list[Block]:
    if not it.deposits:
        return [Text("No deposit was found.")]
    rows = tuple(
        (
            str(d.id),
            f"{d.kind} (unsure)" if d.unsure else d.kind,
            d.surface,
            _give_or_take(um(d.s_um), d.s_sd_um),
            _give_or_take(deg(d.theta_deg), d.theta_sd_deg),
            um(d.size_um),
            um(d.length_um or d.feret_max_um),
            um(d.width_um),
            "outside" if d.off_zone else "inside",
            percent(upper_reach(d)),
            percent(d.confidence),
            "yes" if d.ruling and d.ruling["stops"] else "no",
        )
        for d in it.deposits
    )
    head = ("No.", "Kind", "Surface", "Travel distance (um)", "Angle (deg)", "Size (um)")
    head += ("Longest (um)", "Width (um)", "Graded zones", "Reach in 10 matings, at most")
    place = (
        "Places: give or take one standard deviation. "
        if any(d.s_sd_um is not None for d in it.deposits)
        else ""
    )
    caption = (
        f"{len(rows)} found. Size: diameter of the circle of equal area. {place}"
        f"{_accuracy(it.views).capitalize()}"
    )
    return [Table(caption, (*head, "Certainty", "Stops"), rows, (0, 3, 4, 5, 6, 7, 9, 10))]


def _give_or_take(value: str, sd: float | None) -> str:
    """A figure with its standard deviation in um or degrees, if that is known."""
    return value if sd is None else f"{value} ± {um(sd)}"


def _accuracy(views: Sequence[ViewRecord]) -> str:
    """How far the lengths can be trusted: the scale's interval, and the smallest thing shown."""
    widths = [
        (view.um_per_px_interval[1] - view.um_per_px_interval[0]) / 2 / view.um_per_px
        for view in views
        if view.readable and view.um_per_px and view.um_per_px_interval is not None
    ]
    limits = [v.detection_limit_um for v in views if v.readable and v.detection_limit_um]
    said = (
        f"scale good to {100 * max(widths):.1f} %" if widths else "the scale's error is not known"
    )
    if limits:
        said += f"; the smallest deposit a picture can show is {um(min(limits))} um"
    return f"{said}."


def _coverage(it: Inspection) -> list[Block]:
    if it.coverage_size_um is None:
        return [Text("How much of the connector was seen is not known.")]
    rows = tuple((surface, percent(part)) for surface, part in it.coverage.items())
    caption = (
        f"Share of each surface on which a picture would show a deposit of "
        f"{um(it.coverage_size_um)} um."
    )
    blocks: list[Block] = [
        Heading("How much of the connector was seen"),
        Table(caption, ("Surface", "Seen"), rows, (1,)),
    ]
    return [*blocks, Bullets(it.gaps)] if it.gaps else blocks


def _cleanliness(it: Inspection) -> list[Block]:
    clean = it.cleanliness
    if clean is None:
        return []
    said = [
        f"Particles {clean['particles']['code'] or '–'}, fibres {clean['fibers']['code'] or '–'} "
        f"(ISO 16232 / VDA 19.1, {clean['how']}; {percent(clean['seen_share'])} of the surface "
        "seen)."
    ]
    for row in clean["surfaces"]:
        if row["index"] is not None:
            where = f"{row['surface']}, {row['area_mm2']:.3g} mm2"
            said.append(
                f"ISO 14644-9, {where}, from {um(row['size_um'])} um: index {row['index']}."
            )
    return [Heading("Cleanliness in open notation"), Bullets(tuple(said))]


def _pictures(kept: Kept, when: str = "") -> list[Text | Picture]:
    """Each view as its picture, in words alone where the picture was not kept."""
    blocks: list[Text | Picture] = []
    for number, view in enumerate(kept.inspection.views, 1):
        caption = f"{when}{number}: {view.picture}. {_view_words(view)}"
        picture = kept.overlays.get(view.stem)
        if picture is None:
            blocks.append(Text(caption))
        else:
            shown = f"{when}{view.picture} with its deposits outlined and numbered"
            blocks.append(Picture(picture.data, picture.kind, picture.size_hw, shown, caption))
    return blocks


def _beside(before: Kept, after: Kept) -> list[Block]:
    """Both inspections' pictures in their order, each beside its like where both were kept."""
    blocks: list[Block] = []
    sides = (_pictures(before, "Before, "), _pictures(after, "After, "))
    for left, right in zip_longest(*sides):
        if isinstance(left, Picture) and isinstance(right, Picture):
            blocks.append(Beside(left, right))
        else:
            blocks += [each for each in (left, right) if each is not None]
    return blocks


def _view_words(view: ViewRecord) -> str:
    if not view.readable:
        return f"Not used: {view.why_not}."
    said = [f"Turn {deg(view.turn_deg)} deg, tilt {deg(view.tilt_deg)} deg"]
    if view.um_per_px:
        source = f" (from {view.scale_source})" if view.scale_source else ""
        said.append(f"{view.um_per_px:.3g} um per pixel{source}")
    said.append(f"smallest deposit it can show {um(view.detection_limit_um)} um")
    return f"{', '.join(said)}."


def _basis(it: Inspection) -> tuple[str, ...]:
    return (*_sources(it), *NOT_SHOWN, *it.notes)


def _sources(it: Inspection) -> tuple[str, str]:
    hashes = "; ".join(f"{v.picture} {v.sha256[:16]}" for v in it.views if v.sha256)
    return (
        f"Weights {it.model.id}, sha256 {it.model.sha256[:16]}; Fiberward {it.code_version}.",
        f"Pictures by sha256: {hashes or 'none readable'}.",
    )


def _foot(it: Inspection, what: str) -> str:
    return f"Fiberward {code_version()}, {what}, weights {it.model.id}"


# -- a lot ---------------------------------------------------------------------------------------


def lot_document(lot: str, rows: Sequence[InspectionRow], chart: LotChart | None) -> Document:
    """A lot's connectors: how they came in, where they stand now, beside the other lots.

    rows: all inspections of the lot, oldest first. chart: of all lots, None with only this one.
    """
    newest = {(row.label, row.end): row for row in rows}
    standing = Counter(row.holds for row in newest.values())
    blocks: list[Block] = [Heading("In short"), Bullets(_lot_words(lot, rows, chart))]
    if chart is not None and any(each.name == lot for each in chart.lots):
        blocks += [Heading("Beside the other lots"), Plot(lot_plot(chart))]
    table = tuple(
        (
            row.label if row.end is None else f"{row.label} end {row.end}",
            VERDICT_WORDS[row.holds].name,
            row.stage or "–",
            row.method or "–",
            str(row.attempt or "–"),
            str(row.stops),
            clock(row.created_at),
            row.overruled_by or "–",
        )
        for row in newest.values()
    )
    head = ("Connector", "Verdict", "Stage", "Method", "Cleaning", "In the way", "Inspected")
    caption = "Each connector as last inspected."
    blocks += [
        Heading("Connectors"),
        Table(caption, (*head, "Overruled by"), table, (4, 5)),
        Heading("Before you look or clean"),
        Bullets(CAUTIONS),
        Heading("Signed"),
        Signatures(SIGNED),
    ]
    counts = ", ".join(f"{n} {VERDICT_WORDS[word].name}" for word, n in standing.items())
    record = {"schema": LOT_SCHEMA, "lot": lot, "inspections": [asdict(row) for row in rows]}
    return Document(
        title=f"Lot {lot}",
        subtitle=f"{len(newest)} connectors, {len(rows)} inspections. As last inspected: {counts}.",
        blocks=tuple(blocks),
        record_name="lot.json",
        record=json.dumps(record, indent=1, ensure_ascii=False) + "\n",
        foot=f"Fiberward {code_version()}, lot {lot}",
        created_at=utc_now(),
    )


def _lot_words(lot: str, rows: Sequence[InspectionRow], chart: LotChart | None) -> tuple[str, ...]:
    newest = list({(row.label, row.end): row for row in rows}.values())
    fit = sum(row.holds == "mate" for row in newest)
    said = [f"{share_words(share(fit, len(newest)), 'connectors')} may be mated as last inspected."]
    first: dict[tuple[str, str | None], InspectionRow] = {}
    for row in rows:
        if row.stage == "as-received" and row.holds != "reshoot":
            first.setdefault((row.label, row.end), row)
    if first:
        dirty = share(sum(row.holds != "mate" for row in first.values()), len(first))
        said.append(f"As received, {share_words(dirty)} were not fit to mate.")
    retired = [row.label for row in newest if row.holds == "retire"]
    if retired:
        said.append(f"Retired: {', '.join(retired[:12])}.")
    here = None if chart is None else next((x for x in chart.lots if x.name == lot), None)
    if here is not None:
        low, high = here.interval
        said.append(
            f"{here.rate:.3g} deposits per connector as received (95 % interval {low:.3g} to "
            f"{high:.3g}); limits of all lots {here.limits.low:.3g} to {here.limits.high:.3g}: "
            f"it lies {here.side or 'inside'}{' them' if here.side else ''}."
        )
    said.append("A mate holds as pictured; capping, handling or mating voids it.")
    return tuple(said)
