"""Bounds without a strength distribution: definitions, coverage under several distributions, survivors, refusals."""

import numpy as np
import pytest
from scipy import special, stats

from lowtail import InputError, NoAnswerError
from lowtail.models.bounds.hanson_koopmans import (
    hanson_koopmans,
    hanson_koopmans_confidence,
    hanson_koopmans_factor,
    hanson_koopmans_n,
    hanson_koopmans_rank,
)
from lowtail.models.bounds.nonparametric import (
    attribute_low,
    attribute_statement,
    fraction_weaker,
    order_statistic,
    order_statistic_confidence,
    order_statistic_n,
    order_statistic_rank,
    range_confidence,
)

LOADS = [24.1, 25.3, 22.8, 26.0, 25.5, 23.9, 24.4, 25.0]


def test_order_statistic_is_binomial() -> None:
    for n in (1, 5, 29, 300):
        for p in (0.01, 0.1, 0.5):
            for rank in (1, min(2, n), n):
                assert order_statistic_confidence(n, p, rank) == pytest.approx(
                    stats.binom.sf(rank - 1, n, p), abs=1e-13
                )


def test_order_statistic_n_is_smallest() -> None:
    rng = np.random.default_rng(5)
    for _ in range(60):
        p, g, rank = rng.uniform(0.005, 0.6), rng.uniform(0.05, 0.999), int(rng.integers(1, 12))
        n = order_statistic_n(p, g, rank)
        assert order_statistic_confidence(n, p, rank) >= g
        assert n == rank or order_statistic_confidence(n - 1, p, rank) < g


def test_order_statistic_bound() -> None:
    bound = order_statistic(LOADS, 0.25, 0.75)
    assert bound.low == 22.8 and bound.rank == 1 and bound.n_needed == 5
    assert order_statistic(LOADS, 0.5, 0.75).rank == 3  # P(Bin(8, 1/2) >= 3) = 0.855, >= 4: 0.637
    scaled = order_statistic(np.array(LOADS[::-1]) * 224.8, 0.25, 0.75)
    assert scaled.low == pytest.approx(22.8 * 224.8) and scaled.rank == 1


def test_order_statistic_says_what_n_it_needs() -> None:
    with pytest.raises(NoAnswerError, match=r"needs at least 29 specimens, got 8: .*22\.8 kN .*confidence 0\.57"):
        order_statistic(LOADS, 0.10, 0.95)


def test_order_statistic_with_survivors_stays_valid() -> None:
    # even where the specimens about to break are the ones taken off the rig (censoring that depends on strength)
    rng = np.random.default_rng(8)
    strength = stats.weibull_min.rvs(12, size=(20_000, 20), random_state=rng)
    recorded = np.where(rng.random(strength.shape) < 0.4, 0.9 * strength, strength)
    rank = order_statistic_rank(20, 0.15, 0.95)
    low = np.sort(recorded, axis=1)[:, rank - 1]
    truth = stats.weibull_min.ppf(0.15, 12)
    assert (low <= truth).mean() > (np.sort(strength, axis=1)[:, rank - 1] <= truth).mean() > 0.95


def test_range_confidence_by_simulation() -> None:
    u = np.sort(np.random.default_rng(2).random((40_000, 12)), axis=1)
    share = (u[:, -1] - u[:, 1] >= 0.7).mean()
    assert range_confidence(12, 0.7, rank=2) == pytest.approx(share, abs=0.009)


# --- Hanson-Koopmans


def integral(n: int, p: float, rank: int, factor: float) -> float:
    """The defining double integral, by the least and r-th of n exponentials, with scipy's adaptive rule."""
    from scipy.integrate import quad

    law = stats.beta(rank, n - rank + 1)

    def inner(u: float) -> float:
        return float(law.pdf(u) * (1 - (1 - min(1.0, (p / u) ** (1 / factor))) ** (rank - 1)))

    return law.cdf(p) + quad(inner, p, 1, epsabs=1e-13, epsrel=1e-13, limit=400)[0]


