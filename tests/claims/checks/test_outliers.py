"""The outlier screen: right false alarms, nothing removed, influence."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from lowtail import InputError, NoAnswerError, Sample, confidence_distribution
from lowtail.checks import influence, outliers
from lowtail.models.distributions.residuals import (
    many_outlier_level,
    normed_residual_critical,
    normed_residual_p,
    normed_residual_steps,
    residual_detectable,
)

ODD = Sample([24.1, 25.3, 24.8, 26.0, 15.2], label="oval", specimen=["A", "B", "C", "D", "E"])


@pytest.mark.parametrize("n", [4, 5, 10])
def test_limit_alarms_as_stated(n: int) -> None:
    _, how = normed_residual_steps(np.random.default_rng(n).standard_normal((40_000, n)), 1)
    share = (how[:, 0] > normed_residual_critical(n)).mean()
    assert share == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 40_000))


@pytest.mark.parametrize(("n", "most"), [(5, 2), (8, 2), (10, 3)])
def test_many_outlier_level_alarms_as_stated_and_the_published_one_does_not(n: int, most: int) -> None:
    _, how = normed_residual_steps(np.random.default_rng(99 + n).standard_normal((40_000, n)), most)
    p = normed_residual_p(how, n - np.arange(most)).min(axis=1)
    assert (p <= many_outlier_level(n, most)).mean() == pytest.approx(0.05, abs=0.006)
    assert (p <= 0.05).mean() > 0.065


def test_screen_names_the_specimen_and_keeps_it() -> None:
    answer = outliers(ODD)
    assert (answer.number, answer.flagged, answer.specimen) == (1, ("E",), "E")
    assert answer.critical == pytest.approx(1.715, abs=0.0005)
    assert answer.residual == pytest.approx(abs(15.2 - ODD.load.mean()) / ODD.load.std(ddof=1))
    assert "stays in unless a physical reason is on record" in str(answer)
    assert answer.n == 5 and len(answer.influence) == 5


def test_two_outliers_do_not_hide_each_other() -> None:
    sample = Sample([25.0, 25.2, 25.1, 24.9, 25.05, 25.15, 24.95, 25.3, 15.0, 15.1])
    assert outliers(sample, most=1).number == 0  # masked
    assert set(outliers(sample, most=3).flagged) == {"9", "10"}


def test_quiet_sample_says_how_far_one_would_have_to_lie() -> None:
    text = str(outliers(Sample([24.1, 25.3, 24.8, 26.0, 25.1])))
    assert text.startswith("No possible outlier among 5 breaks")
    assert "must lie 8.2 standard deviations away" in text
    assert residual_detectable(5) > residual_detectable(10) > residual_detectable(20)


def test_weibull_sample_is_flagged_more_often() -> None:
    answer = outliers(Sample(24 + np.arange(10) / 5))
    y = np.log(np.random.default_rng(8).standard_exponential((20_000, 10)))
    share = (normed_residual_steps(y, 1)[1][:, 0] > normed_residual_critical(10)).mean()
    assert answer.weibull_alarm == pytest.approx(share, abs=0.01)
    assert answer.weibull_alarm > 0.1


def test_survivors_take_the_simulated_tail() -> None:
    held = Sample([24.1, 25.3, 24.8, 26.0, 25.1, 15.2], [1, 1, 0, 1, 1, 1])
    answer = outliers(held, "lognormal", size=500)
    assert answer.method == "simulated tail"
    assert answer.specimen == "6" and answer.number == 1
    assert np.isnan(answer.critical)
    with pytest.raises(InputError, match=r"`most` must lie between 1 and 1"):
        outliers(held, most=2)


def test_influence_is_the_bound_without_each() -> None:
    table = influence(ODD).set_index("specimen")
    rest = Sample(ODD.load[:4])
    assert table.loc["E", "low_without"] == pytest.approx(confidence_distribution(rest).low(0.10, 0.95), rel=1e-9)
    assert table.loc["E", "low"] == pytest.approx(confidence_distribution(ODD).low(0.10, 0.95), rel=1e-9)
    assert table["change"].abs().is_monotonic_decreasing


def test_refusals() -> None:
    with pytest.raises(NoAnswerError, match="at least 3 specimens and 2 different loads at break"):
        outliers(Sample([24.0, 24.0, 24.0]))
    with pytest.raises(InputError, match="between 0 and 1"):
        outliers(ODD, false_alarm=5)
    with pytest.raises(InputError, match=r"`n` must be at least 3"):
        normed_residual_critical(2)
    with pytest.raises(InputError, match="at least 200"):
        outliers(ODD, size=10)


@pytest.mark.parametrize("loads", [[8.73, 9.25, 9.25], [3.1415926, 2.7182818, 2.7182818], [8.73, *[9.25] * 6]])
def test_ties_do_not_put_a_specimen_infinitely_far(loads: list[float]) -> None:
    """Equal loads are equal to their recording step only: no p-value is 0."""
    steps = outliers(Sample(loads)).steps
    assert (steps["p_value"] > 0).all()


def test_p_value_beside_ties_is_that_of_the_scatter_within_the_step() -> None:
    """Two loads equal to 0.01: 0.01 ** 2 / 12 is added to s ** 2; p by Student's t with 1 degree of freedom."""
    s = np.sqrt(np.var([8.73, 9.25, 9.25], ddof=1) + 0.01**2 / 12)
    share = ((np.mean([8.73, 9.25, 9.25]) - 8.73) / s) ** 2 * 3 / 4
    t = np.sqrt(share / (1 - share))
    assert outliers(Sample([8.73, 9.25, 9.25])).p_value == pytest.approx(6 * stats.t.sf(t, 1), rel=1e-9)
