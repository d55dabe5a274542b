"""One deposit of an inspection explained: where, way, gap, reach, harm, rule, what would change it.

Made from the record alone, so that an old inspection explains itself as it was judged.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ...model.errors import UsageError
from ...model.kinds import KIND_NAMES, Kind
from ...model.surfaces import SURFACE_NAMES, Surface, on_surface
from ..judge.advice import removal
from ..judge.assumed import recorded_assumptions
from ..judge.harm import LOSS_CAP_DB
from ..judge.places import PLACE_NAMES, Place
from ..judge.sensitivity import Swing, swings
from ..judge.stops import chance_words
from ..keep.inspection import DepositRecord, Inspection
from .words import VERDICT_WORDS, percent, um

__all__ = [
    "PLACE_WORDS",
    "UNKNOWN_ASSUMPTIONS",
    "Explanation",
    "explain_deposit",
    "explain_number",
    "reach_limit",
    "upper_reach",
]

PLACE_WORDS = {
    "housing": "the housing",
    "cavity": "the cavity",
    "barrel-behind": "the barrel behind the sleeve",
    "barrel-sleeve": "the barrel within the sleeve's length",
    "barrel-front": "the barrel's front",
    "chamfer": "the chamfer",
    "endface": "the endface beyond the graded zones",
    "contact": "the contact zone",
    "core": "the core",
}
FLIPS_SHOWN = 4
TOLD_FROM_UM = 100.0  # deviation of a place along the surface
UNKNOWN_ASSUMPTIONS = (
    "The assumptions it was judged by are not those shipped with this version, so it cannot say "
    "which of them"
)


@dataclass(frozen=True)
class Explanation:
    """`title` names the deposit; `parts`: (heading, sentences) in the order to be read.

    `ruling`: in a few words, whether it stops the mate.
    `swings`: of the assumptions that its ruling by reach hangs on; None where this version does not
    know them.
    """

    deposit: int
    title: str
    stops: bool
    ruling: str
    parts: tuple[tuple[str, tuple[str, ...]], ...]
    swings: tuple[Swing, ...] | None

    @property
    def text(self) -> str:
        """For a terminal."""
        lines = [self.title]
        for heading, sentences in self.parts:
            lines.append(f"  {heading}")
            lines += [f"    {sentence}" for sentence in sentences]
        return "\n".join(lines)

    def to_json(self, limit: float | None) -> dict[str, Any]:
        """The same for machines."""
        return {
            "deposit": self.deposit,
            "title": self.title,
            "stops": self.stops,
            "parts": {heading: list(sentences) for heading, sentences in self.parts},
            "sensitivity": None
            if self.swings is None
            else [
                {**vars(swing), "flips": limit is not None and swing.flips(limit)}
                for swing in self.swings
            ],
        }


def explain_number(inspection: Inspection, number: int) -> Explanation:
    """Explain the deposit of that number; raises UsageError if there is none."""
    for deposit in inspection.deposits:
        if deposit.id == number:
            return explain_deposit(inspection, deposit)
    known = [d.id for d in inspection.deposits]
    have = f"it has 1 to {max(known)}" if known else "it has no deposits"
    raise UsageError(f"--deposit {number}: the inspection has no such deposit ({have})")


def explain_deposit(inspection: Inspection, deposit: DepositRecord) -> Explanation:
    """Explain one deposit of the inspection."""
    limit = reach_limit(inspection)
    swing = _swings(inspection, deposit)
    parts = {
        "Where": _where(deposit),
        "Way to the fibre": _way(deposit),
        "Gap": _gap(inspection, deposit),
        "In the sleeve": _wedge(inspection, deposit),
        "Reach": _reach(deposit),
        "Harm once on the core": _harm(inspection, deposit),
        "Rule": _rule(deposit),
        "What removes it": removal(_kind(deposit), _surface(deposit)),
        "What would change it": _change(inspection, deposit, swing, limit),
    }
    ruling: Mapping[str, Any] = deposit.ruling or {}
    return Explanation(
        deposit.id,
        f"Deposit {deposit.id}: {deposit.kind}, {_size(deposit)}, {on_surface(deposit.surface)}",
        bool(ruling.get("stops")),
        _short_ruling(deposit),
        tuple((heading, lines) for heading, lines in parts.items() if lines),
        swing,
    )


def reach_limit(inspection: Inspection) -> float | None:
    """The limit on reach that the inspection was judged by."""
    return inspection.settings.get("rules", {}).get("reach_limit")


def upper_reach(deposit: DepositRecord) -> float | None:
    """Upper 95 % end of the chance to reach the contact zone within 10 matings."""
    row = _contact_row(deposit)
    return None if row is None else row["interval"][1]


def _kind(deposit: DepositRecord) -> Kind:
    return Kind(KIND_NAMES.index(deposit.kind))


def _surface(deposit: DepositRecord) -> Surface:
    return Surface(SURFACE_NAMES.index(deposit.surface))


def _size(deposit: DepositRecord) -> str:
    """A thread by its length, anything else by the circle of equal area, as the reasons do."""
    thread = deposit.kind == KIND_NAMES[Kind.LINT]
    extent = deposit.feret_max_um if thread else deposit.size_um
    if extent is None:
        return "size unknown"
    return f"{um(extent)} um{' long' if thread else ''}"


def _how_surely(sd_um: float | None) -> str:
    """Told where a travel distance is known to a tenth of a millimetre or worse."""
    if sd_um is None or sd_um < TOLD_FROM_UM:
        return ""
    return f", the distance good to {sd_um / 1000:.1f} mm (standard deviation)"


def _where(deposit: DepositRecord) -> tuple[str, ...]:
    lines: list[str] = []
    if deposit.s_um is None:
        lines.append(f"On the {deposit.surface}; its place there is not known.")
    else:
        side = "all round" if deposit.theta_deg is None else f"at {deposit.theta_deg:.0f} deg"
        lines.append(
            f"{deposit.s_um / 1000:.2f} mm from the fibre's centre along the surface, {side}"
            f"{_how_surely(deposit.s_sd_um)}."
        )
    zone = "outside" if deposit.off_zone else "inside"
    lines.append(f"It lies {zone} the graded zones (250 um of diameter).")
    seen = ", ".join(deposit.seen_in)
    lines.append(
        f"Seen in {seen}; certainty {percent(deposit.confidence)}{' (unsure)' * deposit.unsure}."
    )
    return tuple(lines)


def _contact_row(deposit: DepositRecord, place: str = "contact") -> Mapping[str, Any] | None:
    rows: list[Mapping[str, Any]] = list(deposit.reach or ())
    return next((r for r in rows if r["place"] == place and r["matings"] == 10), None)


def _way(deposit: DepositRecord) -> tuple[str, ...]:
    row = _contact_row(deposit)
    if row is None or "start" not in row:
        return ()
    start = PLACE_NAMES.index(row["start"])
    if start >= Place.CONTACT:
        return (f"It lies in {PLACE_WORDS[row['start']]} already.",)
    steps = [PLACE_WORDS[PLACE_NAMES[place]] for place in range(start, Place.CONTACT + 1)]
    way = ", then ".join(steps)
    return (f"{way[0].upper()}{way[1:]}.",)


def _gap(inspection: Inspection, deposit: DepositRecord) -> tuple[str, ...]:
    bridge: Mapping[str, Any] | None = deposit.bridge
    if bridge is None:
        if deposit.kind == KIND_NAMES[Kind.PARTICLE] and deposit.surface in ("endface", "fiber"):
            return ("No gap could be given: the place or the size is not known.",)
        return ()
    lines = [
        f"Two such domes{_dome(bridge)} leave {bridge['gap_um']:.2f} um at "
        f"{bridge['radius_um']:.0f} um from the axis; a grain of {bridge['grain_um']:.1f} um "
        f"bridges out to {bridge['radius_limit_um']:.0f} um."
    ]
    if bridge["bridges"]:
        lines.append(f"It holds the fibres up to {bridge['rest_gap_um']:.1f} um apart.")
    elif bridge.get("may_bridge"):
        lines.append(
            f"With the domes' apexes {bridge['apex_offset_um']:g} um beside the fibre it would, by "
            f"up to {bridge['offset_rest_gap_um']:.1f} um."
        )
    lines += _harm_lines(inspection, bridge.get("harm"))
    if bridge.get("contact_peak_mpa") is not None:
        lines.append(
            f"Clean, they would touch on {bridge['contact_um']:.0f} um of diameter under the "
            f"spring's {bridge['spring_n']:g} N, at up to {bridge['contact_peak_mpa']:.0f} MPa "
            "(zirconia)."
        )
    lines.append(f"Assumed: {bridge['assumes']}.")
    return tuple(lines)


def _dome(bridge: Mapping[str, Any]) -> str:
    radius = bridge.get("dome_um")
    # pictures hardly tell it: it is little more than the middle of what the family allows
    return "" if radius is None else f" (radius taken as {radius / 1000:.3g} mm)"


def _wedge(inspection: Inspection, deposit: DepositRecord) -> tuple[str, ...]:
    wedge: Mapping[str, Any] | None = deposit.wedge
    if wedge is None:
        return ()
    return (
        f"Between barrel and sleeve, {wedge['from_front_um'] / 1000:.2f} mm behind the front, it "
        f"may shift the fibre by up to {wedge['offset_um']:.1f} um and tilt it by "
        f"{wedge['tilt_deg']:.2f} deg.",
        *_harm_lines(inspection, wedge.get("harm")),
        f"Assumed: {wedge['assumes']}.",
    )


def _reach(deposit: DepositRecord) -> tuple[str, ...]:
    rows: list[Mapping[str, Any]] = list(deposit.reach or ())
    if not rows:
        return ()
    lines = [_chances(rows, place) for place in ("contact", "core")]
    row = _contact_row(deposit)
    if row is not None and row.get("fragments"):
        low, high = row["fragments_interval"]
        lines.append(
            f"Fragments of it in the contact zone after 10 matings: {row['fragments']:.2g} "
            f"expected ({low:.2g} to {high:.2g})."
        )
    if row is not None and row.get("expected_matings"):
        lines.append(
            f"If it gets there at all, then after {row['expected_matings']:.1f} matings on average."
        )
    return (*lines, f"These figures are {rows[0].get('basis', 'assumed')}.")


def _chances(rows: list[Mapping[str, Any]], place: str) -> str:
    told = [
        f"{chance_words(r['p'])} ({chance_words(r['interval'][0])} to "
        f"{chance_words(r['interval'][1])}) within {r['matings']}"
        for r in rows
        if r["place"] == place
    ]
    return f"To {PLACE_WORDS[place]}: {', '.join(told)} matings."


def _harm(inspection: Inspection, deposit: DepositRecord) -> tuple[str, ...]:
    rows: list[Mapping[str, Any]] = list(deposit.harm or ())
    if not rows:
        return ("No figure: it is no opaque mask, or its size is not known.",)
    assumes = rows[0].get("assumes")
    taken = () if assumes is None else (f"Taken as an opaque mask: {assumes}.",)
    return (*_harm_lines(inspection, rows), *taken)


def _harm_lines(inspection: Inspection, harm: Any) -> tuple[str, ...]:
    """One sentence a wavelength, of the stated fibre mode only; alike ones in one sentence."""
    rows: list[Mapping[str, Any]] = list(harm or ())
    mode = {"single": "sm", "multi": "mm"}.get(str(inspection.connector.get("fiber_mode")))
    told: dict[str, list[str]] = {}
    for row in rows:
        if mode in (None, row["fiber_mode"]):
            told.setdefault(_loss(row), []).append(f"{row['wavelength_nm']:.0f}")
    return tuple(f"{' and '.join(waves)} nm {loss}" for loss, waves in told.items())


def _loss(row: Mapping[str, Any]) -> str:
    mode = "single mode" if row["fiber_mode"] == "sm" else "multimode"
    dark = row["loss_db"] >= LOSS_CAP_DB
    line = f"{mode}: {'at worst no light passes' if dark else f'up to {_db(row)} dB'}"
    if row["return_loss_db"] is None:
        return f"{line}."
    return f"{line}, return loss down to {row['return_loss_db']:.1f} dB."


def _db(row: Mapping[str, Any]) -> str:
    loss = row["loss_db"]
    return "under 0.01" if 0 < loss < 0.01 else f"{loss:.2g}"


def _rule(deposit: DepositRecord) -> tuple[str, ...]:
    ruling: Mapping[str, Any] | None = deposit.ruling
    if ruling is None:
        return ("No rule speaks of it.",)
    stops = "stops the mate" if ruling["stops"] else "lets it stay"
    if ruling["stops"] and deposit.unsure:
        stops = "would stop the mate if it were sure to be there; another picture must show"
    name, _, why = str(ruling["text"]).partition(": ")
    return (f"Rule {ruling['rule']} {stops}.", f"{why[0].upper()}{why[1:]}" if why else name)


def _short_ruling(deposit: DepositRecord) -> str:
    ruling: Mapping[str, Any] = deposit.ruling or {}
    if not ruling.get("stops"):
        return "may stay"
    return "would stop the mate if it is there" if deposit.unsure else "stops the mate"


def _change(
    inspection: Inspection,
    deposit: DepositRecord,
    swing: tuple[Swing, ...] | None,
    limit: float | None,
) -> tuple[str, ...]:
    ruling: Mapping[str, Any] = deposit.ruling or {}
    lines: list[str] = []
    figure, bound = ruling.get("figure"), ruling.get("limit")
    if figure is not None and bound is not None and ruling["rule"] not in ("damage-seen",):
        verb = "it could stay below" if ruling["stops"] else "it would stop from"
        unit = "um" if ruling["unit"] == "um" else "%"
        scale = 1 if unit == "um" else 100
        lines.append(
            f"Its figure is {figure * scale:.3g} {unit}; by this rule {verb} {bound * scale:.3g} "
            f"{unit}."
        )
    if limit is not None and ruling.get("rule") in ("reach", "reach-low"):
        lines += _flips(swing, limit)
    if deposit.verdict_without is not None:
        now, then = (VERDICT_WORDS[v].name for v in (inspection.verdict, deposit.verdict_without))
        same = f"Without it the verdict would be {then} all the same."
        lines.append(same if now == then else f"Without it the verdict would be {then}, not {now}.")
    return tuple(lines)


def _flips(swing: tuple[Swing, ...] | None, limit: float) -> list[str]:
    if swing is None:
        return [f"{UNKNOWN_ASSUMPTIONS} flips this."]
    found = [each for each in swing if each.flips(limit)]
    if not found:
        return ["No single assumption, taken to either end of what is thought, flips this."]
    return [
        f"Assumption {each.assumption} ({each.why}) flips it: from {each.chance_low:.2g} to "
        f"{each.chance_high:.2g} a mating gives an upper end of {chance_words(each.low)} to "
        f"{chance_words(each.high)}."
        for each in found[:FLIPS_SHOWN]
    ]


def _swings(inspection: Inspection, deposit: DepositRecord) -> tuple[Swing, ...] | None:
    """Computed anew by the recorded assumptions; None where this version does not know them."""
    row = _contact_row(deposit)
    ruling: Mapping[str, Any] = deposit.ruling or {}
    if row is None or ruling.get("rule") not in ("reach", "reach-low"):
        return ()
    assumed = recorded_assumptions(inspection.settings.get("assumptions"))
    if assumed is None:
        return None
    size = float("nan") if deposit.size_um is None else deposit.size_um
    start = Place(PLACE_NAMES.index(row["start"]))
    return swings(start, assumed.rows_for(_kind(deposit), size), assumed)
