"""Prediction bounds against their definitions, Student's t, a multivariate t of scipy, and draws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

import lowtail as lt
from lowtail.models.batches.normal_batches import batch_sums
from lowtail.models.batches.weibull_batches import weibull_batches
from lowtail.models.prediction import lowest
from lowtail.models.prediction.lots import Lots, draw_lots
from lowtail.models.prediction.lowest import lowest_low, lowest_values
from lowtail.models.prediction.next_batch import NextBatch, normal_next_batch, weibull_next_batch

LOADS = np.array([24.1, 25.3, 22.8, 26.0, 23.9])
PAIRS = [24.1, 25.0, 24.6, 26.2, 27.1, 26.4, 23.5, 24.4, 23.9]
INDEX = np.repeat(np.arange(3), 3)


def low(loads, m, confidence=0.95, family="weibull", broke=None):
    law = lt.confidence_distribution(lt.Sample(loads, broke, resolution=0), family)
    return lowest_low(law, m, confidence)[0]


def weibull_by_definition(u, r, m, confidence):
    """Root of ``integral p(k) (1 + m exp(k q) / T(k))^-r dk``; u: ln load, the first r of them breaks."""
    top, t = u.max(), np.linspace(-9, 9, 20_001)
    k = np.exp(t)
    total = np.log(np.exp(np.outer(k, u - top)).sum(axis=1))
    height = (r - 1) * t + k * (u[:r] - top).sum() - r * total
    weight = np.exp(height - height.max())
    weight /= weight.sum()

    def gap(q):
        return weight @ np.exp(-r * np.logaddexp(0.0, np.log(m) + k * (q - top) - total)) - confidence

    return np.exp(optimize.brentq(gap, top - 60, top + 1, xtol=1e-12))


@pytest.mark.parametrize("m", [1, 5, 20, 1000])
@pytest.mark.parametrize("confidence", [0.75, 0.95, 0.999])
def test_weibull_by_its_definition(m, confidence):
    u = np.log(LOADS)
    assert low(LOADS, m, confidence) == pytest.approx(weibull_by_definition(u, 5, m, confidence), rel=2e-6)
    held = np.append(LOADS, [26.0, 26.0, 26.0])  # stopped at the fifth break
    expected = weibull_by_definition(np.log(held), 5, m, confidence)
    assert low(held, m, confidence, broke=[1] * 5 + [0] * 3) == pytest.approx(expected, rel=2e-6)


@pytest.mark.parametrize("n", [3, 40, 800])
def test_weibull_of_any_size_by_its_definition(n):
    loads = 25 * np.random.default_rng(n).weibull(11, n)
    for m in (1, 20):
        expected = weibull_by_definition(np.log(loads), n, m, 0.95)
        assert low(loads, m) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("n", [3, 5, 30])
@pytest.mark.parametrize("confidence", [0.6, 0.95, 0.99])
def test_one_normal_specimen_is_students_t(n, confidence):
    """Mean less t s sqrt(1 + 1/n): Hahn and Meeker (1991), Statistical Intervals, section 4.2 (from memory)."""
    loads = 25 + 2 * np.random.default_rng(n).standard_normal(n)
    factor = stats.t.ppf(confidence, n - 1) * np.sqrt(1 + 1 / n)
    expected = loads.mean() - factor * loads.std(ddof=1)
    assert low(loads, 1, confidence, "normal") == pytest.approx(max(expected, 0.0), rel=1e-7)
    u = np.log(loads)
    assert low(loads, 1, confidence, "lognormal") == pytest.approx(np.exp(u.mean() - factor * u.std(ddof=1)), rel=1e-7)


@pytest.mark.parametrize(("n", "m"), [(4, 2), (5, 5), (12, 3)])
def test_several_normal_specimens_are_a_multivariate_t(n, m):
    """All of (mean - x_i) / (s sqrt(1 + 1/n)) below a factor: correlation 1 / (n + 1), by scipy's multivariate t."""
    loads = 25 + np.random.default_rng(n).standard_normal(n)
    factor = (loads.mean() - low(loads, m, 0.95, "normal")) / loads.std(ddof=1) / np.sqrt(1 + 1 / n)
    shape = np.full((m, m), 1 / (n + 1)) + np.eye(m) * n / (n + 1)
    chance = stats.multivariate_t(shape=shape, df=n - 1, seed=1).cdf(np.full(m, factor), maxpts=200_000)
    assert chance == pytest.approx(0.95, abs=3e-4)


def test_survivors_against_draws_of_the_distribution():
    rng = np.random.default_rng(4)
    loads, broke = np.append(LOADS, [26.5] * 4), [1] * 5 + [0] * 4
    for family in ("weibull", "normal"):
        law = lt.confidence_distribution(lt.Sample(loads, broke, resolution=0), family)
        location, spread = law.draws(200_000, rng)
        z = rng.standard_normal((200_000, 3))
        w = np.log(rng.standard_exponential((200_000, 3))) if family == "weibull" else z
        y = (location[:, None] + spread[:, None] * w).min(axis=1)
        bound = law.family.transform(lowest_low(law, 3, 0.9)[0])
        assert (y >= bound).mean() == pytest.approx(0.9, abs=0.003)  # 4 standard errors


