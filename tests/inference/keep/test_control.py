"""The control connector's chart against a published example, and its stop rule."""

import pytest

from fiberward.inference.keep.study_control import control_chart, individual_limits
from fiberward.inference.keep.study_data import Look, LookTable
from fiberward.inference.show.app import main

# NIST/SEMATECH e-Handbook 6.3.2.2, flow rates of ten batches (numbers from memory)
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def looks(counts, label="K"):
    return [
        Look(
            label,
            "",
            None,
            f"2026-01-{k + 1:02}",
            "as-received",
            *([None] * 4),
            "clean-first",
            n,
            n,
        )
        for k, n in enumerate(counts)
    ]


def test_the_limits_are_those_of_the_handbooks_example():
    limits = individual_limits(FLOW)
    assert limits.center == pytest.approx(50.81)
    assert (limits.low, limits.high) == pytest.approx((45.8159, 55.8041), abs=2e-3)


def test_a_value_beyond_a_limit_stops_and_one_inside_goes_on():
    steady = [10, 11, 10, 9, 10, 11, 9, 10, 10, 11] * 2
    calm = control_chart(LookTable.of(looks([*steady, 10])), "K")
    assert calm is not None
    assert (calm.settled, calm.stop) == (True, False)
    # the limits do not follow the values that they judge
    jump = control_chart(LookTable.of(looks([*steady, 30])), "K")
    assert jump is not None
    assert (jump.limits, jump.points[-1].signal) == (calm.limits, "beyond")


def test_eight_in_a_row_on_one_side_stop():
    steady = [8, 12] * 10
    seven = control_chart(LookTable.of(looks([*steady, *[11] * 6])), "K")
    eight = control_chart(LookTable.of(looks([*steady, *[11] * 7])), "K")
    assert seven is not None
    assert eight is not None
    # the twentieth value, 12, is the first of the run
    assert (seven.stop, eight.points[-1].signal) == (False, "run")


def test_other_connectors_and_reshoots_are_no_values():
    rows = [*looks([3, 4, 5]), *looks([90], "P1")]
    rows.append(rows[0]._replace(verdict="reshoot", deposits=0))
    chart = control_chart(LookTable.of(rows), "K")
    assert chart is not None
    assert [point.value for point in chart.points] == [3, 4, 5]
    assert control_chart(LookTable.of(looks([3])), "K") is None


def test_the_command_charts_it_and_says_stop(tmp_path, capsys):
    path = tmp_path / "t.csv"
    lines = [
        f"K,as-received,clean-first,{n},2026-01-{k + 1:02}"
        for k, n in enumerate([5, 6, 5, 4, 5, 6, 5, 14])
    ]
    path.write_text("label,stage,verdict,deposits,created_at\n" + "\n".join(lines) + "\n")
    command = ["study", str(path), "--out", str(tmp_path / "s")]
    assert main([*command, "--control", "K"]) == 1
    said = capsys.readouterr().out
    # by hand: mean 6.25, mean moving range 15/7, so 6.25 + 3 x 2.143 / 1.128 = 11.9
    assert "limits 0.551 to 11.9" in said
    assert "STOP, the newest value, 14, lies beyond a limit" in said
    assert "rest on fewer than 20 values" in said
    assert "Control connector" in (tmp_path / "s" / "study.html").read_text()
    assert main([*command, "--control", "none"]) == 2
