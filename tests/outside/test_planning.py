"""Sample sizes and powers against published tables and reference libraries."""

import math

import pytest
from scipy import stats

from lowtail import BASES, Basis
from lowtail.claims.planning.core.chances import chance_bound, chance_two_arms
from lowtail.models.distributions.families import log_sd_of
from lowtail.plan import comparison as plan_comparison
from lowtail.plan import new_series as plan_bound
from lowtail.plan import zero_failure as plan_zero_failure

ONE = (1.0, 1.0)


def ratio_of(distance: float, cv: float = 0.05) -> float:
    """Ratio of typical strengths that lies ``distance`` log standard deviations below 1."""
    return math.exp(-distance * log_sd_of(cv))


# success-run theorem tables, n = ceil(ln(1 - C) / ln R) (from memory, computed again)
@pytest.mark.parametrize(
    ("reliability", "confidence", "n"),
    [
        (0.90, 0.95, 29),
        (0.99, 0.95, 299),
        (0.99, 0.99, 459),
        (0.95, 0.99, 90),
        (0.999, 0.95, 2995),
        (0.999, 0.90, 2302),
        (0.90, 0.50, 7),
        (0.80, 0.90, 11),
        (0.95, 0.95, 59),  # Wilks; also read in EnvStats documentation (tolIntNparN)
    ],
)
def test_success_run(reliability: float, confidence: float, n: int) -> None:
    plan = plan_zero_failure(reliability, confidence)
    assert plan.n == n
    assert plan.chance >= confidence > plan.chance_before


# MIL-HDBK-17-1F tables 8.5.12 and 8.5.13 (from memory, computed again): the r-th smallest of n is a bound, so that
# r - 1 breaks below it are allowed
@pytest.mark.parametrize(
    ("reliability", "rank", "n"),
    [(0.90, 2, 46), (0.90, 6, 103), (0.90, 15, 215), (0.99, 1, 299), (0.99, 2, 473), (0.99, 10, 1568)],
)
def test_allowed_failures(reliability: float, rank: int, n: int) -> None:
    assert plan_zero_failure(reliability, 0.95, failures=rank - 1).n == n


# Weibull zero-failure plan n = ceil(ln(1 - C) / (ratio^shape ln R)), computed from the formula
@pytest.mark.parametrize(("shape", "n"), [(8, 7), (15, 2), (30, 1)])
def test_higher_load(shape: float, n: int) -> None:
    assert plan_zero_failure(0.90, 0.95, load_ratio=1.2, shape=shape).n == n


# R package pwr, values recorded in the statsmodels test suite (read)
def test_power_two_sample_t() -> None:
    def power(n_1: int, n_2: int, d: float, alternative: str) -> float:
        return chance_two_arms(
            n_1,
            n_2,
            shift=d,
            spread=ONE,
            confidence=0.95,
            goal="difference",
            method="pooled t",
            alternative=alternative,
        )

    assert power(30, 30, 1.0, "two-sided") == pytest.approx(0.967708258242517, abs=1e-9)
    assert power(30, 30, 0.01, "greater") == pytest.approx(0.0540740302835667, abs=1e-9)
    assert power(20, 30, 0.1, "two-sided") == pytest.approx(0.0633081832564667, abs=1e-9)
    assert power(20, 30, 0.1, "greater") == pytest.approx(0.09623589080917805, abs=1e-9)


# R 4.2.2 stats: power.t.test(strict = TRUE) (read)
@pytest.mark.parametrize(
    ("d", "n", "power"),
    [
        (1.0, 3, 0.15879087),
        (1.0, 5, 0.2862954934),
        (1.0, 8, 0.4612388495),
        (1.0, 10, 0.5620066466),
        (1.0, 20, 0.8689530277),
        (2.0, 3, 0.4626408119),
        (2.0, 5, 0.790542378),
        (2.0, 8, 0.9602207727),
    ],
)
def test_power_t_test_strict(d: float, n: int, power: float) -> None:
    got = chance_two_arms(n, n, shift=d, spread=ONE, confidence=0.95, goal="difference", method="pooled t")
    assert got == pytest.approx(power, abs=1e-9)


# Cohen (1988) table 2.4.1 prints 393, 50 and 20 (from memory): exact real n is 393.41, 50.15 and 20.03, so that the
# printed numbers fall short of a power of 0.80
@pytest.mark.parametrize("test", ["Welch on log load", "pooled t on log load"])
@pytest.mark.parametrize(("d", "alternative", "n"), [(0.2, "two-sided", 394), (0.5, "less", 51), (0.8, "less", 21)])
def test_never_below_power(d: float, alternative: str, n: int, test: str) -> None:
    plan = plan_comparison(ratio_of(d), 0.05, alternative=alternative, test=test)
    assert plan.arms == (n, n)
    assert plan.chance >= 0.8 > plan.chance_before