def test_survivors_of_a_normal_sample_two_ways(monkeypatch):
    """By the density of the location, and by averaging the confidence distribution over the lowest of m."""
    loads, broke = [24.1, 25.3, 22.8, 26.0, 23.9, 24.7, 27.0, 22.0], [1, 1, 1, 1, 1, 0, 0, 0]
    for m in (1, 20):
        direct = low(loads, m, 0.95, "normal", broke)
        with monkeypatch.context() as patch:
            patch.setattr(lowest, "_WHOLE", 0)
            assert low(loads, m, 0.95, "normal", broke) == pytest.approx(direct, rel=1e-8)


def test_the_search_with_early_holds_ends_close_to_the_chance_asked_for():
    series = lt.Sample([22.53, 23.07, 24.0, *[19.5] * 27], [1, 1, 1, *[0] * 27], resolution=0)
    law = lt.confidence_distribution(series)
    bound, plain = lowest.lowest_low(law, 5, 0.95)
    s, nodes = law.groups[0], lowest.prediction_nodes(law, 5, 0.95)
    q = (np.log(bound) - s.centre) / s.scale
    chance = lowest.lowest_below(nodes, lt.WEIBULL, q, 5, 3) + 2 * lowest.early_more(s, lt.WEIBULL, nodes, q, 5)
    assert bound < plain and 0.048 <= chance.item() <= 0.05


def test_values_of_the_lowest_are_its_quantiles():
    from lowtail import NORMAL, WEIBULL

    for family, law in ((WEIBULL, stats.gumbel_l), (NORMAL, stats.norm)):
        value, weight = lowest_values(family, 7)
        rank = -np.expm1(7 * law.logsf(value))
        assert rank == pytest.approx(stats.norm.cdf(np.linspace(-7.5, 7.5, value.size)), abs=1e-12)
        assert weight.sum() == pytest.approx(1.0)


def both_batches():
    y = np.log(PAIRS)
    yield lt.WEIBULL, weibull_next_batch(weibull_batches(y, np.ones(9, bool), INDEX))
    yield lt.NORMAL, normal_next_batch(batch_sums([y[i == INDEX] for i in range(3)]))


def test_next_batch_against_its_own_draws():
    rng = np.random.default_rng(8)
    for family, batch in both_batches():
        location, spread = batch.draws(300_000, rng)
        z = rng.standard_normal((300_000, 4))
        w = np.log(rng.standard_exponential((300_000, 4))) if family.name == "weibull" else z
        y = (location[:, None] + spread[:, None] * w).min(axis=1)
        for confidence in (0.75, 0.95):
            assert (y >= batch.low(family, 4, confidence)).mean() == pytest.approx(confidence, abs=0.004)


def test_one_specimen_a_batch_is_a_plain_prediction():
    """By definition: batches of one are independent specimens, so that the next one is Student's t."""
    sums = batch_sums([[x] for x in LOADS])
    expected = LOADS.mean() - stats.t.ppf(0.95, 4) * LOADS.std(ddof=1) * np.sqrt(1.2)
    assert normal_next_batch(sums).low(lt.NORMAL, 1, 0.95) == pytest.approx(expected, rel=1e-7)


def test_batches_that_agree_exactly_still_have_a_bound():
    batch = normal_next_batch(batch_sums([[24.0, 26.0], [25.0, 25.0], [24.5, 25.5]]))
    assert 15 < batch.low(lt.NORMAL, 1, 0.95) < 25
    assert isinstance(batch, NextBatch) and batch.weight.sum() == pytest.approx(1.0)


def level_by_integration(n, rejection):
    """Level of each of two limits, parameters known, so that either fails with that probability: by integration.

    Limits of the lowest and the mean of n standard normal values, both at one level (the scheme of Vangel 2002,
    Technometrics 44:242-249, from memory); n = 2 or 3.
    """
    x = np.linspace(-8, 8, 1601)
    dens = stats.norm.pdf(x) * (x[1] - x[0])

    def accepted(level):
        least = stats.norm.isf((1 - level) ** (1 / n))
        total = n * stats.norm.ppf(level) / np.sqrt(n)
        inside = np.where(x >= least, dens, 0.0)
        inside[np.searchsorted(x, least)] *= 0.5 + (x[np.searchsorted(x, least)] - least) / (x[1] - x[0])
        if n == 2:
            return inside @ stats.norm.sf(np.maximum(least, total - x))
        return inside @ stats.norm.sf(np.maximum(least, total - x[:, None] - x[None, :])) @ inside

    return optimize.brentq(lambda level: accepted(level) - (1 - rejection), rejection / 2, rejection)


@pytest.mark.parametrize("n", [2, 3])
@pytest.mark.parametrize("rejection", [0.01, 0.05])
def test_limits_with_parameters_known(n, rejection):
    size = 400_000
    lots = draw_lots(lt.NORMAL, np.zeros(size), np.ones(size), n, np.random.default_rng(2))
    least, mean, level = lots.limits(rejection)
    assert level == pytest.approx(level_by_integration(n, rejection), abs=4 * np.sqrt(rejection / size))
    assert mean == pytest.approx(stats.norm.ppf(level) / np.sqrt(n), abs=0.01)
    assert least == pytest.approx(stats.norm.isf((1 - level) ** (1 / n)), abs=0.02)


def test_either_limit_fails_exactly_as_often_as_asked_for():
    rng = np.random.default_rng(3)
    lots = Lots(rng.standard_normal(10_000), rng.standard_normal(10_000), np.zeros(10_000))
    least, mean, level = lots.limits(0.05)
    assert ((lots.lowest < least) | (lots.mean < mean)).mean() == 0.05
    assert (lots.lowest < least).mean() == (lots.mean < mean).mean() == level
    assert lots.accepted((least, mean), log=True) == 0.95
