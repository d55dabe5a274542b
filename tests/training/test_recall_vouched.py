"""The recall that a mate rests on: of what its words cover, its interval not too kind."""

import numpy as np
import pytest
from scipy.stats import binomtest

from fiberward.training.evaluate import headline, recall_vouched
from fiberward.training.score_view import TrueDeposit, ViewScore


def connector(number: int, found: int, missed: int, beside: int = 0) -> list[ViewScore]:
    """One connector's view: dirt found and missed, and missed dirt that no mate speaks of."""
    rows = [(True, True)] * found + [(False, True)] * missed + [(False, False)] * beside
    deposits = tuple(
        TrueDeposit(5, 1, 9.0, 40.0, hit, 1 if hit else 0, vouched=vouched) for hit, vouched in rows
    )
    table = np.eye(7, dtype=np.int64)
    return [ViewScore(f"v{number}", f"c{number}", table, 1, 1, deposits, 0, 0, False)]


def test_only_what_a_mate_speaks_of_counts() -> None:
    groups = [connector(k, 9, 1, beside=7) for k in range(10)]
    figure = recall_vouched(groups)
    assert (figure.value, figure.n) == (0.9, 100)
    found = [d for group in groups for view in group for d in view.deposits]
    figures = headline(groups, found)
    assert figures["recall_vouched"] == figure.as_dict()
    assert figures["recall_dirt"]["n"] == 170


def test_misses_spread_evenly_have_wilsons_interval() -> None:
    # scipy.stats, another program for the same interval (E. B. Wilson, 1927)
    figure = recall_vouched([connector(k, 9, 1) for k in range(10)])
    other = binomtest(90, 100).proportion_ci(method="wilson")
    assert (figure.low, figure.high) == pytest.approx((other.low, other.high))


def test_misses_on_one_connector_make_the_interval_wider_than_wilsons() -> None:
    # ten connectors, all dirt of one missed: drawn again, 35 % of the draws lack that connector,
    # 7 % hold it three times or more; as if each deposit were a connector of its own it looks surer
    figure = recall_vouched([connector(0, 0, 10), *(connector(k, 10, 0) for k in range(1, 10))])
    other = binomtest(90, 100).proportion_ci(method="wilson")
    assert figure.value == 0.9
    assert figure.low is not None
    assert figure.low <= 0.7 < other.low
    assert figure.high == 1.0


def test_nothing_missed_still_has_wilsons_lower_end_and_nothing_shown_is_not_measured() -> None:
    # all of 40 found: 40/(40 + 1.96^2)
    figure = recall_vouched([connector(k, 10, 0) for k in range(4)])
    assert figure.low == pytest.approx(40 / (40 + 1.959964**2))
    assert recall_vouched([connector(0, 0, 0, beside=5)]).value is None
