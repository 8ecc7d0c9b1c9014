"""The cautious bound and the unseen minority: examples, definitions, limits, the batch form against the single one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

import lowtail as lt
from lowtail import NoAnswerError
from lowtail.models.bounds.cautious import cautious_bound, cautious_confidence, cautious_many
from lowtail.models.bounds.hanson_koopmans import hanson_koopmans_factor, hanson_koopmans_rank
from lowtail.models.bounds.unseen import counted, log_hazard, missed_share, mixture_low, mixture_many

TEN = np.array([24.1, 25.3, 22.8, 26.0, 23.9, 25.1, 24.4, 23.2, 25.8, 24.7])
ALL = np.ones(10, dtype=bool)


def test_example():
    """Hanson-Koopmans B-basis at n = 10: rank 6, factor 2.137 (MIL-HDBK-17-1F table 8.5.14, from memory).

    The two bounds, 20.82 and 16.39, are those of an independent prototype.
    """
    found = cautious_bound(TEN, ALL, 0.10, 0.95)
    x = np.sort(TEN)
    assert (found.method, found.rank) == ("Hanson-Koopmans", 6)
    assert found.low == pytest.approx(x[5] * (x[0] / x[5]) ** 2.137, rel=2e-4)
    assert found.low == pytest.approx(20.82, abs=5e-3)
    assert cautious_bound(TEN, ALL, 0.01, 0.95).low == pytest.approx(16.39, abs=5e-3)


def test_an_order_statistic_where_n_carries_one():
    """By definition: the largest rank k with P(Bin(n, p) >= k) >= confidence."""
    rng = np.random.default_rng(1)
    for n, p, g in ((29, 0.10, 0.95), (46, 0.10, 0.95), (100, 0.10, 0.95), (30, 0.05, 0.75)):
        load = rng.weibull(10, n)
        rank = max(k for k in range(n + 1) if stats.binom.sf(k - 1, n, p) >= g)
        found = cautious_bound(load, load > 0, p, g)
        assert (found.method, found.rank) == ("order statistic", rank)
        assert found.low == np.sort(load)[rank - 1]


def test_with_survivors():
    """By definition: what held below the lowest break is left out; x_1 and x_r are breaks; r at most their number."""
    load = np.array([20.0, 21.0, 22.0, 22.5, 23.0, 10.0, 25.0, 26.0, 27.0])
    broke = np.array([True, False, True, True, True, False, True, True, True])
    rank = hanson_koopmans_rank(8, 0.10, 0.95)
    last = np.sort(load[broke])[rank - 1]
    found = cautious_bound(load, broke, 0.10, 0.95)
    assert (found.rank, found.left_out) == (rank, 1)
    assert found.low == pytest.approx(last * (20 / last) ** hanson_koopmans_factor(8, 0.10, 0.95, rank), rel=1e-12)
    without = cautious_bound(np.delete(load, 5), np.delete(broke, 5), 0.10, 0.95)
    assert without.low == found.low
    few = cautious_bound(load, np.isin(load, [20.0, 22.0, 22.5]), 0.10, 0.95)
    assert (few.rank, few.left_out) == (3, 1)
    assert few.low == pytest.approx(22.5 * (20 / 22.5) ** hanson_koopmans_factor(8, 0.10, 0.95, 3), rel=1e-12)
    with pytest.raises(NoAnswerError, match="at least 2 breaks, got 1 of 9"):
        cautious_bound(load, load == 20.0, 0.10, 0.95)


@settings(max_examples=100, deadline=None)
@given(st.integers(3, 14), st.integers(0, 10_000), st.sampled_from([0.01, 0.10]))
def test_holding_above_the_lowest_break_never_raises_the_bound(n, seed, fraction):
    """Whatever makes them hold: at or below the bound of the strengths themselves, if all planned ranks broke."""
    rng = np.random.default_rng(seed)
    strength = 20 * rng.weibull(10, n)
    weakest = strength.min()
    broke = (rng.random(n) < 0.7) | (strength == weakest)
    load = np.where(broke, strength, np.maximum(strength * rng.uniform(0.5, 1.0, n), weakest))
    whole = cautious_bound(strength, strength > 0, fraction, 0.95)
    if broke.sum() >= whole.rank:
        assert cautious_bound(load, broke, fraction, 0.95).low <= whole.low * (1 + 1e-12)


def test_under_the_worst_distribution_survivors_cost_no_confidence():
    """Where ln F is linear in ln load the bound is exact, so that what looks at the data would show at once.

    20,000 samples under limits that have nothing to do with the strengths; 3 simulation errors.
    """
    rng = np.random.default_rng(5)
    strength = rng.random((20_000, 10))
    some = rng.random(strength.shape) < 0.5
    limits = {
        "one stop": np.full(strength.shape, 0.4),
        "a rig": 1.3 * rng.random(strength.shape) ** 0.5,
        "half at a high load": np.where(some, 0.3, 1.0),
        "a few at a very low load": np.where(rng.random(strength.shape) < 0.2, 0.001, 1.0),
    }
    for p, g in ((0.10, 0.95), (0.05, 0.75)):
        for name, limit in limits.items():
            broke = strength <= limit
            keep = broke.sum(axis=1) >= 2
            low = cautious_many(np.minimum(strength, limit)[keep], broke[keep], p, g)
            assert (low <= p).mean() >= g - 3 * np.sqrt(g * (1 - g) / keep.sum()), name


def test_ties_among_the_weakest_are_not_taken_for_no_scatter():
    load = np.array([22.0, 22.0, 22.0, 22.0, 23.0])
    with pytest.raises(NoAnswerError, match="all lie at one load"):
        cautious_bound(load, load > 0, 0.10, 0.95)


@settings(max_examples=80, deadline=None)
@given(st.integers(3, 12), st.integers(0, 10_000), st.floats(0, 0.6), st.sampled_from([0.01, 0.05, 0.10]))
def test_many_is_one_by_one(n, seed, held, fraction):
    rng = np.random.default_rng(seed)
    load, broke = np.round(20 * rng.weibull(12, (4, n)), 1), rng.random((4, n)) >= held
    many = cautious_many(load, broke, fraction, 0.95)
    for row in range(4):
        try:
            single = cautious_bound(load[row], broke[row], fraction, 0.95).low
        except NoAnswerError:
            single = np.nan
        assert many[row] == pytest.approx(single, rel=1e-6, nan_ok=True)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(3, 40),
    st.integers(0, 10_000),
    st.floats(0, 0.5),
    st.sampled_from([0.01, 0.10]),
    st.sampled_from([0.75, 0.95]),
)
def test_the_confidence_meets_the_bound(n, seed, held, fraction, confidence):
    """The confidence of the planned ranks falls with the load and passes the nominal one at the bound."""
    rng = np.random.default_rng(seed)
    load, broke = 20 * rng.weibull(12, n), rng.random(n) >= held
    broke[:2] = True
    low = cautious_bound(load, broke, fraction, confidence).low
    at = [cautious_confidence(load, broke, low * f, fraction, confidence) for f in (0.98, 1 - 1e-9, 1.02)]
    assert at[0] >= at[1] >= at[2]
    assert at[1] >= confidence - 1e-7 and at[2] < confidence


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 100.0))
def test_a_unit_scales_the_bound_and_nothing_else(seed, unit):
    load = 20 * np.random.default_rng(seed).weibull(9, 7)
    one, other = (cautious_bound(x, x > 0, 0.10, 0.95) for x in (load, load * unit))
    assert other.low == pytest.approx(one.low * unit, rel=1e-9) and other.method == one.method


def test_coverage_where_the_distribution_is_not_weibull():
    """At least 95 % in distributions log-concave in ln load, 4,000 samples each, 3 simulation errors (1 point)."""
    rng = np.random.default_rng(7)
    for draw, quantile in (
        (lambda s: rng.normal(25, 1.5, s), stats.norm.ppf(0.1, 25, 1.5)),
        (lambda s: np.exp(rng.normal(3, 0.1, s)), np.exp(stats.norm.ppf(0.1, 3, 0.1))),
        (lambda s: rng.gamma(60, 0.4, s), stats.gamma.ppf(0.1, 60, scale=0.4)),
        (lambda s: 20 * rng.weibull(12, s), 20 * (-np.log(0.9)) ** (1 / 12)),
    ):
        low = cautious_many(draw((4000, 5)), None, 0.10, 0.95)
        assert (low <= quantile).mean() >= 0.94


def test_the_share_that_could_be_missed():
    """1 - (1 - confidence)^(1/n): the exact limit with none seen; with 29 pieces 9.8 % (the rule of the 29, 0.9^29)."""
    assert missed_share(29) < 0.10 < missed_share(28)
    assert [round(100 * missed_share(n), 1) for n in (5, 8, 10, 15, 30)] == [45.1, 31.2, 25.9, 18.1, 9.5]


def test_the_hazard_solves_its_equation():
    k = np.array([2.0, 12.0, 60.0, 400.0])
    lam = np.exp(log_hazard(k, 0.01, 0.25, 0.3))
    below = 0.75 * -np.expm1(-lam) + 0.25 * -np.expm1(-lam * 0.7**-k)
    assert below == pytest.approx(0.01, rel=1e-9)


@pytest.mark.parametrize(("share", "weaker"), [(0.0, 0.3), (0.26, 0.0), (1e-10, 0.3), (0.26, 1e-10)])
def test_nothing_missed_is_the_plain_bound(share, weaker):
    plain = lt.lower_bound(lt.Sample(TEN), "A-basis").low
    assert mixture_low(TEN, ALL, 0.01, 0.95, share, weaker) == pytest.approx(plain, rel=1e-6)


@pytest.mark.parametrize(("fraction", "confidence"), [(0.10, 0.95), (0.05, 0.75)])
def test_the_mixture_bound_covers_the_mixture(fraction, confidence):
    """It lies below the mixture's percentile if all tested are of the main kind: 4,000 samples, 3 errors."""
    n, k, d = 8, 12.0, 0.3
    share = missed_share(n)
    point = float(np.exp(log_hazard(np.array([k]), fraction, share, d)[0] / k))
    load = np.random.default_rng(11).weibull(k, (4000, n))
    lows = mixture_many(load, None, fraction, confidence, share, d)
    error = np.sqrt(confidence * (1 - confidence) / 4000)
    assert np.mean(lows <= point) == pytest.approx(confidence, abs=3 * error)


