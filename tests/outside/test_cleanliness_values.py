"""Component codes and surface classes against published worked strings and hand calculations."""

from dataclasses import replace
from math import log10

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fiberward.inference.keep.cleanliness import cleanliness_of, scp_index
from fiberward.inference.keep.component_code import (
    CLASS_FROM_UM,
    NO_PARTICLE,
    CodeItem,
    ComponentCode,
    class_of,
    is_fiber,
    level_limit,
    level_of,
    parse_code,
    unmet,
)
from fiberward.inference.keep.inspection import DepositRecord
from fiberward.model.errors import UsageError
from fiberward.model.shape import ConnectorShape

# Worked string of a trade page on VDA 19.1 / ISO 16232.
POOLED = "CCC = A(B-E17/F-G14/H-I4/J-K2/L-N00)"
# Another, a requirement: E and F each, G and H together.
EACH = "CCC < A(EF12/G-H10/I0/J00)"


@pytest.mark.parametrize(
    ("number", "level"),
    # 17, 12, 10, 0 and 00 as published; the step above 4 000 follows from them
    [(100_000, 17), (130_000, 17), (4_000, 12), (4_001, 13), (1_000, 10), (1, 0), (0, NO_PARTICLE)],
)
def test_a_number_of_particles_has_the_published_level(number, level):
    assert level_of(number) == level


def test_levels_double():  # common practice: 24 is the last, each about twice the one before
    limits = [level_limit(level) for level in range(25)]
    assert all(1.9 <= b / a <= 2.1 for a, b in zip(limits, limits[1:], strict=False))


@pytest.mark.parametrize(
    ("size_um", "letter"),
    # edges as published (B 5-15, C 15-25, E 50-100, G 150-200); N from memory
    [(4.9, None), (5, "B"), (14.9, "B"), (15, "C"), (50, "E"), (150, "G"), (3000, "N")],
)
def test_a_size_has_the_published_class(size_um, letter):
    assert class_of(size_um) == letter


@pytest.mark.parametrize(
    ("length_um", "width_um", "fiber"),
    # the fibre rule as published: longer than 20 widths and at most 50 um wide
    [(1000, 40, True), (1000, 60, False), (500, 30, False), (1000, 50, False), (1001, 50, True)],
)
def test_a_long_thin_piece_is_a_fibre(length_um, width_um, fiber):
    assert is_fiber(length_um, width_um) is fiber


def test_the_published_strings_are_read_and_written_again():
    assert str(parse_code(POOLED)) == POOLED
    assert str(parse_code(EACH)) == EACH
    assert parse_code("A(B-E17/F-G14/H-I4/J-K2/L-N00)") == parse_code(POOLED)


def test_a_hyphen_is_one_limit_for_all_and_letters_side_by_side_are_one_each():
    pooled, each = parse_code(POOLED), parse_code(EACH)
    assert pooled.items[0] == CodeItem("BCDE", 17, pooled=True)
    assert each.items[0] == CodeItem("EF", 12)
    assert each.limit
    assert unmet(each, {"E": 4_000, "F": 4_000, "G": 600, "H": 400, "I": 1}) == ()
    over = unmet(each, {"E": 4_001, "F": 10, "G": 600, "H": 401, "I": 2, "J": 1})
    assert [str(item) for item in over] == ["EF12", "G-H10", "I0", "J00"]
    assert unmet(pooled, {"B": 100_000, "C": 30_000}) == ()
    assert unmet(pooled, {"B": 100_000, "C": 30_001}) == (pooled.items[0],)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("CCC = A(B17", "no component code"),
        ("B17", "no component code"),
        ("A(P3)", "cannot read 'P3'"),
        ("A(B25)", "no level"),
        ("A(B07)", "no level"),
        ("A(C3/B2)", "smaller ones first"),
        ("A(B-E3/D2)", "stands once|smaller ones first"),
        ("A(E-B3)", "backwards"),
        ("N()", "cannot read ''"),
    ],
)
def test_what_is_no_code_is_refused_in_one_line(text, said):
    with pytest.raises(UsageError, match=said) as caught:
        parse_code(text)
    assert "\n" not in str(caught.value)


