"""README's worked case says what the program computes."""

import runpy
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
SCRIPT = Path(__file__).with_name("worked_case.py")


@pytest.fixture(scope="module")
def case() -> dict:
    """The script's names, as running it gives them."""
    return runpy.run_path(str(SCRIPT))


def test_readme_holds_the_block_that_the_script_prints(case):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert case["block"]() in readme
    assert readme.count(case["BEGIN"]) == readme.count(case["END"]) == 1


def test_the_graded_zones_pass_all_of_them_and_three_are_cleaned_first(case):
    cases = case["CASES"]
    assert [c.zones for c in cases] == ["0 of 6 limits over"] * 4
    verdicts = [c.judgement.verdict for c in cases]
    assert verdicts == ["clean-first", "clean-first", "clean-first", "mate"]


def test_the_grain_bridges_at_20_mm_and_not_at_8_mm(case):
    # by hand: sqrt(d R) = 447.2 and 282.8 um, gap r^2/R = 4.5 and 11.25 um (0.300 mm is the path)
    wide, tight = (c.row.bridge for c in case["CASES"][1:3])
    assert (wide.bridges, tight.bridges) == (True, False)
    assert wide.radius_limit_um == pytest.approx(447.2, abs=0.1)
    assert tight.radius_limit_um == pytest.approx(282.8, abs=0.1)
    assert wide.gap_um == pytest.approx(4.5, abs=0.01)
    assert tight.gap_um == pytest.approx(11.25, abs=0.02)


def test_the_grain_on_the_side_wedges_as_in_a_sleeve_that_gives_way_evenly(case):
    # h (1 - 6 k)/(1 + 12 k^2), k = x/L - 1/2, L = 5.7 mm, x = chamfer's 0.317 mm and 0.4 mm; the
    # lever h L/(L - x) is less, 34.3 um
    wedge = case["CASES"][0].row.wedge
    k = 717 / 5700 - 0.5
    assert wedge.offset_um == pytest.approx(30 * (1 - 6 * k) / (1 + 12 * k * k), abs=0.01)
