"""An error that all loads have in common: by definition an average over it, checked against draws."""

import numpy as np
import pytest
from scipy import stats

import lowtail as lt
from lowtail import confidence_distribution
from lowtail.models.distributions.common_error import added_confidence, added_low, blurred

LOADS = [24.1, 25.3, 22.8, 26.0, 23.9]


@pytest.mark.parametrize("share", [0.002, 0.01, 0.03])
@pytest.mark.parametrize("family", ["weibull", "normal", "lognormal"])
def test_the_bound_is_a_quantile_of_percentile_times_error(family, share):
    """A quantile of 400,000 products of a drawn percentile and a drawn error, within 4 errors of its level."""
    plain, law = (confidence_distribution(lt.Sample(LOADS, common_uncertainty=c), family) for c in (0.0, share))
    location, spread = plain.draws(400_000, 5)
    percentile = plain.family.inverse(location + plain.family.quantile(0.1) * spread)
    product = percentile * np.exp(share * np.random.default_rng(6).standard_normal(400_000))
    for g in (0.75, 0.95):
        low = law.low(0.1, g)
        assert low < plain.low(0.1, g)
        assert (product > low).mean() == pytest.approx(g, abs=4 * np.sqrt(g * (1 - g) / 400_000) + 2e-4)
        assert law.confidence_that(low, 0.1) == pytest.approx(g, abs=1e-6)


def test_draws_carry_it():
    """Of ln strength it adds its variance to the location and nothing to the spread."""
    plain, law = (confidence_distribution(lt.Sample(LOADS, common_uncertainty=c), "lognormal") for c in (0.0, 0.03))
    (a, s), (b, t) = (each.draws(200_000, 3) for each in (plain, law))
    assert b.std() ** 2 - a.std() ** 2 == pytest.approx(0.03**2, rel=0.15)
    assert np.median(s) == pytest.approx(np.median(t), rel=0.01)


def test_a_normal_bound_blurs_as_normals_do():
    """For a normal confidence distribution of ln strength the errors add as squares: closed form."""
    spread, share = 0.05, 0.03
    confidence_of, low = blurred(lambda g: 20 * np.exp(-spread * stats.norm.ppf(g)), share)
    for g in (0.6, 0.75, 0.95, 0.99):
        want = 20 * np.exp(-np.hypot(spread, share) * stats.norm.ppf(g))
        assert low(g) == pytest.approx(want, rel=1e-6)
        assert confidence_of(want) == pytest.approx(g, abs=1e-6)
        assert added_low(20 * np.exp(-spread * stats.norm.ppf(g)), share, g) < want


def test_no_bound_stays_no_bound():
    """A normal series that scatters as much as it is strong shows nothing at the 1 % point, error or not."""
    sample = lt.Sample([2.0, 9.0, 30.0], common_uncertainty=0.02)
    assert confidence_distribution(sample, "normal").low(0.01, 0.95) == 0


def test_added_confidence_inverts_added_low():
    def confidence_of(load):
        return float(stats.norm.sf((np.log(load) - 3.0) / 0.05))

    for g in (0.6, 0.9, 0.99):
        low = added_low(float(np.exp(3.0 - 0.05 * stats.norm.ppf(g))), 0.02, g)
        assert added_confidence(confidence_of, low, 0.02) == pytest.approx(g, abs=1e-9)


def test_early_holds_and_a_common_error_go_together():
    """The calibration comes first, the error after it: the inverse holds, and each of them lowers the bound."""
    loads, flags = [20, 22, 24, *[18] * 27], [1, 1, 1, *[0] * 27]
    plain, law = (confidence_distribution(lt.Sample(loads, flags, common_uncertainty=c)) for c in (0.0, 0.03))
    low = law.low(0.1, 0.95)
    assert law.calibrated and low < plain.low(0.1, 0.95) < plain.plain_low(0.1, 0.95)
    assert law.confidence_that(low, 0.1) == pytest.approx(0.95, abs=1e-3)


def test_a_known_shape_carries_it():
    sample = lt.Sample(LOADS, common_uncertainty=0.03)
    without = lt.lower_bound(lt.Sample(LOADS), shape=20.0)
    found = lt.lower_bound(sample, shape=20.0)
    assert found.low < without.low and any("in common 3 %" in note for note in found.notes)