@given(st.data())
def test_any_code_that_is_written_is_read_as_the_same(data):
    letters, items = list(CLASS_FROM_UM), []
    basis = data.draw(st.sampled_from("AVN"))
    while letters:
        n = data.draw(st.integers(1, len(letters)))
        pooled = n > 1 and data.draw(st.booleans())
        number = data.draw(st.integers(0, 24) if basis != "N" else st.integers(0, 10**6))
        items.append(CodeItem("".join(letters[:n]), number, pooled))
        letters = letters[n:]
    code = ComponentCode(basis, tuple(items), data.draw(st.booleans()))
    assert parse_code(str(code)) == code


def test_the_surface_class_follows_its_formula():
    # from memory of ISO 14644-9: class 5 is 1e5 >= 1 um, 1e4 >= 10 um, 1e3 >= 100 um per m2
    assert [scp_index(c, d) for c, d in ((1e5, 1), (1e4, 10), (1e3, 100))] == [5, 5, 5]
    # calculated: five grains of 10 um on a pedestal of 0.9 mm diameter (0.6362 mm2)
    assert scp_index(5 / 0.6362e-6, 10) == pytest.approx(7.90, abs=0.005)


SHAPE = ConnectorShape(1249.5, 20000, 800, 200, 3000, 3500, 6000)
BLANK = dict(
    **dict(confidence=0.9, s_um=600.0, theta_deg=0.0, s_min_um=590.0, s_max_um=610.0, unsure=False),
    **dict(area_um2=1.0, enclosing_um=60.0, in_zone_area_um2=0.0, off_zone=True, bridge=None),
    **dict(wedge=None, reach=None, harm=None, seen_in=("front.jpg",)),
)
GRAIN = DepositRecord(
    **dict(id=1, kind="particle", surface="endface", size_um=60.0, feret_max_um=70.0),
    **dict(width_um=50.0, length_um=None, **BLANK),
)
SEEN = {"fiber": 1.0, "endface": 0.5, "chamfer": 1.0, "barrel": 0.0, "cavity": None}


def test_an_inspection_is_coded_by_longest_extent_and_stretched_length():
    small = replace(GRAIN, id=2, feret_max_um=30.0, size_um=20.0)
    lint = replace(GRAIN, id=3, kind="lint", feret_max_um=400.0, length_um=700.0, width_um=20.0)
    film, unsure = replace(GRAIN, id=4, kind="film"), replace(GRAIN, id=5, unsure=True)
    found = cleanliness_of((GRAIN, small, lint, film, unsure), SHAPE, SEEN, 50.0)
    assert found is not None
    assert found["particles"]["code"] == "CCC = N(E1/F-N0)"
    assert found["particles"]["at_least"] == {"D": 1}
    assert found["fibers"]["code"] == "CCC = N(E-I0/J1/K-N0)"
    assert parse_code(found["fibers"]["code"]).basis == "N"
    endface, chamfer, barrel, _ = found["surfaces"]
    # a dome this flat has the area of its disc within 0.1 %; the fibre's disc was wholly seen
    disc = 3.14159265 * ((800e-6**2 - 62.5e-6**2) * 0.5 + 62.5e-6**2)
    assert endface["area_mm2"] == pytest.approx(disc * 1e6, rel=1e-3)
    assert endface["index"] == pytest.approx(log10(2 / disc * 50), abs=0.01)
    assert endface["scp_class"] == 8
    assert (chamfer["count"], chamfer["index"], chamfer["scp_class"]) == (0, None, None)
    assert chamfer["index_below"] == pytest.approx(
        log10(2.9957 / (chamfer["area_mm2"] * 1e-6) * 50), abs=0.01
    )
    assert (barrel["count"], barrel["index"], barrel["index_below"]) == (None, None, None)


def test_without_a_placed_connector_there_is_no_code():
    assert cleanliness_of((GRAIN,), None, {}, None) is None
