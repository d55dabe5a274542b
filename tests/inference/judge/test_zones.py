"""The graded zones: edges, limits line by line, and what a coarse picture leaves open."""

import math

import pytest

from fiberward.inference.judge.zones import (
    InZone,
    grade_zones,
    mark_of,
    read_table,
    table_for,
    zone_at,
    zones_touched,
)
from fiberward.inference.see.fuse import Deposit
from fiberward.model.errors import SettingsError
from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface

SM, APC, MM = read_table("sm-pc-45"), read_table("sm-apc"), read_table("mm-pc")
JUST_ABOVE = 1 + 1e-9


def mark(near_um, far_um, size_um, kind=Kind.PARTICLE, **changes):
    """A round deposit between two path lengths; give width_um for a scratch."""
    values = dict(
        id=1, kind=kind, confidence=0.9, surface=Surface.FIBER, s_um=(near_um + far_um) / 2,
        theta_deg=0.0, s_min_um=near_um, s_max_um=far_um, size_um=size_um,
        area_um2=0.785 * size_um**2, feret_max_um=size_um, width_um=size_um, length_um=None,
        enclosing_um=size_um, in_zone_area_um2=1.0, off_zone=False, unsure=False, seen_in=(0,),
    )  # fmt: skip
    return Deposit(**{**values, **changes})


def scratch(near_um, far_um, width_um):
    return mark(near_um, far_um, 20.0, Kind.DAMAGE, width_um=width_um, feret_max_um=600.0)


@pytest.mark.parametrize(
    ("table", "radius_um", "zone"),
    # 2015 zone diameters 25, 115, 135, 250 um (MM: 65), installation manual of 2018, secondary
    [
        (SM, 0.0, "A"), (SM, 12.5, "A"), (SM, 12.5 * JUST_ABOVE, "B"), (SM, 57.5, "B"),
        (SM, 57.5 * JUST_ABOVE, "C"), (SM, 67.5, "C"), (SM, 67.5 * JUST_ABOVE, "D"),
        (SM, 125.0, "D"), (SM, 125.0 * JUST_ABOVE, None),
        (MM, 32.5, "A"), (MM, 32.5 * JUST_ABOVE, "B"), (MM, 57.5, "B"), (MM, 125.0, "D"),
        (APC, 12.5, "A"), (APC, 67.5, "C"),
    ],
)  # fmt: skip
def test_an_edge_belongs_to_the_inner_zone(table, radius_um, zone):
    assert zone_at(radius_um, table) == zone


@pytest.mark.parametrize(
    ("near_um", "far_um", "zones"),
    [
        (0.0, 5.0, ("A",)),
        (10.0, 20.0, ("A", "B")),
        (12.5, 12.5, ("A",)),
        (13.0, 57.5, ("B",)),
        (13.0, 60.0, ("B", "C")),
        (0.0, 200.0, ("A", "B", "C", "D")),
        (125.0, 130.0, ("D",)),
        (126.0, 130.0, ()),
    ],
)
def test_a_deposit_touches_every_zone_it_reaches_into(near_um, far_um, zones):
    assert zones_touched(mark(near_um, far_um, 5.0), SM) == zones


def test_a_deposit_of_unknown_place_touches_all_zones_unless_it_is_off_zone():
    unknown = dict(s_um=None, s_min_um=None, s_max_um=None)
    assert zones_touched(mark(0.0, 1.0, 5.0, **unknown), SM) == ("A", "B", "C", "D")
    assert zones_touched(mark(0.0, 1.0, 5.0, off_zone=True, **unknown), SM) == ()


def over(table, *deposits):
    return set(grade_zones(deposits, 0.5, table).rows_over or ())


IN_A, IN_B, IN_C, IN_D = (1.0, 2.0), (40.0, 45.0), (60.0, 65.0), (80.0, 90.0)

