"""More labels: what the line through a power law says, and what is not said."""

import pytest

from fiberward.training.learning_curve import Point, learning_curve, parts_of, twice_as_many


def power(count: int, scale: float = 0.4, fall: float = 0.5) -> float:
    """1 - scale x count to the power -fall: the law itself."""
    return 1 - scale * count**-fall


def points(judges: int, fall: float) -> tuple[Point, list[int], dict[int, Point]]:
    parts = [2, 4, 8]
    made = {
        n: Point(n, 2 * n, [[power(n, 0.2 + 0.05 * j, fall), None] for j in range(judges)])
        for n in parts
    }
    return Point(0, 0, [[0.5, None]] * judges), parts, made


def test_on_a_power_law_twice_as_many_is_told_exactly() -> None:
    counts = [2, 4, 8]
    found = twice_as_many(counts, [power(n) for n in counts])
    assert found == pytest.approx(power(16) - power(8))


def test_where_nothing_is_gained_nothing_is_promised() -> None:
    assert twice_as_many([2, 4, 8], [0.8, 0.8, 0.8]) == pytest.approx(0)
    assert twice_as_many([3], [0.8]) is None


def test_the_parts_grow_to_all() -> None:
    assert parts_of(1) == [1]
    assert parts_of(3) == [1, 2, 3]
    assert parts_of(8) == [2, 4, 8]


def test_the_interval_is_over_the_connectors_that_judge() -> None:
    parent, parts, made = points(6, 0.5)
    curve = learning_curve(parent, parts, made.__getitem__)
    gain = curve.gains["surfaces"]
    assert gain.n == 6
    assert gain.low is not None
    assert 0 < gain.low < gain.value < gain.high  # type: ignore[operator]
    assert "8 more connectors would add about" in curve.told("surfaces")
    assert curve.told("deposits").startswith("deposits: not annotated")


def test_few_that_judge_say_no_interval() -> None:
    parent, parts, made = points(2, 0.5)
    curve = learning_curve(parent, parts, made.__getitem__)
    assert curve.gains["surfaces"].low is None
    assert "only 2 connectors judge" in curve.told("surfaces")
    assert curve.lines()[1].split() == ["the", "net", "before", "0.500", "not", "annotated"]


def test_a_gain_that_may_be_none_is_told_so() -> None:
    parent, parts, made = points(5, 0.0)
    falling = {
        n: Point(n, n, [[p.scores[j][0] - (0.01 * n if j < 2 else -0.01 * n), None]  # type: ignore[operator]
                        for j in range(5)])
        for n, p in made.items()
    }  # fmt: skip
    curve = learning_curve(parent, parts, falling.__getitem__)
    assert "it may be nothing" in curve.told("surfaces")