# real-valued n of the two-sample t test: statsmodels TTestIndPower and R power.t.test (read), rounded up here
@pytest.mark.parametrize(
    ("d", "power", "n"),
    [
        (0.5, 0.8, 63.7656),
        (0.5, 0.9, 85.0313),
        (0.8, 0.8, 25.5246),
        (0.8, 0.9, 33.8255),
        (1.0, 0.8, 16.7147),
        (1.0, 0.9, 22.0211),
        (1.0, 0.95, 26.9892),
        (1.5, 0.8, 8.0603),
        (1.5, 0.9, 10.4015),
        (2.0, 0.8, 5.0900),
        (2.0, 0.9, 6.3868),
        (3.0, 0.95, 4.1487),
        (0.5, 0.95, 105),  # EnvStats documentation, tTestN (read)
        (1.5, 0.95, 13),
        (2.0, 0.95, 8),
    ],
)
def test_real_valued_sizes(d: float, power: float, n: float) -> None:
    assert plan_comparison(ratio_of(d), 0.05, power=power, test="pooled t on log load").n == math.ceil(n)


# EnvStats documentation (read) prints n1 = 42 with n2 = 20; the power at 41 is 0.95013 already
def test_unequal_arms() -> None:
    def power(n_1: int) -> float:
        return chance_two_arms(20, n_1, shift=1.0, spread=ONE, confidence=0.95, goal="difference", method="pooled t")

    assert power(41) == pytest.approx(0.95013, abs=5e-6)
    assert power(40) < 0.95


# two one-sided tests, pooled scatter, margins of one standard deviation: integration over the chi distribution (mpmath)
@pytest.mark.parametrize(("n", "power"), [(10, 0.390939), (15, 0.695405), (20, 0.855805), (30, 0.970919)])
def test_equivalence_power(n: int, power: float) -> None:
    got = chance_two_arms(
        n, n, shift=0.0, spread=ONE, confidence=0.95, goal="equivalence", margin=1.0, method="pooled t"
    )
    assert got == pytest.approx(power, abs=1e-6)


# Owen (1963) SCR-607 one-sided factors, as in MIL-HDBK-17-1F tables 8.5.10 and 8.5.11 (from memory, computed again)
def test_factors_of_plans() -> None:
    assert BASES["B-basis"].factor(6) == pytest.approx(3.006, abs=5e-4)
    assert BASES["A-basis"].factor(10) == pytest.approx(3.981, abs=5e-4)
    assert BASES["EN 1990 prediction"].factor(5) == pytest.approx(2.33, abs=0.012)  # EN 1990 table D1


@pytest.mark.parametrize("n", [2, 3, 5, 20, 300])
@pytest.mark.parametrize("distance", [1.5, 3.0, 10.0, 30.0])
def test_chance_is_noncentral_t(n: int, distance: float) -> None:
    """scipy.stats.nct where its tail is sound."""
    factor = BASES["A-basis"].factor(n)
    want = stats.nct.sf(factor * math.sqrt(n), n - 1, distance * math.sqrt(n))
    assert chance_bound(n, distance, factor) == pytest.approx(want, abs=1e-12)


# noncentral-t assurance: smallest n with power at n and n - 1, scipy.stats.nct (computed beforehand, printed digits)
@pytest.mark.parametrize(
    ("fraction", "confidence", "share", "assurance", "n", "at", "before"),
    [
        (0.01, 0.95, 0.75, 0.9, 11, 0.91128, 0.87294),
        (0.01, 0.95, 0.80, 0.8, 16, 0.81133, 0.78074),
        (0.01, 0.95, 0.80, 0.9, 20, 0.90027, 0.88244),
        (0.10, 0.95, 0.85, 0.8, 9, 0.81727, 0.75223),
        (0.10, 0.95, 0.85, 0.9, 11, 0.90554, 0.86759),
        (0.05, 0.75, 0.80, 0.8, 4, 0.89975, 0.78600),
        (0.05, 0.75, 0.80, 0.9, 5, 0.95391, 0.89975),
    ],
)
def test_assurance(
    fraction: float, confidence: float, share: float, assurance: float, n: int, at: float, before: float
) -> None:
    basis = Basis("stated", fraction, confidence)
    plan = plan_bound(
        25 * share, basis, mean=25, cv=0.05, family="normal", assurance=assurance, judge="one distribution"
    )
    assert plan.n == n
    assert plan.chance == pytest.approx(at, abs=6e-6)
    assert plan.chance_before == pytest.approx(before, abs=6e-6)