@pytest.mark.parametrize(
    ("n", "p", "confidence", "rank"),
    [
        (2, 0.1, 0.95, 2),
        (3, 0.01, 0.75, 2),
        (5, 0.05, 0.9, 5),
        (20, 1e-4, 0.99, 7),
        (60, 0.01, 0.95, 60),
        (7, 1e-6, 0.999, 4),
    ],
)
def test_hanson_koopmans_meets_its_integral(n: int, p: float, confidence: float, rank: int) -> None:
    factor = hanson_koopmans_factor(n, p, confidence, rank)
    assert integral(n, p, rank, factor) == pytest.approx(confidence, abs=2e-11)
    assert hanson_koopmans_confidence(n, p, rank, factor) == pytest.approx(confidence, abs=1e-12)


def test_hanson_koopmans_coverage() -> None:
    rng = np.random.default_rng(11)
    size, n, p, confidence = 20_000, 6, 0.10, 0.95
    rank = hanson_koopmans_rank(n, p, confidence)
    factor = hanson_koopmans_factor(n, p, confidence, rank)
    error = np.sqrt(0.05 * 0.95 / size)
    laws = {
        "worst case": (-np.log(rng.random((size, n))), -np.log(p)),  # ln load with F = exp(y): the limit itself
        "lognormal": (-rng.standard_normal((size, n)), -special.ndtri(p)),
        "weibull": (-np.log(rng.exponential(size=(size, n))), -np.log(-np.log1p(-p))),
    }
    covered = {}
    for name, (minus_y, minus_truth) in laws.items():
        y = np.sort(-minus_y, axis=1)
        low = y[:, rank - 1] - factor * (y[:, rank - 1] - y[:, 0])
        covered[name] = (low <= -minus_truth).mean()
    assert covered["worst case"] == pytest.approx(0.95, abs=3.5 * error)  # exact there
    assert covered["lognormal"] > 0.95 - 3 * error and covered["weibull"] > 0.95 - 3 * error  # conservative elsewhere


def test_hanson_koopmans_default_rank_depends_on_no_load() -> None:
    assert [hanson_koopmans_rank(n, 0.10, 0.95) for n in range(2, 11)] == [2, 3, 4, 4, 5, 5, 6, 6, 6]
    # these are the ranks of MIL-HDBK-17-1F Table 8.5.14 for n = 2 to 10 (from memory)


def test_hanson_koopmans_meets_the_order_statistic() -> None:
    assert hanson_koopmans_factor(28, 0.10, 0.95) > 1.0
    assert hanson_koopmans_factor(29, 0.10, 0.95) == 1.0  # where the lowest load itself is a bound
    loads = np.linspace(20, 30, 29)
    assert hanson_koopmans(loads, 0.10, 0.95).low == order_statistic(loads, 0.10, 0.95).low
    # and then a survivor anywhere does no harm
    assert hanson_koopmans(loads, 0.10, 0.95, broke=np.arange(29) != 1).low == loads[0]


def test_hanson_koopmans_n() -> None:
    n = hanson_koopmans_n(0.05, 0.90, 2.0)
    assert hanson_koopmans_factor(n, 0.05, 0.90) <= 2.0 < hanson_koopmans_factor(n - 1, 0.05, 0.90)
    assert hanson_koopmans_n(0.10, 0.95, 40.0) == 2
    assert hanson_koopmans_n(0.10, 0.95, 1.0) == 29


def test_hanson_koopmans_survivors() -> None:
    loads = [22.0, 23.0, 24.0, 25.0, 26.0]
    above = hanson_koopmans(loads, 0.10, 0.95, broke=[True, True, True, True, False])
    assert above == hanson_koopmans(loads, 0.10, 0.95)
    with pytest.raises(NoAnswerError, match=r"4 weakest strengths, but a specimen held at 23 kN, the 2-th smallest"):
        hanson_koopmans(loads, 0.10, 0.95, broke=[True, False, True, True, True])
    tie = hanson_koopmans([22.0, 23.0, 24.0, 25.0, 25.0], 0.10, 0.95, broke=[True, True, True, False, True])
    assert tie.low < 22.0  # a break and a survivor at the same load: the break counts as the weaker


