"""Rates, tests and limits against published worked examples, SciPy and statsmodels."""

from collections import Counter
from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, binomtest, fisher_exact
from statsmodels.stats.contingency_tables import mcnemar as mcnemar_of_statsmodels
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import confint_proportions_2indep

from fiberward.inference.keep.statistics import (
    c_limits,
    clean_after,
    clustered_share,
    difference,
    dispersion,
    fisher,
    holm,
    kappa,
    mcnemar,
    needed_per_method,
    poisson_interval,
    share,
    u_limits,
)


def near(value, digits):
    return pytest.approx(value, abs=0.6 * 10.0**-digits)


@pytest.mark.parametrize(
    ("hits", "of", "method", "confidence", "low", "high"),
    [
        # NIST/SEMATECH e-Handbook 7.2.4.2, 4 defectives of 20, 90 % two-sided
        (4, 20, "exact", 0.90, 0.071354, 0.401029),
        # calculated from the handbook's formulas by another program
        (4, 20, "exact", 0.95, 0.05733, 0.43661),
        (4, 20, "wilson", 0.95, 0.08066, 0.41602),
        (4, 20, "wilson", 0.90, 0.09312, 0.37838),
        (0, 20, "exact", 0.95, 0.0, 0.16843),
        (0, 20, "wilson", 0.95, 0.0, 0.16113),
        (10, 10, "exact", 0.95, 0.69150, 1.0),
        (10, 10, "wilson", 0.95, 0.72247, 1.0),
        (18, 20, "exact", 0.95, 0.68302, 0.98765),
        (18, 20, "wilson", 0.95, 0.69897, 0.97213),
        (45, 50, "wilson", 0.95, 0.78640, 0.95652),
    ],
)
def test_intervals_of_a_share_have_the_published_ends(hits, of, method, confidence, low, high):
    found = share(hits, of, method, confidence)
    assert (found.low, found.high) == (near(low, 5), near(high, 5))


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_intervals_are_those_of_scipy(case):
    for method in ("wilson", "exact"):
        found = share(*case, method)
        theirs = binomtest(*case).proportion_ci(method=method)
        assert (found.low, found.high) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


@pytest.mark.parametrize(
    ("table", "p"),
    [
        ([[8, 2], [1, 5]], 0.03497),  # SciPy's documentation
        ([[10, 4], [24, 12]], 1.000),  # Triola, Elementary Statistics, 11-2
        ([[3, 1], [1, 3]], 0.48571),  # Fisher's tea tasting
    ],
)
def test_fishers_test_gives_the_published_p(table, p):
    (a, b), (c, d) = table
    assert fisher(share(a, a + b), share(c, c + d)) == near(p, 5)


def test_mcnemars_test_gives_the_published_values():
    # StatsDirect's help, from Armitage and Berry 1994, p. 127: 20 / 12 / 2 / 16
    found = mcnemar(12, 2)
    assert (found.p, found.ratio) == (near(0.0129, 4), 6)
    assert (found.low, found.high) == (near(1.335744, 6), near(55.197091, 6))
    assert found.mid_p == near(0.007385, 6)  # calculated
    # stat-tools.xyz: 12 against 5
    assert mcnemar(12, 5).p == near(0.1435, 4)


@given(st.integers(0, 60), st.integers(0, 60))
def test_mcnemars_test_is_that_of_statsmodels(b, c):
    if b + c:
        theirs = mcnemar_of_statsmodels([[0, b], [c, 0]], exact=True).pvalue
        assert mcnemar(b, c).p == pytest.approx(theirs, abs=1e-12)


@pytest.mark.parametrize(
    ("table", "value"),
    [
        ([[20, 5], [10, 15]], 0.40),  # worked case on a hospital page
        ([[100, 20], [10, 30]], 0.5385),  # table of a science page, value calculated
    ],
)
def test_kappa_has_the_published_value(table, value):
    assert kappa(table).kappa == near(value, 4)


@given(st.lists(st.lists(st.integers(1, 30), min_size=3, max_size=3), min_size=3, max_size=3))
def test_kappa_and_its_error_are_those_of_statsmodels(table):
    rows = np.array(table)
    mine, theirs = kappa(table), cohens_kappa(rows)
    assert mine.kappa == pytest.approx(theirs.kappa, abs=1e-9)
    assert mine.low == pytest.approx(max(-1, theirs.kappa_low), abs=1e-7)
    assert mine.high == pytest.approx(min(1, theirs.kappa_upp), abs=1e-7)


@pytest.mark.parametrize(
    ("table", "word"),
    # scale of Landis and Koch 1977
    [
        ([[20, 5], [10, 15]], "fair"),
        ([[100, 20], [10, 30]], "moderate"),
        ([[50, 0], [0, 50]], "almost perfect"),
        ([[0, 50], [50, 0]], "less than chance"),
        ([[50, 0], [0, 0]], "not defined"),
    ],
)
def test_kappa_has_the_usual_word(table, word):
    assert kappa(table).word == word