@pytest.mark.parametrize(
    ("fraction", "weaker", "kn"),
    [
        (0.10, 0.0, 21.46),
        (0.10, 0.15, 19.70),
        (0.10, 0.20, 18.70),
        (0.10, 0.30, 16.45),
        (0.01, 0.0, 18.53),
        (0.01, 0.15, 16.94),
        (0.01, 0.20, 16.06),
        (0.01, 0.30, 14.12),
    ],
)
def test_mixture_example(fraction, weaker, kn):
    """To the digits of an independent prototype, and against the double integral on a plain grid.

    The shape k has the density k^(n - 2) prod x^k / (sum x^k)^n, and given it the scale's cumulative hazard at q is
    gamma with index n: the right-invariant density of a Weibull sample (Lawless 2003, from memory).
    """
    share = missed_share(10)
    found = mixture_low(TEN, ALL, fraction, 0.95, share, weaker)
    assert found == pytest.approx(kn, abs=6e-3)
    y = np.log(TEN / TEN.max())
    k = np.exp(np.linspace(np.log(1.0), np.log(300.0), 20001))
    total = np.exp(k[:, None] * y).sum(axis=1)
    density = 9 * np.log(k) + k * y.sum() - 10 * np.log(total)  # in ln k
    weight = np.exp(density - density.max())
    hazard = np.exp(log_hazard(k, fraction, share, weaker))
    with np.errstate(over="ignore"):
        below = special.gammaincc(10, hazard * np.exp(-k * np.log(found / TEN.max())) * total)
    assert weight @ below / weight.sum() == pytest.approx(0.05, abs=2e-6)


