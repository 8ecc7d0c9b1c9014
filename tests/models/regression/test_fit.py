"""The regression engine: maximum, confidence distribution, random batches; against other engines and published
answers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from lowtail import FAMILIES, InputError, NoAnswerError, Sample, confidence_distribution
from lowtail.many import fit as fit_many
from lowtail.models.batches.variance import ratio_interval
from lowtail.models.distributions.families import get_family
from lowtail.models.regression.batch_tests import Batches, location_ratio, simulated_p, spread_ratio
from lowtail.models.regression.fit import fit_regression, fit_regression_many
from lowtail.models.regression.line import regression_law
from lowtail.models.regression.mixed import random_batches
from lowtail.models.regression.mixed_normal import mixed_normal
from lowtail.models.regression.trend import nested_p

SETS = Path(__file__).parents[2] / "outside" / "open_sets.csv"
LOAD = np.array([25.1, 24.4, 24.9, 23.2, 23.8, 22.1, 22.6, 21.9])
AGE = np.array([1.0, 1, 2, 4, 4, 7, 7, 9])
BROKE = np.array([True, True, True, False, True, True, False, True])
LINE = np.column_stack([np.ones(8), AGE])


def rock() -> pd.DataFrame:
    """Rock broken slowly and by shock, some held: tests/outside/open_sets.csv (values from a public repository)."""
    table = pd.read_csv(SETS)
    own = table[(table["dataset"] == "rock_slow_vs_shock") & (table["group"] != "all")]
    return own[own["group"].str.startswith("group=")].reset_index(drop=True)


@pytest.mark.parametrize("family", FAMILIES)
def test_maximum_against_a_general_optimiser(family: str) -> None:
    law = get_family(family)
    fit = fit_regression(LOAD, BROKE, LINE, family)
    y = law.transform(LOAD)

    def minus(theta: np.ndarray) -> float:
        z = (y - LINE @ theta[:2]) / np.exp(theta[2])
        density = law.standard.logpdf(z) - theta[2] - (y if law.on_log else 0)
        return -float(np.where(BROKE, density, law.standard.logsf(z)).sum())

    at = np.array([*fit.coef, np.log(fit.spread)])
    found = optimize.minimize(
        minus, at + 0.02, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-13, "maxfev": 9999}
    )
    assert fit.loglik == pytest.approx(-minus(at), abs=1e-10)
    assert found.fun == pytest.approx(-fit.loglik, abs=1e-8)
    # observed information: the curvature of the likelihood at its top
    step = 1e-3 * np.sqrt(np.diag(fit.covariance))
    for i in range(3):
        e = np.zeros(3)
        e[i] = step[i]
        curve = (minus(at + e) - 2 * minus(at) + minus(at - e)) / step[i] ** 2
        assert curve == pytest.approx(np.linalg.inv(fit.covariance)[i, i], rel=1e-3)


@pytest.mark.parametrize("family", FAMILIES)
def test_no_column_is_the_plain_fit(family: str) -> None:
    plain = fit_many(LOAD[None], BROKE[None], family)
    ours = fit_regression(LOAD, BROKE, LINE[:, :1], family)
    assert (ours.coef[0], ours.spread, ours.loglik) == pytest.approx(
        (plain.location[0], plain.spread[0], plain.loglik[0]), rel=1e-8
    )


def test_complete_normal_is_least_squares() -> None:
    import statsmodels.api as sm

    ours = fit_regression(LOAD, None, LINE, "normal")
    theirs = sm.OLS(LOAD, LINE).fit()
    assert ours.coef == pytest.approx(theirs.params, rel=1e-10)
    assert ours.loglik == pytest.approx(theirs.llf, abs=1e-10)


def test_unit_and_padding_change_nothing() -> None:
    one = fit_regression(LOAD, BROKE, LINE, "weibull")
    other = fit_regression(LOAD * 224.80894, BROKE, LINE, "weibull")
    assert other.spread == pytest.approx(one.spread, rel=1e-9)
    assert other.coef[1] == pytest.approx(one.coef[1], rel=1e-8)
    padded = fit_regression_many(
        np.append(LOAD, np.nan)[None], np.append(BROKE, False)[None], np.vstack([LINE, [1, 0]]), "weibull"
    )
    assert padded.spread[0] == pytest.approx(one.spread, rel=1e-9)


def test_refusals() -> None:
    with pytest.raises(InputError, match="follows from the others"):
        fit_regression(LOAD, BROKE, np.column_stack([LINE, 2 * AGE]))
    with pytest.raises(InputError, match="one row a load"):
        fit_regression(LOAD[:5], BROKE, LINE)
    with pytest.raises(NoAnswerError, match="no best fit"):
        fit_regression(LOAD, np.zeros(8, dtype=bool), LINE)
    with pytest.raises(NoAnswerError, match=r"at least 3 breaks at 2 different settings.*all at one setting"):
        regression_law(LOAD[:5], np.ones(5, dtype=bool), np.ones((5, 2)), "weibull")


# R 4.2.2, survival 3.5.3 (answers recorded for the set rock_slow_vs_shock, 5 groups with survivors)
@pytest.mark.parametrize(
    ("family", "place", "spread", "shape"),
    [("weibull", 68.17495614, 23.32304131, 5.925204227), ("lognormal", 65.82176295, 29.75470002, None)],
)
def test_batches_with_survivors_against_r(family: str, place: float, spread: float, shape: float | None) -> None:
    table = rock()
    label = pd.factorize(table["group"])[0]
    load, broke = table["value"].to_numpy(float), table["broke"].to_numpy(bool)
    batches, law = Batches(load, broke, label), get_family(family)
    assert location_ratio(load[None], broke[None], batches, law)[0] == pytest.approx(place, rel=1e-8)
    assert spread_ratio(load[None], broke[None], batches, law)[0] == pytest.approx(spread, rel=1e-8)
    if shape is not None:
        assert 1 / fit_regression(load, broke, batches.own, law).spread == pytest.approx(shape, rel=1e-8)


def test_law_without_a_column_is_the_engine() -> None:
    for family in ("weibull", "lognormal"):
        law = regression_law(LOAD, BROKE, LINE[:, :1], family)
        engine = confidence_distribution(Sample(LOAD, BROKE), family)
        for p, g in ((0.10, 0.95), (0.01, 0.75)):
            assert law.plain_low(np.ones(1), p, g) == pytest.approx(engine.plain_low(p, g), rel=1.5e-3)
            # the calibration of each is simulated apart: 1,024 samples, standard error 0.007 at 0.05, 0.014 at 0.75
            low = engine.plain_low(p, g)
            assert law.confidence_that(low, np.ones(1), p) == pytest.approx(engine.confidence_that(low, p), abs=0.04)


def test_complete_normal_law_is_the_published_factor() -> None:
    # one-sided tolerance factor n = 10, 95 % below with 95 % confidence: 2.911 (ISO 16269-6, from memory)
    load = np.arange(20.0, 30.0)
    law = regression_law(load, np.ones(10, dtype=bool), np.ones((10, 1)), "normal")
    assert (load.mean() - law.low(np.ones(1), 0.05, 0.95)) / load.std(ddof=1) == pytest.approx(2.911, abs=0.0005)


@pytest.mark.parametrize("family", FAMILIES)
def test_bound_and_confidence_undo_each_other(family: str) -> None:
    law = regression_law(LOAD, BROKE, LINE, family)
    x = np.array([1.0, 9.0])
    assert law.confidence_that(law.low(x, 0.10, 0.90), x, 0.10) == pytest.approx(0.90, abs=2e-3)
    assert law.low(x, 0.10, 0.95) < law.low(x, 0.10, 0.75) < law.estimate(x, 0.10)
    assert law.low(x, 0.01, 0.95) < law.low(x, 0.10, 0.95)


def test_slope_interval_of_complete_normal_is_student() -> None:
    import statsmodels.api as sm

    law = regression_law(LOAD, np.ones(8, dtype=bool), LINE, "normal")
    assert law.coefficient(1, 0.9) == pytest.approx(sm.OLS(LOAD, LINE).fit().conf_int(0.1)[1], rel=1e-9)


def test_trend_p_value_of_complete_normal_is_the_f_test() -> None:
    import statsmodels.api as sm

    wave = np.column_stack([LINE[:, 0], AGE % 3])
    all_broke = np.ones(8, dtype=bool)
    p = nested_p(LOAD, all_broke, LINE[:, :1], wave, get_family("normal"), 4000, np.random.default_rng(2))
    exact = float(sm.OLS(LOAD, wave).fit().f_pvalue)
    assert p == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / 4000))


# lme4 1.1.31 (REML; nlme agrees), answers recorded for two sets of the NIST public data library
@pytest.mark.parametrize(
    ("name", "between", "within"),
    [
        ("cotton_yarn", 0.7390347544, 1.121736102),  # 2 yarns, 6 bobbins of each
        ("graphite_epoxy_compression", 3685.953023, 7732.434212),  # 3 temperatures, 5 batches
    ],
)
def test_random_batches_against_lme4(name: str, between: float, within: float) -> None:
    table = pd.read_csv(SETS.with_name("open_batches.csv")).query("dataset == @name")
    design = np.column_stack(
        [np.ones(len(table)), pd.get_dummies(table["setting"].astype(str), drop_first=True).to_numpy(float)]
    )
    fit = random_batches(table["value"].to_numpy(float), design, pd.factorize(table["batch"])[0])
    assert fit.between**2 == pytest.approx(between, rel=1e-4)
    assert fit.within**2 == pytest.approx(within, rel=1e-5)


def test_disagreeing_optimisers_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    from lowtail.models.regression import mixed

    y, label = np.array([1.0, 1.2, 5.0, 5.1, 9.0, 9.3]), np.array([0, 0, 1, 1, 2, 2])
    monkeypatch.setattr(mixed, "_statsmodels_ratios", lambda *a: [0.0, 0.1])
    with pytest.raises(NoAnswerError, match="two ways of fitting batches at random disagree"):
        random_batches(y, np.ones((6, 1)), label)


def test_ratio_interval_balanced_is_the_f_quotient() -> None:
    # balanced one-way layout: (F / F_quantile - 1) / n, Searle, Casella and McCulloch (1992), section 3.5 (from memory)
    groups = np.array([[1.0, 1.2, 0.9], [5.0, 5.1, 5.6], [9.0, 9.3, 8.8], [3.0, 3.3, 2.7]])
    f = stats.f_oneway(*groups).statistic
    low, high = ratio_interval(groups.ravel(), np.ones((12, 1)), np.repeat(np.arange(4), 3), 0.90)
    assert low == pytest.approx((f / stats.f.ppf(0.95, 3, 8) - 1) / 3, rel=1e-8)
    assert high == pytest.approx((f / stats.f.ppf(0.05, 3, 8) - 1) / 3, rel=1e-8)


def test_bound_with_batches_is_below_the_plain_one() -> None:
    rng = np.random.default_rng(4)
    label = np.repeat(np.arange(5), 4)
    design = np.column_stack([np.ones(20), rng.uniform(0, 9, 20)])
    y = 3.2 + 0.05 * rng.standard_normal(20) + 0.05 * rng.standard_normal(5)[label]
    x = np.array([1.0, 5.0])
    plain = np.log(regression_law(np.exp(y), np.ones(20, dtype=bool), design, "lognormal").low(x, 0.1, 0.95))
    assert mixed_normal(y, design, label).low(x, 0.1, 0.95) < plain


def test_simulated_p_counts_itself() -> None:
    assert simulated_p(2.0, np.array([0.0, 1.0, np.nan, 3.0])) == pytest.approx(0.5)