def test_a_c_chart_has_the_published_limits():
    # NIST e-Handbook 6.3.3.1: 25 wafers with 400 defects
    limits = c_limits([16] * 25)
    assert (limits.center, limits.low, limits.high) == (16, 4, 28)


def test_a_u_chart_follows_its_formula():
    limits = u_limits(2.0, 4.0)  # 2 +/- 3 sqrt(2/4)
    assert (limits.low, limits.high) == (0.0, near(2 + 3 * 0.5**0.5, 9))


@given(st.lists(st.floats(0, 1), min_size=1, max_size=12))
def test_holms_correction_is_that_of_statsmodels(ps):
    assert holm(ps) == pytest.approx(multipletests(ps, method="holm")[1], abs=1e-12)


@given(st.integers(0, 40), st.integers(0, 40))
def test_the_interval_of_a_difference_is_that_of_statsmodels(x, y):
    low, high = difference(share(x, 40), share(y, 40))
    theirs = confint_proportions_2indep(x, 40, y, 40, method="newcomb", compare="diff")
    assert (low, high) == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize(("p_a", "p_b"), [(0.9, 0.6), (0.95, 0.7), (0.8, 0.4)])
def test_the_number_needed_gives_fishers_test_its_power(p_a, p_b):
    """Held against the exact power, summed over all outcomes with SciPy's test."""
    n = needed_per_method(p_a, p_b, power=0.8)
    assert n is not None

    def power(size: int) -> float:
        x = np.arange(size + 1)
        weight = np.outer(binom.pmf(x, size, p_a), binom.pmf(x, size, p_b))
        shown = [
            [fisher_exact([[a, size - a], [b, size - b]])[1] <= 0.05 if w > 1e-7 else False]
            for (a, b), w in np.ndenumerate(weight)
        ]
        return float((weight.ravel() * np.array(shown).ravel()).sum())

    assert 0.79 <= power(n) <= 0.87


def test_no_number_of_connectors_shows_a_difference_of_nothing():
    assert needed_per_method(0.5, 0.5) is None


def test_the_interval_of_a_rate_has_the_textbook_ends():
    # Garwood's table, as in many textbooks (from memory): 0 gives 3.69, 10 gives 4.80 to 18.39
    assert poisson_interval(0, 1) == (0, near(3.689, 3))
    assert poisson_interval(10, 2) == (near(4.795 / 2, 3), near(18.390 / 2, 3))


@settings(max_examples=20)
@given(st.integers(0, 10**6))
def test_counts_of_poisson_scatter_like_poisson_and_clustered_ones_more(seed):
    rng = np.random.default_rng(seed)
    groups = [rng.poisson(4, 50).tolist() for _ in range(20)]
    found = dispersion(groups)
    assert found is not None
    assert 0.75 < found[0] < 1.25
    clustered = [(rng.poisson(4, 50) * rng.integers(0, 4, 50)).tolist() for _ in range(20)]
    found = dispersion(clustered)
    assert found is not None
    assert found[0] > 2
    assert found[1] < 1e-6


def test_deposits_on_the_same_connector_count_for_less_than_as_many_connectors():
    alike = {(5, 5): 6, (0, 5): 6}  # every connector all or nothing: 12 cases, not 60
    found = clustered_share(alike)
    assert found.of == 60
    # the ratio estimator has k - 1 in the place of k
    assert found.of_effective == near(11, 1)
    # six targets seen five times are not thirty (MIL-HDBK-1823A's commentary)
    assert clustered_share({(5, 5): 6}).low == share(6, 6).low
    assert clustered_share({(1, 1): 9, (0, 1): 1}) == share(9, 10)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6))
def test_the_interval_of_clustered_cases_holds_the_truth_as_often_as_it_says(seed):
    rng = np.random.default_rng(seed)
    inside = 0
    for _ in range(60):
        own = rng.beta(2, 1, 30)  # each connector's own chance, 2/3 on the mean
        found = clustered_share(Counter((int(rng.binomial(6, p)), 6) for p in own))
        inside += found.low <= 2 / 3 <= found.high
    assert inside >= 50  # 57 expected of 60; fewer than 50 by chance once in 10 000 (binomial)


def test_connectors_clean_after_so_many_cleanings():
    # worked by hand: 10 connectors, 5 clean at once, 2 given up, 2 of the other 3 at the second
    rows = clean_after({1: 5, 2: 2}, {1: 2, 2: 1})
    assert [(r.attempt, r.at_risk, r.clean) for r in rows] == [(1, 10, 5), (2, 3, 2)]
    assert [r.p for r in rows] == [near(0.5, 9), near(1 - 0.5 / 3, 9)]
    assert rows[0].low is not None
    assert rows[0].high is not None
    assert rows[0].low < 0.5 < rows[0].high
    assert clean_after({}, {}) == ()
    (none,) = clean_after({}, {1: 2})
    assert (none.p, none.low, none.high) == (0, None, None)


def test_pairs_that_never_differ_show_nothing():
    found = mcnemar(0, 0)
    assert (found.p, found.low, found.high) == (1.0, 0.0, inf)
