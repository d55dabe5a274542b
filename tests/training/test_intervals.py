"""Intervals against an independent implementation."""

import numpy as np
import pytest
from scipy.stats import binomtest

from fiberward.training.intervals import bootstrap, share


@pytest.mark.parametrize(("hits", "n"), [(0, 16), (1, 6), (8, 10), (97, 100), (300, 300)])
def test_share_gives_wilsons_interval_as_scipy_does(hits: int, n: int) -> None:
    expected = binomtest(hits, n).proportion_ci(method="wilson")  # scipy.stats, without correction
    found = share(hits, n)
    assert found.value == pytest.approx(hits / n)
    assert found.low == pytest.approx(expected.low, abs=1e-12)
    assert found.high == pytest.approx(expected.high, abs=1e-12)
    assert found.n == n


def test_a_share_of_nothing_is_not_measured() -> None:
    assert share(0, 0).value is None
    assert str(share(0, 0)) == "not measured"


def test_the_bootstrap_of_a_mean_is_close_to_its_normal_interval() -> None:
    values = np.random.default_rng(5).normal(10, 2, 400)
    found = bootstrap(list(values), lambda v: float(np.mean(v)))
    half = 1.96 * values.std() / 20  # normal theory, sqrt(400) = 20
    assert found.low == pytest.approx(values.mean() - half, abs=0.05)
    assert found.high == pytest.approx(values.mean() + half, abs=0.05)


def test_one_group_has_no_interval() -> None:
    found = bootstrap([3.0], lambda v: float(np.mean(v)))
    assert (found.value, found.low, found.high, found.n) == (3.0, None, None, 1)