def test_hanson_koopmans_refuses_equal_loads() -> None:
    with pytest.raises(NoAnswerError, match="more digits"):
        hanson_koopmans([25.0, 25.0], 0.10, 0.95)


# --- none broken


def test_attribute_statement() -> None:
    shown = attribute_statement([22.4, 24.0, 23.1], 0.10, 0.95)
    assert shown.load == 22.4 and shown.n == 3 and shown.n_needed == 29
    assert shown.fraction_shown == pytest.approx(1 - 0.05 ** (1 / 3), rel=1e-12)
    assert shown.confidence_shown == pytest.approx(1 - 0.9**3, rel=1e-12)


def test_attribute_low_uses_the_highest_loads_held() -> None:
    assert attribute_low([20.0, 21.0, 22.0, 22.0], 0.5, 0.75) == 22.0
    assert attribute_low([20.0, 21.0, 22.0, 22.0], 0.5, 0.87) == 21.0
    with pytest.raises(NoAnswerError, match=r"None of 4 specimens broke.*needs 29 that hold.*20 kN.*0\.527"):
        attribute_low([20.0, 21.0, 22.0, 22.0], 0.10, 0.95)


def test_attribute_low_is_wrong_no_more_often_than_stated() -> None:
    rng = np.random.default_rng(4)
    loads = np.sort(rng.uniform(0.6, 1.1, 9))  # fixed in advance
    low = attribute_low(loads, 0.3, 0.90)
    for scale in (0.8, 0.9, 1.0, 1.1, 1.2):
        strength = scale * stats.weibull_min.rvs(6, size=(40_000, 9), random_state=rng)
        none_broke = (strength >= loads).all(axis=1).mean()
        truth = scale * stats.weibull_min.ppf(0.3, 6)
        assert low <= truth or none_broke <= 0.10 + 0.005


def test_fraction_weaker() -> None:
    assert fraction_weaker(3, 3, 0.9) == 1.0
    x = fraction_weaker(2, 17, 0.9)
    assert stats.binom.cdf(2, 17, x) == pytest.approx(0.1, rel=1e-10)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: order_statistic(LOADS, 5, 0.95), "0.05, not 5"),
        (lambda: order_statistic([1.0, np.nan], 0.1, 0.95), "finite loads greater than 0 kN"),
        (lambda: order_statistic([[1.0]], 0.1, 0.95), "one-dimensional"),
        (lambda: order_statistic_confidence(5, 0.1, 6), "`rank` must not exceed n = 5, got 6"),
        (lambda: order_statistic_confidence(5, 0.1, 0), "`rank` must be a whole number, at least 1, got 0"),
        (lambda: range_confidence(5, 0.1, 5), "`rank` must be below n = 5"),
        (lambda: fraction_weaker(6, 5, 0.9), "`n_weaker` must not exceed n = 5, got 6"),
        (lambda: hanson_koopmans_factor(5, 0.1, 0.95, 6), "`rank` must lie between 2 and n = 5, got 6"),
        (lambda: hanson_koopmans_confidence(5, 0.1, 6, 2.0), "`rank` must lie between 2 and n = 5, got 6"),
        (lambda: hanson_koopmans_confidence(5, 0.1, 4, 0.9), "at least 1 (below it the bound is not valid), got 0.9"),
        (lambda: hanson_koopmans_n(0.1, 0.95, 0.5), "`factor` must be finite and at least 1, got 0.5"),
        (lambda: hanson_koopmans([1.0], 0.1, 0.95), "at least 2 loads"),
        (
            lambda: hanson_koopmans(LOADS, 0.1, 0.95, broke=[True]),
            "`broke` must have the shape of `load` (8,), got (1,)",
        ),
    ],
)
def test_messages(call: object, words: str) -> None:
    with pytest.raises(InputError) as caught:
        call()  # type: ignore[operator]
    assert words in str(caught.value)
