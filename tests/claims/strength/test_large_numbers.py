"""Many specimens: every answer comes in seconds and is right, or is refused with words."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

import lowtail as lt
from lowtail import InputError, NoAnswerError, Sample
from lowtail.claims.planning.core.chances import chance_bound
from lowtail.claims.strength.batch_designs import handbook_coverage
from lowtail.models.bounds.likelihood_bounds import likelihood_ratio_bound
from lowtail.models.bounds.nonparametric import order_statistic
from lowtail.models.two_samples.permutation import DRAWS, draws_for, permute, welch_of

SHAPE, SCALE = 15.0, 25.0


def series(n: int, scale: float = SCALE) -> Sample:
    return Sample(scale * np.random.default_rng(n).weibull(SHAPE, n), label="many")


@pytest.mark.parametrize("n", [300, 600, 1000, 10_000, 100_000, pytest.param(1_000_000, marks=pytest.mark.slow)])
def test_bound_and_confidence_agree_with_the_likelihood_ratio(n):
    """The likelihood-ratio bound is right to order 1 / n: they differ by a few per cent of the standard error."""
    sample = series(n)
    ratio = likelihood_ratio_bound(sample.load, sample.broke, "weibull", 0.10, 0.95)
    low = lt.lower_bound(sample).low
    true = SCALE * (-np.log(0.9)) ** (1 / SHAPE)
    error = 3.0 * true / (SHAPE * np.sqrt(n))  # standard error of ln x_0.1 is below 3 / (shape sqrt n)
    assert low == pytest.approx(ratio, abs=2.5 * error / np.sqrt(n) + 1e-6)
    assert lt.confidence_that(sample, low, 0.10).confidence == pytest.approx(0.95, abs=2e-4)
    assert lt.governing(sample).low <= low
    assert order_statistic(sample.load, 0.10, 0.95).low == pytest.approx(low, abs=4 * error)


@pytest.mark.parametrize(("n", "distance", "factor"), [(600, 1.31, 1.3), (5000, 1.31, 1.3), (100_000, 1.31, 1.3)])
def test_chance_of_a_normal_bound_is_the_noncentral_t(n, distance, factor):
    """By definition, against scipy's; refused from n = 8,192 on before its grid followed the mass."""
    exact = stats.nct.sf(factor * np.sqrt(n), n - 1, distance * np.sqrt(n))
    assert chance_bound(n, distance, factor) == pytest.approx(exact, abs=1e-11)


@pytest.mark.parametrize("family", ["normal", "weibull"])
def test_a_plan_in_the_thousands_is_that_of_large_samples(family):
    """n where (claim - percentile) is as many standard errors away as 95 % and 80 % ask: (1.645 + 0.842) of them.

    Variance of the estimated percentile: normal s2 (1 + z2 / 2) / n; Weibull, ln load, from
    the Fisher information, (1 + 6 / pi2 (1 - euler - w)2) / (k2 n) with w = ln(-ln 0.9) (both from memory).
    """
    mean, cv, claim = 24.14, 0.08, {"normal": 21.55, "weibull": 21.40}[family]
    plan = lt.plan.new_series(claim, "B-basis", mean=mean, cv=cv, family=family, judge="one distribution", max_n=10_000)
    if family == "normal":
        z, s = special.ndtri(0.10), cv * mean
        gap, variance = mean + z * s - claim, s**2 * (1 + z**2 / 2)
    else:
        shape = _shape(cv)
        scale = mean / special.gamma(1 + 1 / shape)
        w = np.log(-np.log(0.9))
        gap = np.log(scale) + w / shape - np.log(claim)
        variance = (1 + 6 / np.pi**2 * (1 - np.euler_gamma - w) ** 2) / shape**2
    assert plan.n == pytest.approx((special.ndtri(0.95) + special.ndtri(0.80)) ** 2 * variance / gap**2, rel=0.05)


def _shape(cv: float) -> float:
    from scipy.optimize import brentq

    return brentq(lambda k: np.expm1(special.gammaln(1 + 2 / k) - 2 * special.gammaln(1 + 1 / k)) - cv**2, 1, 100)


def test_a_comparison_in_the_hundred_thousands_is_that_of_large_samples():
    """n = 2 (1.960 + 0.842)^2 s^2 / ln^2 ratio, s^2 = ln(1 + cv^2), the textbook two-arm number."""
    plan = lt.plan.comparison(0.999, 0.1, max_n=200_000)
    n = 2 * (special.ndtri(0.975) + special.ndtri(0.8)) ** 2 * np.log1p(0.01) / np.log(0.999) ** 2
    assert plan.n == pytest.approx(n, rel=1e-3)


def test_plans_that_would_take_minutes_are_refused():
    with pytest.raises(InputError, match=r"`max_n` must be at most 1,000 specimens where whole series are simulated"):
        lt.plan.new_series(21.3, mean=24.14, cv=0.08, max_n=5000)
    with pytest.raises(InputError, match=r"`max_n` must be at most 10,000 specimens where the chance is computed"):
        lt.plan.new_series(21.3, mean=24.14, cv=0.08, judge="one distribution", max_n=10_001)
    with pytest.raises(InputError, match=r"at most 1,000 specimens in an arm where whole series are simulated"):
        lt.plan.comparison(0.99, 0.1, survivors=0.1, max_n=1001)
    many = series(5001)
    with pytest.raises(NoAnswerError, match=r"at most 5,000 specimens in hand, got 5,001"):
        lt.plan.more_samples(many, 21.0)
    with pytest.raises(NoAnswerError, match=r"at most 5,000 specimens in hand"):
        lt.plan.looks(many, 21.0, every=3)


def test_screens_take_specimens_one_by_one_up_to_2000():
    many = series(2001)
    for ask in (lt.checks.outliers, lt.checks.influence):
        with pytest.raises(InputError, match=r"at most 2,000 specimens one by one, got 2,001"):
            ask(many)


def test_permutations_of_many_specimens_come_in_blocks():
    """Fewer draws from 1,001 specimens on; the p-value of a plain difference is that of the normal distribution."""
    assert draws_for(1000) == DRAWS
    assert draws_for(10**6) == 999
    rng = np.random.default_rng(5)
    y = rng.standard_normal(8000) + np.repeat([0.0, 0.05], 4000)
    t = welch_of(y, 4000)(np.arange(4000, 8000)[None, :])[0]
    found = permute(4000, 4000, welch_of(y, 4000))
    p = 2 * stats.norm.sf(abs(t))
    assert found.p_value == pytest.approx(p, abs=4 * np.sqrt(p * (1 - p) / draws_for(8000)) + 1e-3)


def test_handbook_coverage_of_large_batches_is_that_of_their_number():
    """With 500 or 25,000 a batch the scatter within is known: both are those of 4 batches."""
    some, many = (handbook_coverage((n,) * 4, 0.10, 0.95) for n in (500, 25_000))
    assert many == pytest.approx(some, abs=0.006)
