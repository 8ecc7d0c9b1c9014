"""Null samples with survivors: the order seen is kept, and the distribution between events is the one defined."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from lowtail import Sample
from lowtail.many import fit as fit_many
from lowtail.models.distributions.families import get_family
from lowtail.models.distributions.goodness import different_breaks, simulate_like
from lowtail.models.distributions.residuals import (
    grain_of,
    many_outlier_level,
    normed_residual_p,
    normed_residual_steps,
)
from lowtail.models.regression.batch_tests import smallest_seen

SIZE = 40_000


def hazards(sample: Sample, family: str) -> tuple[np.ndarray, np.ndarray]:
    """Cumulative hazard of the fitted distribution at every simulated load, and the flags."""
    law = get_family(family)
    load, broke = simulate_like(sample, law, SIZE, np.random.default_rng(1))
    fit = fit_many(sample.load[None], sample.broke[None], law)
    return -law.standard.logsf((law.transform(load) - fit.location[0]) / fit.spread[0]), broke


@pytest.mark.parametrize("family", ["weibull", "normal", "lognormal"])
def test_breaks_and_holds_keep_their_order_and_share_the_hazard(family: str) -> None:
    sample = Sample([24.0, 21.0, 23.0, 22.0, 25.0], [1, 1, 0, 0, 1])
    hazard, broke = hazards(sample, family)
    assert (broke == [True, False, False, True, True]).all() and (np.diff(hazard, axis=1) > 0).all()
    # proportional hazards: between events an exponential with rate (left) x (1 + holds / breaks)
    steps = np.diff(hazard, axis=1, prepend=0.0)
    rate = np.array([5, 4, 3, 2, 1]) * (1 + 2 / 3)
    assert steps.mean(axis=0) == pytest.approx(1 / rate, rel=0.03)
    assert stats.kstest(steps[:, 2] * rate[2], "expon").pvalue > 1e-3
    assert np.abs(np.corrcoef(steps.T) - np.eye(5)).max() < 0.03


def test_specimens_held_at_one_load_are_one_event() -> None:
    sample = Sample([21.0, 23.0, 23.0, 24.0, 25.0], [1, 0, 0, 1, 1])
    hazard, _ = hazards(sample, "weibull")
    assert (hazard[:, 1] == hazard[:, 2]).all()
    rate = np.array([5, 4, 2, 1]) * (1 + 1 / 3)
    assert np.diff(hazard[:, [0, 1, 3, 4]], axis=1, prepend=0.0).mean(axis=0) == pytest.approx(1 / rate, rel=0.03)


@pytest.mark.parametrize("family", ["weibull", "normal"])
def test_one_stop_load_keeps_the_number_of_breaks_below_it(family: str) -> None:
    sample = Sample([21.0, 22.5, 23.1, 24.0, 24.0], [1, 1, 1, 0, 0])
    law = get_family(family)
    load, broke = simulate_like(sample, law, SIZE, np.random.default_rng(1))
    assert (broke.sum(axis=1) == 3).all() and load[:, 3:] == pytest.approx(24.0)
    assert load[:, :3].max() <= 24.0 * (1 + 1e-12)
    # the share of the fitted distribution below the stop load, passed at random: uniform
    fit = fit_many(sample.load[None], sample.broke[None], law)
    share = law.standard.cdf((law.transform(load) - fit.location[0]) / fit.spread[0])
    assert stats.kstest((share[:, 0] / share[:, 3]), lambda u: 1 - (1 - u) ** 3).pvalue > 1e-3  # lowest of three


def test_normal_breaks_below_a_stop_load_given_their_mean_and_scatter() -> None:
    # given number, mean and scatter, breaks of a normal distribution stopped at a load lie in every direction alike, on
    # the sphere about their mean, as far as none comes out above the stop load: no parameter is left
    sample = Sample([21.0, 23.0, 23.1, 23.5, 24.0, 24.0], [1, 1, 1, 1, 0, 0])
    rng = np.random.default_rng(3)
    ways = rng.standard_normal((200_000, 4))
    ways -= ways.mean(axis=1, keepdims=True)
    ways /= np.sqrt((ways**2).sum(axis=1, keepdims=True))
    breaks = sample.load[:4]
    room = (24.0 - breaks.mean()) / np.sqrt(((breaks - breaks.mean()) ** 2).sum())
    exact = ways[ways.max(axis=1) <= room].min(axis=1)

    def lowest(load: np.ndarray) -> np.ndarray:
        away = load - load.mean(axis=1, keepdims=True)
        return (away / np.sqrt((away**2).sum(axis=1, keepdims=True))).min(axis=1)

    law = get_family("normal")
    load, _ = simulate_like(sample, law, 2000, rng)
    assert stats.ks_2samp(lowest(load[:, :4]), exact).pvalue > 1e-3
    # as many below the stop load from the fitted distribution, no more asked of them: another distribution
    fit = fit_many(sample.load[None], sample.broke[None], law)
    share = law.standard.cdf((24.0 - fit.location[0]) / fit.spread[0])
    plain = law.standard.ppf(rng.random((2000, 4)) * share)
    assert stats.ks_2samp(lowest(plain), exact).pvalue < 1e-3


def test_different_breaks_by_hand() -> None:
    load = np.array([[3.0, 3.0, 2.0, 2.0, 5.0], [1.0, 1.0, 1.0, 1.0, 1.0], [1.0, 2.0, 3.0, 4.0, 5.0]])
    broke = np.array([[1, 1, 1, 0, 0], [1, 1, 1, 1, 1], [0, 0, 0, 0, 0]], dtype=bool)
    assert different_breaks(load, broke).tolist() == [2, 1, 0]


def test_one_beside_three_ties_is_not_infinitely_far() -> None:
    # 24, 24, 24 and 24.5 are left: (max - mean) / s is (n - 1) / sqrt(n) = 1.5, its largest, at any distance
    y = [24.0, 24.0, 24.0, 24.5, 23.0]
    bare, spared = (normed_residual_steps(y, 2, step)[1][0] for step in (0.0, 0.5))
    assert bare[1] == pytest.approx(1.5) and normed_residual_p(bare[1], 4) == pytest.approx(0.0, abs=1e-7)
    assert spared[0] == bare[0]
    assert spared[1] == pytest.approx(0.375 / np.sqrt(0.0625 + 0.25 / 12))  # away 3/8, variance 1/16
    assert normed_residual_p(spared[1], 4) > 0.05


@pytest.mark.parametrize(("n", "most"), [(5, 2), (5, 3), (6, 2), (10, 2), (10, 3)])
@pytest.mark.parametrize("grain", [0.1, 0.25])
def test_many_outlier_level_of_rounded_loads_alarms_as_stated(n: int, most: int, grain: float) -> None:
    rng = np.random.default_rng(n)
    y = np.round(rng.standard_normal((20_000, n)) / grain + rng.random((20_000, 1))) * grain
    p = normed_residual_p(normed_residual_steps(y, most, grain)[1], n - np.arange(most)).min(axis=1)
    level = np.array([many_outlier_level(n, most, 0.05, float(g)) for g in grain_of(y, grain)])
    assert (p <= level).mean() == pytest.approx(0.05, abs=0.01)


def test_grain() -> None:
    # standard deviation of 1, 2, 3 is 1; powers of the fourth root of 2; at most 2; none below 0.02
    y = np.tile([1.0, 2.0, 3.0], (5, 1))
    assert grain_of(y, [0.25, 0.5, 0.6, 9.0, 0.019]) == pytest.approx([0.25, 0.5, 2**-0.75, 2.0, 0.0])


def test_smallest_effect_of_a_known_power_curve() -> None:
    # one-sided z test at 5 %: noticed 8 times in 10 at z(0.95) + z(0.80)
    def chance(effect: float) -> float:
        return float(stats.norm.sf(stats.norm.isf(0.05) - effect))

    found = smallest_seen(chance, 0.05)
    assert chance(found) == pytest.approx(0.8, abs=0.01)
    assert found == pytest.approx(stats.norm.isf(0.05) + stats.norm.ppf(0.8), abs=0.04)
    assert np.isnan(smallest_seen(lambda _: 0.05, 0.05))
