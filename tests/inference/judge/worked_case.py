"""README's worked case, computed: four grains outside the graded zones, all in an invented plug.

Prints the block that README holds between its two marks. A test computes it again and compares,
so that README cannot drift from the program.
"""

from dataclasses import dataclass, replace

from fiberward.inference.judge.harm import LOSS_CAP_DB
from fiberward.inference.judge.stops import REACH_MATINGS, chance_words
from fiberward.inference.judge.verdict import DepositJudgement, Judgement, ViewEvidence, judge
from fiberward.inference.judge.zones import grade_zones, table_for
from fiberward.inference.see.coverage import Coverage
from fiberward.inference.see.fuse import Deposit
from fiberward.inference.show.words import VERDICT_WORDS
from fiberward.model.families import default_shape, find_family
from fiberward.model.kinds import Kind
from fiberward.model.profile import MeridianProfile
from fiberward.model.shape import ConnectorShape
from fiberward.model.surfaces import Surface

BEGIN = "<!-- worked case: written by tests/inference/judge/worked_case.py -->"
END = "<!-- end of the worked case -->"
MICROSCOPE_SHOWS_UM = 2.0  # a microscope that resolves every limit of the zone table
WIDE = default_shape(find_family(2.5))  # dome radius 20 mm
TIGHT = replace(WIDE, dome_radius_um=8000.0)


@dataclass(frozen=True)
class Case:
    """One grain alone on one plug, and what is made of it."""

    name: str
    grain: Deposit
    shape: ConnectorShape

    @property
    def judgement(self) -> Judgement:
        """With pictures that show everything, so that the grain alone decides."""
        faces = (Surface.FIBER, Surface.ENDFACE, Surface.CHAMFER, Surface.BARREL, Surface.CAVITY)
        seen = Coverage(dict.fromkeys(faces, 1.0), 10.0, None, ())
        turns = (0.0, 0.0, 120.0, 240.0)
        views = [
            ViewEvidence(f"{n}.jpg", True, None, 5.0, 50.0 if n else 0.0, turn)
            for n, turn in enumerate(turns)
        ]
        return judge([self.grain], seen, views, self.shape)

    @property
    def row(self) -> DepositJudgement:
        """What was computed of the grain."""
        return self.judgement.deposits[0]

    @property
    def zones(self) -> str:
        """What the graded zones alone say under a microscope that resolves all of them."""
        table = table_for("sm", "pc")
        assert table is not None
        grade = grade_zones([self.grain], MICROSCOPE_SHOWS_UM, table)
        assert not grade.rows_not_resolved
        return f"{len(grade.rows_over or ())} of {grade.rows} limits over"


def grain(size_um: float, surface: Surface, s_um: float) -> Deposit:
    """A round hard grain whose middle lies at `s_um`."""
    return Deposit(
        id=1, kind=Kind.PARTICLE, confidence=1.0, surface=surface, s_um=s_um, theta_deg=90.0,
        s_min_um=s_um, s_max_um=s_um, size_um=size_um, area_um2=0.785398 * size_um**2,
        feret_max_um=size_um, width_um=size_um, length_um=None, enclosing_um=size_um,
        in_zone_area_um2=0.0, off_zone=True, unsure=False, seen_in=(0,),
    )  # fmt: skip


CHAMFER_ENDS_UM = MeridianProfile(WIDE).s_end_um[Surface.CHAMFER]
CASES = (
    Case(
        "a grain of 30 um on the ferrule's side, 0.4 mm behind the chamfer",
        grain(30.0, Surface.BARREL, CHAMFER_ENDS_UM + 400.0),
        WIDE,
    ),
    Case(
        "a hard grain of 10 um on the endface, 0.3 mm from the fibre's centre; domes of 20 mm",
        grain(10.0, Surface.ENDFACE, 300.0),
        WIDE,
    ),
    Case("the same grain; domes of 8 mm", grain(10.0, Surface.ENDFACE, 300.0), TIGHT),
    Case("a grain of 20 um on the cavity's floor", grain(20.0, Surface.CAVITY, 9000.0), WIDE),
)


def block() -> str:
    """The block between README's marks, marks included."""
    lines = [
        BEGIN,
        "| on the plug | the graded zones alone | Fiberward | rule |",
        "| --- | --- | --- | --- |",
    ]
    for letter, case in zip("ABCD", CASES, strict=True):
        verdict = VERDICT_WORDS[case.judgement.verdict].name
        decided = case.row.stop or case.row.stay
        assert decided is not None
        lines.append(f"| {letter}: {case.name} | {case.zones} | **{verdict}** | `{decided.rule}` |")
    lines += [
        "",
        *(f"- {letter}. {told}" for letter, told in zip("ABCD", _why(), strict=True)),
        END,
    ]
    return "\n".join(lines)


def _why() -> list[str]:
    told = (_on_barrel, _bridging, _not_bridging, _may_stay)
    return [tell(case.row) for tell, case in zip(told, CASES, strict=True)]


def _on_barrel(row: DepositJudgement) -> str:
    wedge = row.wedge
    assert wedge is not None
    assert wedge.harm[0].loss_db >= LOSS_CAP_DB
    return (
        f"In the sleeve the grain may shift the fibre by up to {wedge.offset_um:.0f} um and tilt "
        f"it by {wedge.tilt_deg:.2f} deg ({wedge.assumes}): at worst no light would pass at "
        f"1310 nm; 1 um is enough to stop it. {_reach(row)}"
    )


def _bridging(row: DepositJudgement) -> str:
    bridge = row.bridge
    assert bridge is not None
    assert bridge.bridges
    harm = bridge.harm[0]
    return (
        f"At 0.3 mm two such domes leave {bridge.gap_um:.2f} um, so a grain this high holds them "
        f"apart out to {bridge.radius_limit_um:.0f} um ({bridge.assumes}). It leaves "
        f"{bridge.rest_gap_um:.1f} um between the fibres: up to {harm.loss_db:.2f} dB at 1310 nm, "
        f"and a return loss down to {harm.return_loss_db:.1f} dB. {_reach(row)}"
    )


def _not_bridging(row: DepositJudgement) -> str:
    bridge, stop = row.bridge, row.stop
    assert bridge is not None
    assert stop is not None
    assert not bridge.bridges
    return (
        f"The gap there is {bridge.gap_um:.2f} um and the grain would bridge out to "
        f"{bridge.radius_limit_um:.0f} um only: it fits. It is cleaned off all the same, as any "
        f"dirt from {stop.limit:g} um on the face that is pressed against another. {_reach(row)}"
    )


def _may_stay(row: DepositJudgement) -> str:
    stay = row.stay
    assert stay is not None
    assert stay.limit is not None
    return (
        f"Nothing touches it there, and it sticks. {_reach(row)} The upper end stays under the "
        f"{chance_words(stay.limit)} from which it would be cleaned first."
    )


def _reach(row: DepositJudgement) -> str:
    found = next(r for r in row.reach or () if r.place == "contact" and r.matings == REACH_MATINGS)
    chance, low, high = (chance_words(share) for share in (found.p, *found.interval))
    return (
        f"Chance to get to the contact zone within {found.matings} matings: {chance} "
        f"({low} to {high}), {found.basis}."
    )


if __name__ == "__main__":
    print(block())
