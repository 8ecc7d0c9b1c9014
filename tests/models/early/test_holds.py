"""Specimens held early: gate, limits, signed roots and chances against definitions, and what must never change."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from lowtail import FAMILIES, NoAnswerError, Sample, confidence_distribution
from lowtail.many import confidence_that as confidence_many
from lowtail.many import lower_bound as low_many
from lowtail.models.distributions.empirical import held_law
from lowtail.models.distributions.families import get_family
from lowtail.models.distributions.likelihood import prepare
from lowtail.models.early import holds as early_holds
from lowtail.models.early.draws import limits_of, noise_of, share_above
from lowtail.models.early.holds import SAMPLES, Trials, calibrated_low, held_early, samples_for
from lowtail.models.early.lean_roots import Columns, signed_roots
from lowtail.models.early.signed_root import signed_root
from lowtail.models.regression.early_lines import LineTrials
from lowtail.models.regression.fit import fit_regression

NAMES = ("weibull", "normal", "lognormal")
PROOF = ([24.1, 26.3, 25.2, 23.9, *[20.5] * 8], [1, 1, 1, 1, *[0] * 8])  # 8 of 12 proof loaded to 20.5 kN


def proof_loaded(name: str, free: int, held: int, at: float, size: int, seed: int):
    """Log loads and flags of series with ``held`` specimens loaded only to the fraction ``at``, 2 breaks or more."""
    law = get_family(name).standard
    y = law.rvs(size=(4 * size, free + held), random_state=seed)
    limit = np.r_[np.full(free, np.inf), np.full(held, law.ppf(at))]
    keep = (y <= limit).sum(axis=1) >= 2
    return np.minimum(y, limit)[keep][:size], (y <= limit)[keep][:size]


# --- gate


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    ("load", "broke"),
    [
        ([24.1, 25.3, 22.8, 26.0, 23.9], [1, 1, 1, 1, 1]),  # complete
        ([22.8, 23.9, 24.1, 24.1, 24.1], [1, 1, 1, 0, 0]),  # stopped at the third break (type II)
        ([22.8, 23.9, 24.1, 25.0, 25.0], [1, 1, 1, 0, 0]),  # one load at which tests stop (type I)
        ([22.8, 23.9, 24.1, 25.0, 27.0], [1, 1, 1, 0, 0]),
    ],
)
def test_samples_without_early_holds_stay_to_the_last_bit(monkeypatch, name, load, broke) -> None:
    monkeypatch.setattr(early_holds, "Trials", None)  # nothing may be simulated
    law = confidence_distribution(Sample(load, broke), name)
    assert not law.held_early and not law.calibrated
    assert law.low(0.05, 0.9) == law.plain_low(0.05, 0.9)
    assert law.confidence_that(20.0, 0.05) == law.plain_confidence_that(20.0, 0.05)
    for many, at in ((low_many, 0.9), (lambda *a, **k: confidence_many(*a[:3], 20.0, 0.05, **k), 0.9)):
        got, plain = (many([load], [broke], name, 0.05, at, calibrated=c) for c in (True, False))
        assert got[0] == plain[0]


def test_gate_is_strictly_below_the_highest_break() -> None:
    s = prepare([[20.0, 22.0, 24.0], [24.0, 22.0, 23.0], [24.0, 22.0, 24.0]], [[1, 1, 0], [1, 1, 0], [1, 1, 0]],
                FAMILIES["weibull"])  # fmt: skip
    assert held_early(s).tolist() == [False, True, False]


def test_rows_beside_an_early_one_stay_to_the_last_bit() -> None:
    rng = np.random.default_rng(4)
    load, broke = rng.uniform(20, 25, (40, 6)), rng.random((40, 6)) < 0.8
    s = prepare(load, broke, FAMILIES["weibull"])
    passed = ~held_early(s)
    assert 5 < passed.sum() < 35
    for got, plain in (
        [low_many(load, broke, "weibull", 0.1, 0.95, calibrated=c) for c in (True, False)],
        [confidence_many(load, broke, "weibull", 18.0, 0.1, calibrated=c) for c in (True, False)],
    ):
        np.testing.assert_array_equal(got[passed], plain[passed])
        known = ~np.isnan(plain)
        assert (got[known] <= plain[known]).all() and (got[known] < plain[known]).any()


# --- parts


def test_limits_follow_kaplan_meier_given_the_break() -> None:
    z = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    broke = np.array([True, False, True, False, False, True])
    u = np.tile((np.arange(20_000) + 0.5) / 20_000, (6, 1))
    limit, count, index = limits_of(z, broke, u)
    assert limit.tolist() == [2.0, 4.0, 5.0] and count.tolist() == [1.0, 1.0, 1.0]
    loads, chance = held_law(z, broke)  # an independent implementation, ``inf`` last
    for i in (0, 2, 5):
        left = np.where(loads > z[i], chance, 0.0)
        want = left / left.sum()
        got = [(index[i] == k).mean() for k in range(4)]
        np.testing.assert_allclose(got, want, atol=1e-4)
    assert (index[[1, 3, 4]] == np.array([[0], [1], [2]])).all()  # a held specimen keeps its own load


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("p", [0.01, 0.1, 0.6])
def test_lean_roots_are_those_of_the_likelihood_engine(name: str, p: float) -> None:
    family = get_family(name)
    rng = np.random.default_rng(8)
    y = family.standard.rvs(size=(300, 7), random_state=rng)
    bar = np.where(rng.random(y.shape) < 0.5, rng.choice([-1.5, -0.5, 0.4], y.shape), np.inf)
    load = np.exp(np.minimum(y, bar)) if family.on_log else 30 + np.minimum(y, bar)
    s = prepare(load, y <= bar, family)
    s = s.rows(s.distinct)
    w = float(family.quantile(p))
    q = (w + rng.normal(0, 1.5, s.r.size) - (0 if family.on_log else -30) - s.centre) / s.scale
    z = (s.z - q[:, None]).T
    held = np.where(s.held.T, z, 0.0)  # every held specimen its own load
    found, _ = signed_roots(name, w, Columns.of(z, s.fail.T, held, s.held.T.astype(float), weibull=name == "weibull"),
                            np.ones(q.size))  # fmt: skip
    np.testing.assert_allclose(found, signed_root(s, family, w, q), atol=1e-6)


def test_noise_belongs_to_the_sample() -> None:
    z = np.array([-1.2, -0.3, 0.4, 1.1])
    value, other = noise_of("normal", z, SAMPLES)
    again, moved = noise_of("normal", z, SAMPLES)[0], noise_of("normal", z + 0.01, SAMPLES)[0]
    np.testing.assert_array_equal(value, again)
    assert np.abs(value - moved).max() > 0.5
    for each in value:  # stratified: far closer to normal than 1,024 random numbers, whose distance is about 0.027
        assert stats.kstest(each, "norm").statistic < 0.003
    assert ((other > 0) & (other < 1)).all()


def test_share_above() -> None:
    roots = np.array([1.0, np.nan, 2.0, 3.0])
    assert [share_above(roots, r) for r in (0.5, 1.0, 2.5, 3.0)] == [1.0, 0.75, 0.375, 0.25]
    assert share_above(roots, 9.0) == 0.125 and share_above(roots[1:2], 0.0) == 1.0


@pytest.mark.parametrize("n", [4, 9])
def test_chance_of_a_complete_normal_sample_is_the_noncentral_t(n: int) -> None:
    """The signed root of a complete normal sample is one to one with the t pivot (definition): only noise is left."""
    load = np.random.default_rng(n).normal(25, 1.3, (60, n))
    s = prepare(load, None, FAMILIES["normal"])
    z = stats.norm.ppf(0.05)
    q = s.z.mean(axis=1) - np.linspace(2.0, 4.0, 60) * s.z.std(axis=1, ddof=1)
    chance, _ = Trials.of(s, "normal", float(z)).chance(q)
    factor = (s.z.mean(axis=1) - q) / s.z.std(axis=1, ddof=1)
    want = stats.nct.sf(factor * np.sqrt(n), n - 1, -z * np.sqrt(n))
    error = np.sqrt(want * (1 - want) / SAMPLES)
    assert (np.abs(chance - want) < 4 * error + 1e-3).all()
    assert abs((chance - want).mean()) < 1e-3  # the noise does not repeat itself from sample to sample


# --- answers


@pytest.mark.parametrize("name", NAMES)
def test_bound_and_confidence_are_inverse_and_never_above_the_distribution(name: str) -> None:
    y, broke = proof_loaded("weibull" if name == "weibull" else "normal", 3, 17, 0.05, 12, 2)
    lowered = 0
    for a, b in zip(y, broke, strict=True):
        law = confidence_distribution(Sample(25 * np.exp(a / 15), b), name)
        for g in (0.75, 0.95, 0.99, 0.998):
            low, plain = law.low(0.05, g), law.plain_low(0.05, g)
            assert low <= plain
            if low < plain:
                lowered += 1
                assert law.confidence_that(low, 0.05) == pytest.approx(g, abs=0.002)
    assert lowered > 12


def test_chance_rises_with_the_trial_strength() -> None:
    s = prepare([PROOF[0]], [PROOF[1]], FAMILIES["weibull"])
    trials = Trials.of(s, "weibull", float(FAMILIES["weibull"].quantile(0.05)))
    chance = [float(trials.chance(np.array([q]))[0][0]) for q in np.linspace(-12, 0, 25)]
    assert (np.diff(chance) > -0.005).all() and chance[0] < 0.02 and chance[-1] > 0.5


def test_batch_and_single_agree() -> None:
    y, broke = proof_loaded("weibull", 3, 9, 0.03, 25, 5)
    load = np.exp(y / 12)
    lows, shown = low_many(load, broke, "weibull", 0.1, 0.9), confidence_many(load, broke, "weibull", 0.7, 0.1)
    for i in range(0, 25, 4):
        law = confidence_distribution(Sample(load[i], broke[i]))
        assert law.low(0.1, 0.9) == pytest.approx(lows[i], rel=1e-4)
        assert law.confidence_that(0.7, 0.1) == pytest.approx(shown[i], abs=1e-4)


def test_known_and_equal_scatter_are_left_alone() -> None:
    sample = Sample(*PROOF)
    other = Sample([11.0, 11.9, 12.3, 11.2])
    for options in ({"shape": 12.0}, {"equal_scatter": [other]}):
        law = confidence_distribution(sample, **options)
        assert law.held_early and not law.calibrated
        assert law.low(0.1, 0.95) == law.plain_low(0.1, 0.95)
    siblings = [([other.load], None)]
    got = [
        low_many([PROOF[0]], [PROOF[1]], "weibull", 0.1, 0.95, siblings=siblings, method="equal scatter", calibrated=c)
        for c in (1 > 0, 1 < 0)
    ]
    np.testing.assert_array_equal(*got)


def test_below_half_a_confidence_it_is_an_upper_bound_and_stays() -> None:
    law = confidence_distribution(Sample(*PROOF))
    assert law.low(0.1, 0.05) == law.plain_low(0.1, 0.05)
    low, high = law.interval(0.1, 0.9)
    assert low == law.low(0.1, 0.95) < law.plain_low(0.1, 0.95) and high == law.plain_low(0.1, 0.05)


def test_high_confidences_take_more_samples_or_are_refused() -> None:
    assert [samples_for(g) for g in (0.75, 0.995, 0.996, 0.9998)] == [1024, 1024, 2048, 65536]
    with pytest.raises(NoAnswerError, match=r"can tell a confidence up to 0\.9999, got 0\.99999"):
        confidence_distribution(Sample(*PROOF)).low(0.1, 0.99999)


def test_the_search_finds_the_place_where_the_chance_meets_the_level() -> None:
    s = prepare([PROOF[0]], [PROOF[1]], FAMILIES["normal"])
    w = float(FAMILIES["normal"].quantile(0.1))
    q = calibrated_low(s, FAMILIES["normal"], 0.1, 0.9, np.array([5.0]))  # from far above
    chance, h = Trials.of(s, "normal", w).chance(q)
    assert 0.098 <= chance[0] <= 0.1
    assert Trials.of(s, "normal", w).chance(q + 0.01 / h)[0] > 0.1


@pytest.mark.parametrize("name", ["weibull", "lognormal"])
def test_a_line_without_slope_asks_the_same(name: str) -> None:
    """With the column of ones alone the trend is the plain sample; each has noise of its own (standard error 0.014)."""
    load, broke = np.array(PROOF[0]), np.array(PROOF[1], dtype=bool)
    family = get_family(name)
    fit = fit_regression(load, broke, np.ones((12, 1)), family)
    w = float(family.quantile(0.1))
    y = np.log(load)
    line = LineTrials.of(y, broke, np.ones((12, 1)), np.ones(1), (fit.coef, fit.spread), family, w)
    s = prepare(load[None], broke[None], family)
    plain = Trials.of(s, name, w)
    for at in (18.0, 20.0, 21.5):
        chance, h = line.chance(np.array([(np.log(at) - fit.coef[0]) / fit.spread]))
        other, h_plain = plain.chance((np.log(at) - s.centre) / s.scale)
        assert chance[0] == pytest.approx(other[0], abs=0.045)
        assert h[0] / fit.spread == pytest.approx(h_plain[0] / s.scale[0], rel=1e-4)
