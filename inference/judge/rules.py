"""Every figure the verdict rests on, with its unit and why it is what it is.

No standard sets a limit outside the 250 um zone. These defaults are this program's own and err
towards cleaning; a shop may set others, and every record carries those it was judged by.
"""

from dataclasses import dataclass, field, fields
from typing import Any, Literal

from ...model.errors import SettingsError
from ...model.surfaces import Surface
from .bridge import APEX_OFFSET_UM
from .zones import ZoneTable

__all__ = ["Rules", "rule_notes"]


def _rule(default: Any, unit: str, why: str) -> Any:
    return field(default=default, metadata={"unit": unit, "why": why})


@dataclass(frozen=True)
class Rules:
    """Defaults of the verdict; `rule_notes` gives unit and reason of each. Raises SettingsError."""

    fiber_mode: Literal["sm", "mm"] = _rule("sm", "", "most plugs in service; stated per connector")
    stop_fiber_um: float = _rule(
        5.0, "um", "smallest size class of ISO 16232 (B, from 5 um); 5.1 dB on a 9.2 um mode"
    )
    stop_endface_um: float = _rule(
        5.0, "um", "a 5 um grain bridges out to 245 um at R = 12 mm (sqrt(d R))"
    )
    stop_chamfer_um: float = _rule(
        5.0, "um", "the chamfer pushes what lies on it to the mating plane; no published limit"
    )
    reach_limit: float = _rule(
        0.1,
        "share",
        "upper 95 % end of the chance to reach the contact zone within 10 matings: one in ten at "
        "worst. By the shipped assumptions small grains in the cavity, behind the sleeve and on "
        "the housing stay below 0.04, dirt on the barrel under the sleeve lies above 0.2; our "
        "choice, no published limit",
    )
    reach_from_um: float = _rule(
        5.0, "um", "what may lie on the endface itself need not be stopped on its way there"
    )
    wedge_offset_um: float = _rule(
        1.0, "um", "a lateral offset of 1 um costs 0.2 dB at 1310 nm on a 9.2 um mode"
    )
    apex_offset_um: float = _rule(
        APEX_OFFSET_UM, "um", "how far a dome's apex may lie beside the fibre: GR-326, from memory"
    )
    sure_confidence: float = _rule(
        0.5, "share", "as likely a deposit as not; below it, another picture has to decide"
    )
    needed_recall: float = _rule(
        0.9,
        "share",
        "dirt at or above the detection limit that the net must be known to find before its "
        "silence counts: the lower end of the 95 % interval on withheld renders; our choice, no "
        "published limit",
    )
    needed_fiber_share: float = _rule(0.95, "share", "one front view in focus shows all of it")
    needed_endface_share: float = _rule(0.95, "share", "one front view in focus shows all of it")
    needed_chamfer_share: float = _rule(0.85, "share", "front and oblique views together show it")
    needed_barrel_share: float = _rule(
        0.1,
        "share",
        "no picture from outside shows more of a deep plug: front and three oblique views of 14 "
        "made-up plugs showed 0.13 to 0.33; that they go all round is asked of the turns",
    )
    needed_cavity_share: float = _rule(
        0.05, "share", "the same views showed 0.15 to 0.45 of it, out of focus for the most part"
    )
    oblique_from_deg: float = _rule(
        20.0, "deg", "below this tilt the barrel is seen at under a third of its area"
    )
    oblique_to_deg: float = _rule(80.0, "deg", "beyond this the picture is a side view of the plug")
    largest_turn_gap_deg: float = _rule(
        150.0, "deg", "each oblique view shows the barrel to about 75 deg beside its turn"
    )
    coarsest_limit_um: float = _rule(
        50.0, "um", "about what the eye sees unaided; coarser adds nothing (from memory)"
    )
    cleanings_before_retire: int = _rule(
        3, "", "field practice of three cycles, from memory; no standard gives a number"
    )
    require_in_zone: bool = _rule(
        False, "", "whole-connector pictures seldom resolve the graded zones"
    )
    zone_tables: tuple[ZoneTable, ...] = _rule(
        (), "", "a shop's own tables of the graded zones; the shipped ones where none fits"
    )

    def __post_init__(self) -> None:
        """Refuse settings under which the verdict would have no meaning."""
        for row in fields(self):
            value = getattr(self, row.name)
            unit = row.metadata["unit"]
            if unit == "share" and not 0 < value <= 1:
                raise SettingsError(f"rules: {row.name} must lie above 0 and up to 1, got {value}")
            if unit in ("um", "deg") and not 0 < value < 1e6:
                raise SettingsError(f"rules: {row.name} must be above 0 {unit}, got {value}")
        if self.cleanings_before_retire < 1:
            raise SettingsError("rules: cleanings_before_retire must be at least 1")
        if self.fiber_mode not in ("sm", "mm"):
            raise SettingsError(f"rules: fiber_mode must be sm or mm, got {self.fiber_mode!r}")

    @property
    def needed_share(self) -> dict[Surface, float]:
        """Coverage that a mate needs, per surface."""
        return {
            Surface.FIBER: self.needed_fiber_share,
            Surface.ENDFACE: self.needed_endface_share,
            Surface.CHAMFER: self.needed_chamfer_share,
            Surface.BARREL: self.needed_barrel_share,
            Surface.CAVITY: self.needed_cavity_share,
        }


def rule_notes() -> dict[str, tuple[str, str]]:
    """Per rule: its unit and the reason for its default."""
    return {row.name: (row.metadata["unit"], row.metadata["why"]) for row in fields(Rules)}
