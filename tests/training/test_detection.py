"""Probability of detection against statsmodels, a published fit and closed forms."""

import math

import numpy as np
import pytest

from fiberward.training.detection import ONE_SIDED_Z, fit_detection, fit_logit

# Survivors of 20 at nine concentrations, and R's glm and MASS::dose.p on them: Cross Validated,
# question 398791, "How to estimate confidence intervals for LC50". Its size is not logarithmic.
CONCENTRATION = np.arange(0.0, 801.0, 100.0)
SURVIVED = np.array([20, 20, 20, 18, 13, 8, 3, 0, 0]) / 20


def targets(n: int = 200, seed: int = 4) -> tuple[np.ndarray, np.ndarray]:
    """Hits and misses drawn from logit POD = -8 + 4 ln a."""
    random = np.random.default_rng(seed)
    size = np.exp(random.uniform(math.log(3), math.log(30), n))
    pod = 1 / (1 + np.exp(8 - 4 * np.log(size)))
    return size, random.uniform(size=n) < pod


def test_the_fit_is_the_published_one() -> None:
    fit = fit_logit(CONCENTRATION, SURVIVED, np.full(9, 20.0))
    assert fit.intercept == pytest.approx(6.992127, abs=2e-6)
    assert fit.slope == pytest.approx(-0.015196, abs=6e-7)
    assert fit.at(0.5) == pytest.approx(460.1353, abs=1e-3)


def test_fit_and_likelihood_are_those_of_statsmodels() -> None:
    sm = pytest.importorskip("statsmodels.api")
    size, hit = targets()
    fit = fit_logit(np.log(size), hit)
    theirs = sm.GLM(hit * 1.0, sm.add_constant(np.log(size)), family=sm.families.Binomial()).fit()
    assert [fit.intercept, fit.slope] == pytest.approx(list(theirs.params), rel=1e-6)
    assert fit.log_likelihood == pytest.approx(float(theirs.llf), rel=1e-9)


@pytest.mark.parametrize("upper", [True, False])
def test_at_its_bound_the_best_model_is_worse_by_z_squared(upper: bool) -> None:
    """The model held to POD 0.9 at the bound, fitted by statsmodels with an offset."""
    sm = pytest.importorskip("statsmodels.api")
    size, hit = targets()
    x = np.log(size)
    fit = fit_logit(x, hit)
    bound = fit.bound(0.9, ONE_SIDED_Z, upper)
    assert bound is not None
    assert (bound > fit.at(0.9)) is upper
    family = sm.families.Binomial()
    offset = np.full(x.size, math.log(9))
    held = sm.GLM(hit * 1.0, (x - bound)[:, None], family=family, offset=offset).fit()
    free = sm.GLM(hit * 1.0, sm.add_constant(x), family=family).fit()
    assert 2 * (free.llf - held.llf) == pytest.approx(ONE_SIDED_Z**2, rel=1e-6)


def test_of_many_targets_the_true_sizes_come_back() -> None:
    """Closed form: a50 = exp(8 / 4), a90 = exp((ln 9 + 8) / 4)."""
    size, hit = targets(20_000)
    found = fit_detection(list(size), list(hit))
    assert found.a50 == pytest.approx(math.exp(2), rel=0.02)
    assert found.a90 == pytest.approx(math.exp((math.log(9) + 8) / 4), rel=0.02)
    assert found.a90 is not None
    assert found.a90_95 is not None
    assert found.a90 < found.a90_95 < 1.05 * found.a90


def test_the_bound_holds_at_least_as_often_as_it_says() -> None:
    """Of 100 experiments 95 are to be expected, with a standard deviation of 2.2."""
    true = math.exp((math.log(9) + 8) / 4)
    bounds = [fit_detection(*map(list, targets(80, seed))).a90_95 for seed in range(100)]
    assert sum(b is None or b >= true for b in bounds) >= 88


@pytest.mark.parametrize(
    ("hits", "why"),
    [
        ([True] * 6, "all were found"),
        ([False] * 6, "none was found"),
        ([False] * 3 + [True] * 3, "one size divides"),
        ([True, True, False, True, False, False], "not found more often"),
    ],
)
def test_where_no_model_fits_it_says_why_and_gives_no_size(hits: list[bool], why: str) -> None:
    found = fit_detection([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], hits)
    assert why in (found.why_not or "")
    assert (found.a50, found.a90, found.a90_95) == (None, None, None)
    assert not found.enough


def test_a_bound_that_few_targets_cannot_give_is_missing_not_large() -> None:
    found = fit_detection([4.0, 5.0, 6.0, 7.0, 8.0, 9.0], [False, True, False, True, False, True])
    assert found.a90 is not None
    assert found.a90_95 is None
    assert found.beyond


@pytest.mark.parametrize("seed", [21, 44, 81])
def test_where_size_hardly_matters_the_bounds_still_come_to_an_end(seed: int) -> None:
    """Nine of ten found at every size: far out the likelihood is flat, and a plain Newton step
    infinite. statsmodels, held to the bound, is worse by z squared there too.
    """
    sm = pytest.importorskip("statsmodels.api")
    random = np.random.default_rng(seed)
    size = np.exp(random.uniform(math.log(9), math.log(140), 61))
    hit = random.uniform(size=61) < 1 / (1 + np.exp(-(1.2 + 0.4 * np.log(size / 9))))
    found = fit_detection(list(size), list(hit))
    assert found.curve
    x, fit = np.log(size), fit_logit(np.log(size), hit)
    family = sm.families.Binomial()
    free = sm.GLM(hit * 1.0, sm.add_constant(x), family=family).fit()
    finite = 0
    for pod, _, upper in found.curve:
        if upper is None:
            continue
        finite += 1
        bound = fit.bound(pod, ONE_SIDED_Z)
        assert bound is not None
        offset = np.full(x.size, math.log(pod / (1 - pod)))
        held = sm.GLM(hit * 1.0, (x - bound)[:, None], family=family, offset=offset).fit()
        assert 2 * (free.llf - held.llf) == pytest.approx(ONE_SIDED_Z**2, rel=1e-4)
    assert finite
