"""A net that misses dirt cannot vouch for a mate."""

import pytest

from fiberward.inference.judge.rules import Rules
from fiberward.inference.judge.sight import Sight, doubted_sight, sight_of

RULES = Rules()


FULL = {"value": 1.0, "low": 1.0, "high": 1.0, "n": 300}


# recall of all dirt that pictures show is not what a mate vouches for
@pytest.mark.parametrize(
    "scores", [None, {}, {"recall_vouched": None}, {"recall": FULL}, {"recall_dirt": FULL}]
)
def test_a_model_without_measured_recall_proves_nothing(scores: dict[str, object] | None) -> None:
    (reason,) = doubted_sight(sight_of(scores), RULES)
    assert reason.rule == "net-not-measured"


@pytest.mark.parametrize(
    ("low", "doubted"),
    [
        (0.8999, True), (0.9, False), (0.97, False), (0.0, True), (None, True),
        (float("nan"), True), (1.5, True), ("0.97", True), (True, True),
    ],
)  # fmt: skip
def test_the_lower_end_of_the_interval_counts(low: object, doubted: bool) -> None:
    sight = sight_of({"recall_vouched": {"value": 0.99, "low": low, "high": 1.0, "n": 60}})
    assert bool(doubted_sight(sight, RULES)) is doubted


@pytest.mark.parametrize("count", [0, None, 3.5, "60"])
def test_a_share_of_nothing_proves_nothing(count: object) -> None:
    sight = sight_of({"recall_vouched": FULL | {"n": count}})
    assert [reason.rule for reason in doubted_sight(sight, RULES)] == ["net-not-measured"]


def test_the_reason_names_figure_limit_and_number() -> None:
    (reason,) = doubted_sight(Sight(0.5, 0.42, 120), RULES)
    assert reason.rule == "net-misses-too-much"
    assert (reason.figure, reason.limit) == (0.42, RULES.needed_recall)
    assert "50%" in reason.text
    assert "120" in reason.text


def test_deposits_that_no_net_found_need_no_record_of_a_net() -> None:
    assert doubted_sight(None, RULES) == ()


@pytest.mark.parametrize("sight", [Sight(None, 0.95, 60), Sight(0.95, None, 60)])
def test_half_a_figure_is_none(sight: Sight) -> None:
    assert [reason.rule for reason in doubted_sight(sight, RULES)] == ["net-not-measured"]


def test_the_ends_of_a_share_are_shares_and_one_deposit_is_a_count() -> None:
    told = sight_of({"recall_vouched": {"value": 1, "low": 0.0, "high": 1.0, "n": 1}})
    assert told == Sight(1, 0.0, 1)
