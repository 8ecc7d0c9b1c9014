"""Spread prior from earlier series, and the three-parameter distribution with its refusals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from lowtail import InputError, NoAnswerError, Sample, lower_bound, scale_prior
from lowtail.checks import fit_threshold, sensitivity


def test_many_large_series_give_back_their_law():
    """Series of 200 with ln shape ~ N(ln 15, 0.3): the prior's middle and width within 4 standard errors."""
    rng = np.random.default_rng(2)
    shapes = 15 * np.exp(0.3 * rng.normal(size=60))
    series = [Sample(20 * rng.exponential(size=200) ** (1 / k)) for k in shapes]
    prior = scale_prior(series)
    assert np.log(prior.shape) == pytest.approx(np.log(15), abs=4 * 0.3 / np.sqrt(60))
    assert prior.width == pytest.approx(0.3, abs=4 * 0.3 / np.sqrt(120))
    assert "60 series" in prior.source


def test_few_small_series_give_a_wide_prior():
    rng = np.random.default_rng(3)
    few = [Sample(20 * rng.exponential(size=3) ** (1 / 15)) for _ in range(3)]
    many = [Sample(20 * rng.exponential(size=3) ** (1 / 15)) for _ in range(40)]
    assert scale_prior(few).width > scale_prior(many).width


def test_the_prior_lifts_the_bound_and_is_printed():
    rng = np.random.default_rng(5)
    past = [Sample(20 * rng.exponential(size=8) ** (1 / 15)) for _ in range(12)]
    prior = scale_prior(past, source="retirement tests of earlier years")
    sample = Sample([24.1, 25.3, 22.8], [1, 1, 0])
    own, lent = lower_bound(sample, "A-basis"), lower_bound(sample, "A-basis", prior=prior)
    assert lent.low > own.low == lent.own
    assert lent.notes[0].startswith("Assumption: ") and "retirement tests of earlier years" in lent.notes[0]


def test_prior_coverage_over_the_prior():
    """Truths drawn from the prior, no floor: coverage at least nominal within 4 Monte-Carlo errors (index r + 1)."""
    from lowtail import WEIBULL, ScalePrior
    from lowtail.models.confidence.distribution import law_with_prior

    rng = np.random.default_rng(6)
    size, hit = 400, 0
    for _ in range(size):
        k = 15 * np.exp(0.2 * rng.normal())
        strength, limit = rng.exponential(size=4) ** (1 / k), 1.02 * rng.exponential(size=4) ** (1 / 15)
        sample = Sample(np.minimum(strength, limit), strength <= limit)
        law = law_with_prior(sample, WEIBULL, ScalePrior(shape=15, width=0.2))
        hit += law.confidence_that(float((-np.log1p(-0.01)) ** (1 / k)), 0.01) <= 0.95
    assert hit / size >= 0.95 - 4 * np.sqrt(0.95 * 0.05 / size)


def test_refusals():
    good = Sample([20.0, 21.0, 22.0])
    with pytest.raises(NoAnswerError, match="at least 3 earlier series, got 2"):
        scale_prior([good, good])
    with pytest.raises(NoAnswerError, match="'tied' has fewer than 2"):
        scale_prior([good, good, Sample([20.0, 20.0], label="tied")])
    with pytest.raises(InputError, match="in kN"):
        scale_prior([good] * 3, "normal")


def test_threshold_fit_agrees_with_scipy():
    """scipy.stats.weibull_min with a free location, started at our answer, finds no higher likelihood."""
    rng = np.random.default_rng(8)
    load = 12 + 8 * rng.exponential(size=60) ** (1 / 2.2)
    found = fit_threshold(Sample(load))
    shape, at, scale = stats.weibull_min.fit(load, found.shape, loc=found.threshold, scale=found.scale)
    best = stats.weibull_min.logpdf(load, shape, at, scale).sum()
    assert found.loglik == pytest.approx(best, abs=1e-4)
    assert found.loglik == pytest.approx(
        stats.weibull_min.logpdf(load, found.shape, found.threshold, found.scale).sum(), rel=1e-10
    )
    assert found.gain >= 0 and found.threshold < found.strength_below(0.01) < np.median(load)
    assert "no confidence" in found.unusable and "threshold" in str(found)


def test_threshold_is_refused_for_small_samples():
    with pytest.raises(NoAnswerError, match="at least 20 specimens and 15 breaks, got 5 and 5"):
        fit_threshold(Sample([24.1, 25.3, 22.8, 26.0, 23.9]))
    steep = 10 + np.concatenate([[1e-5], np.random.default_rng(1).exponential(size=25)])
    with pytest.raises(NoAnswerError, match="rises without end"):
        fit_threshold(Sample(steep))


def test_sensitivity_sentence():
    steady = sensitivity(Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="sling"))
    assert (
        str(steady)
        == "sling: the three distributions give 19.1, 20.1, 20.4 kN (B-basis); the reading does not depend on it."
    )
    wild = sensitivity(Sample([24.1, 25.3, 22.8, 26.0, 17.9]), "A-basis")
    assert wild.depends_on_distribution and "depends on the choice" in str(wild)
    with pytest.raises(NoAnswerError, match="no distribution can be fitted"):
        sensitivity(Sample([20.0, 21.0], [0, 0]))
