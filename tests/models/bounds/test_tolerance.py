"""Tolerance factors: their defining probability, high precision, limits and messages."""

import warnings

import mpmath as mp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from lowtail import InputError
from lowtail.models.bounds.tolerance import (
    factor_confidence,
    factor_fraction,
    prediction_factor,
    spread_factors,
    tolerance_factor,
    two_sided_tolerance_factor,
)


def miss(n: int, degrees: float, factor: float, fraction: float) -> float:
    """E[Phi(sqrt n (z - k s))] over s by adaptive integration with 22 digits."""
    with mp.workdps(22):
        z = -mp.sqrt(2) * mp.erfinv(2 * mp.mpf(fraction) - 1)
        a = mp.mpf(degrees) / 2

        def density(s: mp.mpf) -> mp.mpf:
            return mp.exp(mp.log(2) + a * mp.log(a) - mp.loggamma(a) + (2 * a - 1) * mp.log(s) - a * s * s)

        width = 1 / mp.sqrt(2 * mp.mpf(degrees))
        low, high = max(mp.mpf(0), 1 - 14 * width), 1 + 14 * width
        points = [low + (high - low) * i / 10 for i in range(11)]
        k = mp.mpf(factor)
        return float(mp.quad(lambda s: density(s) * mp.ncdf(mp.sqrt(n) * (z - k * s)), points))


@pytest.mark.parametrize(
    ("n", "fraction", "confidence"),
    [
        (2, 0.01, 0.95),
        (2, 1e-6, 0.999),
        (3, 0.10, 0.95),
        (3, 0.5, 0.5),
        (5, 0.05, 0.75),
        (10, 1e-6, 0.99),
        (30, 0.01, 0.5),
        (300, 1e-6, 0.999),
        (300, 0.5, 0.999),
    ],
)
def test_factor_meets_its_definition(n: int, fraction: float, confidence: float) -> None:
    k = tolerance_factor(n, fraction, confidence)
    # the probability is met to 1e-10 relative at k, and clearly missed at k (1 -+ 1e-9) where that is resolvable
    target = 1 - confidence
    assert miss(n, n - 1, k, fraction) == pytest.approx(target, rel=1e-10)
    if abs(k) > 1e-6:
        assert miss(n, n - 1, k - 1e-9 * abs(k), fraction) > target > miss(n, n - 1, k + 1e-9 * abs(k), fraction)


def test_pooled_degrees() -> None:
    k = tolerance_factor(4, 0.05, 0.95, degrees=36)
    assert miss(4, 36, k, 0.05) == pytest.approx(0.05, rel=1e-10)
    assert k < tolerance_factor(4, 0.05, 0.95)
    assert np.isfinite(tolerance_factor(1, 0.05, 0.95, degrees=5))


def test_limit_of_large_n() -> None:
    assert tolerance_factor(10_000_000, 0.05, 0.95) == pytest.approx(-special.ndtri(0.05), abs=2e-3)
    assert tolerance_factor(5, 0.5, 0.95) == pytest.approx(
        special.stdtrit(4, 0.95) / np.sqrt(5), rel=1e-10
    )  # Student t


def test_no_nan_where_the_noncentral_t_of_scipy_fails() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        values = [factor_confidence(n, k, 0.01) for n in (10, 30, 300) for k in (-30.0, -3.0, 0.0, 50.0)]
    assert np.isfinite(values).all()
    assert values[0] == pytest.approx(0.0, abs=1e-12)


@settings(max_examples=40, deadline=None)
@given(
    n=st.integers(2, 200),
    fraction=st.floats(1e-6, 0.5),
    confidence=st.floats(0.05, 0.999),
)
def test_factor_and_its_inverses(n: int, fraction: float, confidence: float) -> None:
    k = tolerance_factor(n, fraction, confidence)
    assert factor_confidence(n, k, fraction) == pytest.approx(confidence, abs=1e-11)
    assert factor_fraction(n, k, confidence) == pytest.approx(fraction, rel=1e-7)
    assert tolerance_factor(n, fraction, min(0.9999, confidence + 0.0005)) > k  # more confidence, lower bound
    assert tolerance_factor(n, fraction * 0.9, confidence) > k  # smaller fraction, lower bound


def test_coverage_by_simulation() -> None:
    rng = np.random.default_rng(41)
    for n, fraction, confidence in ((3, 0.10, 0.95), (5, 0.05, 0.75)):
        y = rng.standard_normal((40_000, n))
        low = y.mean(axis=1) - tolerance_factor(n, fraction, confidence) * y.std(axis=1, ddof=1)
        covered = (low <= special.ndtri(fraction)).mean()
        assert covered == pytest.approx(confidence, abs=3.5 * np.sqrt(confidence * (1 - confidence) / 40_000))


def test_mean_minus_three_s() -> None:
    # confidence that mean - 3 s lies below the 1 % and the 5 % strength, from F_nct(3 sqrt n; n - 1, -z sqrt n)
    from scipy.stats import nct

    for n in (3, 5, 10, 15, 30):
        for fraction in (0.01, 0.05):
            expected = nct.cdf(3 * np.sqrt(n), n - 1, -special.ndtri(fraction) * np.sqrt(n))
            assert factor_confidence(n, 3.0, fraction) == pytest.approx(expected, abs=1e-9)
    assert 1 - factor_fraction(5, 3.0, 0.95) == pytest.approx(0.862, abs=0.001)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: tolerance_factor(1, 0.05, 0.95), "`n` must be a whole number of specimens, at least 2, got 1"),
        (lambda: tolerance_factor(5, 5, 0.95), "0.05, not 5"),
        (lambda: tolerance_factor(5, 0.05, 1.0), "`confidence` must lie between 0 and 1"),
        (lambda: tolerance_factor(5, "x", 0.95), "`fraction_below` must lie between 0 and 1"),  # type: ignore[arg-type]
        (lambda: tolerance_factor(5, 0.05, 0.95, degrees=0), "`degrees` must be finite and greater than 0"),
        (lambda: prediction_factor(1, 0.05), "at least 2, got 1"),
        (lambda: spread_factors(True, 0.05), "`n` must be a whole number"),
        (lambda: two_sided_tolerance_factor(5, 95, 0.95), "0.95, not 95"),
    ],
)
def test_messages(call: object, words: str) -> None:
    with pytest.raises(InputError, match=words.replace("(", r"\(").replace(".", r"\.")):
        call()  # type: ignore[operator]