def test_the_mixture_of_many_is_that_of_each():
    rng = np.random.default_rng(3)
    load, broke = 20 * rng.weibull(12, (40, 8)), rng.random((40, 8)) < 0.6
    many = mixture_many(load, broke, 0.10, 0.95, 0.3, 0.3)
    for x, b, low in zip(load, broke, many, strict=True):
        alone = mixture_low(x, b, 0.10, 0.95, 0.3, 0.3) if b.sum() > 1 else np.nan
        assert low == pytest.approx(alone, rel=1e-6, nan_ok=True)


def test_what_held_at_a_low_load_shows_no_weaker_kind():
    """By definition: a piece counts if it broke, or held at the median break or above; where none broke all do."""
    load = np.array([20.0, 21.0, 22.0, 23.0, 20.5, 21.0, 25.0])
    broke = np.array([True, True, True, False, False, False, False])
    assert counted(load, broke).tolist() == [True, True, True, True, False, True, True]
    said = lt.checks.unseen_minority(lt.Sample(load, broke))
    assert (said.n, said.n_counted, said.share) == (7, 6, missed_share(6))
    assert "the 6 of 7 tested that broke or held as high as the median break" in str(said)
    assert counted(load, load < 0).all()


def test_the_sentence_lowers_the_bound_that_is_quoted():
    """In the proportion of the Weibull bounds: 14.12 to 18.53 above is 0.762, and 16.39 times that is 12.49."""
    sample = lt.Sample(TEN, label="ten")
    said = lt.checks.unseen_minority(sample, "A-basis", low=16.39)
    assert said.low_30 == pytest.approx(16.39 * 14.12 / 18.53, abs=0.01)
    assert str(said) == (
        "Holds for pieces like the 10 tested. A weaker kind making up as much as 26 % could have been missed (95 % "
        "confidence); if it is 15 % weaker the bound is 14.9 kN, if 30 % weaker 12.4 kN, not 16.3."
    )
    plain = lt.checks.unseen_minority(sample, "A-basis")
    assert plain.low == lt.lower_bound(sample, "A-basis").low
    assert plain.low_15 == pytest.approx(mixture_low(TEN, ALL, 0.01, 0.95, missed_share(10), 0.15), rel=1e-9)
    held = lt.Sample([20.0] * 30, [False] * 30)
    assert str(lt.checks.unseen_minority(held, low=20.0)).endswith("could have been missed (95 % confidence).")
    with pytest.raises(NoAnswerError, match="0 of 30 specimens broke"):
        lt.checks.unseen_minority(held)


def test_without_a_low_the_bound_is_the_checked_one_where_specimens_held_early():
    rng = np.random.default_rng(8)
    strength = 20 * rng.weibull(12, 12)
    limit = np.where(np.arange(12) < 4, np.inf, 15.0)
    sample = lt.Sample(np.minimum(strength, limit), strength <= limit)
    assert lt.checks.unseen_minority(sample).low == lt.lower_bound(sample, "B-basis").low