DEFECT_CASES = [
    # table, place, sizes, limits broken; every limit of every table from below and from above
    (SM, IN_A, [0.1], {"zone A: no defects"}),
    (SM, IN_B, [1.99] * 50, set()),
    (SM, IN_B, [2.0] * 5, set()),
    (SM, IN_B, [2.0] * 6, {"zone B: at most 5 defects from 2 to 5 um"}),
    (SM, IN_B, [5.0] * 6, {"zone B: at most 5 defects from 2 to 5 um"}),
    (SM, IN_B, [5.0], set()),
    (SM, IN_B, [5.01], {"zone B: no defects above 5 um"}),
    (SM, IN_C, [50.0] * 20, set()),
    (SM, IN_D, [10.0] * 20, set()),
    (SM, IN_D, [10.01], {"zone D: no defects above 10 um"}),
    (APC, IN_A, [0.1], {"zone A: no defects"}),
    (APC, IN_B, [5.0] * 5, set()),
    (APC, IN_B, [3.0] * 6, {"zone B: at most 5 defects from 2 to 5 um"}),
    (APC, IN_B, [5.01], {"zone B: no defects above 5 um"}),
    (APC, IN_C, [50.0], set()),
    (APC, IN_D, [10.0], set()),
    (APC, IN_D, [10.01], {"zone D: no defects above 10 um"}),
    (MM, IN_A, [5.0] * 4, set()),
    (MM, IN_A, [1.0] * 5, {"zone A: at most 4 defects up to 5 um"}),
    (MM, IN_A, [5.01], {"zone A: no defects above 5 um"}),
    (MM, IN_B, [4.99] * 50, set()),
    (MM, IN_B, [5.0] * 6, {"zone B: at most 5 defects from 5 to 10 um"}),
    (MM, IN_B, [10.0] * 5, set()),
    (MM, IN_B, [10.01], {"zone B: no defects above 10 um"}),
    (MM, IN_C, [60.0], set()),
    (MM, IN_D, [19.99] * 50, set()),
    (MM, IN_D, [20.0] * 5, set()),
    (MM, IN_D, [30.0] * 6, {"zone D: at most 5 defects from 20 to 30 um"}),
    (MM, IN_D, [30.01], {"zone D: no defects above 30 um"}),
]


@pytest.mark.parametrize(("table", "place", "sizes", "broken"), DEFECT_CASES)
def test_defect_limits_line_by_line(table, place, sizes, broken):
    assert over(table, *(mark(*place, size) for size in sizes)) == broken


SCRATCH_CASES = [
    (SM, IN_A, [0.1], {"zone A: no scratches"}),
    (SM, IN_B, [3.0] * 50, set()),
    (SM, IN_B, [3.01], {"zone B: no scratches above 3 um"}),
    (SM, IN_D, [30.0], set()),
    (APC, IN_A, [3.0] * 4, set()),
    (APC, IN_A, [3.0] * 5, {"zone A: at most 4 scratches up to 3 um"}),
    (APC, IN_A, [3.01], {"zone A: no scratches above 3 um"}),
    (APC, IN_B, [9.0] * 9, set()),
    (MM, IN_A, [3.0] * 50, set()),
    (MM, IN_A, [3.01], {"zone A: no scratches above 3 um"}),
    (MM, IN_B, [5.0] * 50, set()),
    (MM, IN_B, [5.01], {"zone B: no scratches above 5 um"}),
]


@pytest.mark.parametrize(("table", "place", "widths", "broken"), SCRATCH_CASES)
def test_scratch_limits_line_by_line(table, place, widths, broken):
    assert over(table, *(scratch(*place, width) for width in widths)) == broken


EDGES = [
    (table, limit, edge)
    for table in (SM, APC, MM)
    for limit in table.limits
    for edge in ("above_um", "from_um", "to_um")
    if getattr(limit, edge) is not None
]


@pytest.mark.parametrize(("table", "limit", "edge"), EDGES)
def test_each_size_in_the_tables_is_exact_to_the_last_bit(table, limit, edge):
    # "none > x" lets x pass; "from x to y" counts x and y; one step of a float beside it does not
    size = getattr(limit, edge)
    below, above = math.nextafter(size, 0.0), math.nextafter(size, math.inf)
    assert [limit.counts(each) for each in (below, size, above)] == {
        "above_um": [False, False, True],
        "from_um": [False, True, True],
        "to_um": [True, True, False],
    }[edge]
    # and so does the grade: one mark more than allowed, each of that size
    place = {"A": IN_A, "B": IN_B, "D": IN_D}[limit.zone]
    make = scratch if limit.mark == "scratch" else mark
    for each in (below, size, above):
        broken = limit.name in over(table, *[make(*place, each)] * (limit.at_most + 1))
        assert broken == limit.counts(each)


def test_every_limit_of_every_table_is_broken_by_some_case():
    seen = {
        (table.name, name)
        for table, _, _, broken in DEFECT_CASES + SCRATCH_CASES
        for name in broken
    }
    assert seen == {(t.name, limit.name) for t in (SM, APC, MM) for limit in t.limits}


def test_damage_is_a_scratch_when_long_and_everything_else_is_a_defect():
    assert mark_of(scratch(0.0, 5.0, 2.0)) == ("scratch", 2.0)
    chip = mark(0.0, 5.0, 8.0, Kind.DAMAGE, enclosing_um=12.0)
    assert mark_of(chip) == ("defect", 12.0)
    lint = mark(0.0, 5.0, 8.0, Kind.LINT, width_um=2.0, feret_max_um=60.0, enclosing_um=60.0)
    assert mark_of(lint) == ("defect", 60.0)
    barely = mark(0.0, 5.0, 8.0, Kind.DAMAGE, width_um=2.0, feret_max_um=10.0)
    assert mark_of(barely)[0] == "scratch"
    short = mark(0.0, 5.0, 8.0, Kind.DAMAGE, width_um=2.0, feret_max_um=9.9)
    assert mark_of(short)[0] == "defect"


@pytest.mark.parametrize(
    ("sight_um", "unresolved"), [(2.0, 0), (2.01, 2), (3.01, 4), (5.01, 5), (10.0, 5), (10.01, 6)]
)
def test_a_limit_finer_than_the_picture_is_not_resolved(sight_um, unresolved):
    grade = grade_zones((), sight_um, SM)
    assert (grade.source, grade.rows, grade.rows_over) == ("picture", 6, ())
    assert len(grade.rows_not_resolved or ()) == unresolved
    assert grade.passed == (unresolved == 0)


def test_a_limit_that_is_over_counts_though_the_picture_is_coarse():
    grade = grade_zones([mark(*IN_D, 40.0)], 30.0, SM)
    assert grade.rows_over == ("zone D: no defects above 10 um",)
    assert len(grade.rows_not_resolved or ()) == 5
    assert grade.sentence == "Graded zones: 1 of 6 limits over, 5 not resolved (sm-pc-45)."


def test_without_a_view_of_the_fibre_the_zones_are_not_graded():
    grade = grade_zones((), None, SM)
    assert (grade.source, grade.rows, grade.rows_over, grade.passed) == ("none", None, None, False)
    assert grade.sentence == "Graded zones: not graded."
    # but a broken limit is a broken limit
    assert grade_zones([mark(*IN_D, 40.0)], None, SM).rows_over


def test_a_stated_grade_passes_only_if_no_picture_speaks_against_it():
    assert InZone("stated", stated="within", stated_by="Kim").passed
    assert not InZone("stated", stated="outside", stated_by="Kim").passed
    assert not InZone("picture", 6, ("zone A: no defects",), (), "sm-pc-45", "within", "Kim").passed
    said = InZone("stated", stated="within", stated_by="Kim").sentence
    assert said == "Graded zones: stated within the limits by Kim."


@pytest.mark.parametrize("table", [SM, APC, MM], ids=lambda t: t.name)
def test_every_table_says_where_it_is_from_and_to_check_it(table):
    assert "2015" in table.edition
    assert table.source
    assert table.sure == "secondary"
    assert table.note == "as quoted, check against a bought copy"
    diameters = list(table.zones_um.values())
    assert diameters == sorted(diameters)
    assert diameters[-1] == 250.0
    assert len({limit.name for limit in table.limits}) == len(table.limits)


def test_tables_are_found_by_fibre_mode_and_finish():
    assert table_for("sm", "pc") is SM
    assert table_for("sm", "apc") is APC
    assert table_for("mm", "pc") is MM
    assert table_for("mm", "apc") is None
    with pytest.raises(SettingsError, match="choose one of mm-pc, sm-apc, sm-pc-45"):
        read_table("sm-pc-99")


def test_a_mark_of_which_only_the_far_end_is_known_touches_every_zone():
    known = mark(0.0, 20.0, 3.0, s_um=None, s_min_um=None)
    assert zones_touched(known, SM) == tuple(SM.zones_um)
