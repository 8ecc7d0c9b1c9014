"""Right-censored maximum likelihood: against scipy and `reliability`, its own score equations, and hard samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from lowtail import FAMILIES, InputError, NoAnswerError, Sample, fit, lower_bound
from lowtail.many import fit as fit_many
from lowtail.models.distributions.families import Family, same
from lowtail.models.distributions.likelihood import OK, STATUS_TEXT

FAMILY_NAMES = tuple(FAMILIES)


def random_samples(rng, size, n, spread=0.08, held=0.3):
    strength = 20 * np.exp(-spread * rng.gumbel(size=(size, n)))
    limit = 20 * np.exp(spread * (rng.normal(size=(size, n)) + 0.5 if held else np.full((size, n), 99.0)))
    return np.minimum(strength, limit), strength <= limit


def tight(function, start, args, disp):
    """The simplex search that scipy uses, run to the end (its own default stops at 1e-4)."""
    return optimize.fmin(function, start, args=args, xtol=1e-8, ftol=1e-12, maxiter=5000, maxfun=5000, disp=0)


def test_agrees_with_scipy_censored_fit():
    """scipy.stats CensoredData fits, a general optimiser: 1e-5 relative on scaled data."""
    rng = np.random.default_rng(3)
    load, broke = random_samples(rng, 4, 8)
    for x, b in zip(load, broke, strict=True):
        if b.sum() < 2:
            continue
        scaled = x / np.median(x)
        data = stats.CensoredData.right_censored(scaled, ~b)
        shape, _, scale = stats.weibull_min.fit(data, floc=0, optimizer=tight)
        ours = fit(Sample(scaled, b))
        assert ours.shape == pytest.approx(shape, rel=1e-5)
        assert ours.scale == pytest.approx(scale, rel=1e-5)
        mean, std = stats.norm.fit(data, optimizer=tight)
        ours = fit(Sample(scaled, b), "normal")
        assert (ours.mean, ours.std) == (pytest.approx(mean, rel=1e-5), pytest.approx(std, rel=1e-5))


def test_no_direction_raises_the_likelihood():
    """Definition of a maximum: the log-likelihood, written out with scipy's distributions, falls to every side."""
    rng = np.random.default_rng(4)
    load, broke = random_samples(rng, 20, 7)
    for name in FAMILY_NAMES:
        family = FAMILIES[name]
        many = fit_many(load, broke, name)
        for i in range(20):
            if many.status[i] != OK:
                continue
            y = family.transform(load[i])

            def loglik(location, spread, y=y, family=family, i=i):
                z = (y - location) / spread
                dens = family.standard.logpdf(z) - np.log(spread) - (np.log(load[i]) if family.on_log else 0)
                return np.where(broke[i], dens, family.standard.logsf(z)).sum()

            at = loglik(many.location[i], many.spread[i])
            assert at == pytest.approx(many.loglik[i], rel=1e-10, abs=1e-9)
            step = 1e-3 * many.spread[i]
            for a, b in ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, 1)):
                assert loglik(many.location[i] + a * step, many.spread[i] + b * step) < at


@settings(max_examples=60, deadline=None)
@given(
    factor=st.sampled_from([1e-6, 1 / 4.4482216152605, 1000.0, 1e6]),
    seed=st.integers(0, 10_000),
    name=st.sampled_from(FAMILY_NAMES),
)
def test_units_change_nothing_but_the_unit(factor, seed, name):
    rng = np.random.default_rng(seed)
    load, broke = random_samples(rng, 5, 6)
    a, b = fit_many(load, broke, name), fit_many(load * factor, broke, name)
    assert (a.status == b.status).all()
    ok = a.status == OK
    if name == "normal":
        np.testing.assert_allclose(b.location[ok], a.location[ok] * factor, rtol=1e-8)
        np.testing.assert_allclose(b.spread[ok], a.spread[ok] * factor, rtol=1e-7)
    else:
        np.testing.assert_allclose(b.location[ok], a.location[ok] + np.log(factor), rtol=0, atol=1e-8)
        np.testing.assert_allclose(b.spread[ok], a.spread[ok], rtol=1e-7)


def test_row_order_and_padding_do_not_matter():
    rng = np.random.default_rng(6)
    load, broke = random_samples(rng, 30, 6)
    order = rng.permutation(6)
    padded = np.concatenate([load[:, order], np.full((30, 3), np.nan)], axis=1)
    flags = np.concatenate([broke[:, order], np.zeros((30, 3), bool)], axis=1)
    for name in FAMILY_NAMES:
        a, b = fit_many(load, broke, name), fit_many(padded, flags, name)
        np.testing.assert_allclose(a.spread, b.spread, rtol=1e-9)
        np.testing.assert_allclose(a.loglik, b.loglik, rtol=1e-9, atol=1e-9)


def hard_samples(rng, size):
    """n = 3..30, CV 0.5 to 60 %, 0 to 80 % survivors, ties, one odd value."""
    n = rng.integers(3, 31, size)
    cv = np.exp(rng.uniform(np.log(0.005), np.log(0.6), size))
    load = np.exp(-cv[:, None] * rng.gumbel(size=(size, 30)))
    load[np.arange(30) >= n[:, None]] = np.nan
    held = rng.random((size, 30)) < rng.uniform(0, 0.8, size)[:, None]
    kind = rng.integers(0, 4, size)
    coarse = np.round(load / (0.5 * cv[:, None])) * 0.5 * cv[:, None]
    load = np.where((kind == 1)[:, None] & (coarse > 0), coarse, load)
    load[kind == 2, 0] *= np.exp(rng.normal(0, 8, (kind == 2).sum()) * cv[kind == 2])
    held_high = (kind == 3)[:, None] & held
    load = np.where(held_high, np.nanmax(load, axis=1, keepdims=True), load)  # many survivors at one limit
    return load * 22.0, ~held & ~np.isnan(load)


@pytest.mark.parametrize("size", [20_000, pytest.param(1_000_000, marks=pytest.mark.slow)])
def test_hard_samples_never_fail(size):
    rng = np.random.default_rng(11)
    for start in range(0, size, 100_000):
        load, broke = hard_samples(rng, min(100_000, size - start))
        r = broke.sum(axis=1)
        top = np.nanmax(load, axis=1)
        least = np.where(broke, load, np.inf).min(axis=1)
        answer = (r > 0) & (least < top)
        for name in FAMILY_NAMES:
            many = fit_many(load, broke, name)
            assert ((many.status == OK) == answer).all()
            assert np.isfinite(many.spread[answer]).all() and (many.spread[answer] > 0).all()
            assert np.isnan(many.spread[~answer]).all()
            assert all(many.reason(i) for i in np.flatnonzero(~answer)[:50])


def test_hundreds_of_tied_survivors():
    load = np.array([20.0, 21.0, *[25.0] * 400])
    broke = np.array([True, True, *[False] * 400])
    for name in FAMILY_NAMES:
        many = fit_many(load * 1e6, broke, name)
        assert many.status[0] == OK and np.isfinite(many.spread[0])


@pytest.mark.parametrize(
    ("load", "broke", "words"),
    [
        ([20.0, 20.0, 20.0], None, "every break is tied"),
        ([20.0, 21.0, 22.0], [0, 0, 0], "no specimen broke"),
        ([20.0, 21.0, 22.0], [0, 0, 1], "every break is tied"),
    ],
)
def test_no_maximum_is_said(load, broke, words):
    with pytest.raises(NoAnswerError, match=words):
        fit(Sample(load, broke, label="sling"))
    assert words in fit_many([load], None if broke is None else [broke]).reason(0)


def test_bad_values_get_a_reason():
    many = fit_many([[20.0, -1.0, 22.0], [np.inf, 2.0, 3.0], [np.nan, np.nan, np.nan]])
    assert [many.reason(i) for i in range(3)] == [STATUS_TEXT[4]] * 3


def test_known_shape():
    """With the shape known the scale is ``(sum x^k / r)^(1/k)``: the textbook closed form."""
    x, b, k = np.array([24.0, 25.5, 22.9, 26.2]), np.array([1, 1, 1, 0], bool), 12.0
    law = fit(Sample(x, b), shape=k)
    assert law.scale == pytest.approx(((x**k).sum() / 3) ** (1 / k), rel=1e-12)
    assert law.shape == pytest.approx(k)
    assert "not fitted" in str(law)
    with pytest.raises(InputError, match="weibull"):
        fit(Sample(x, b), "normal", shape=k)
    with pytest.raises(InputError, match="greater than 0"):
        fit(Sample(x, b), shape=-1)
    with pytest.raises(NoAnswerError, match="none of 4"):
        fit(Sample(x, [0, 0, 0, 0]), shape=k)


def test_both_ways_through_the_law():
    law = fit(Sample([24.1, 25.3, 22.8, 26.0, 23.9]))
    assert law.fraction_below(law.strength_below(0.1)) == pytest.approx(0.1, rel=1e-12)
    assert law.fraction_below(law.scale) == pytest.approx(1 - np.exp(-1), rel=1e-12)
    with pytest.raises(InputError, match="between 0 and 1"):
        law.strength_below(5)
    with pytest.raises(InputError, match="greater than 0"):
        law.fraction_below(0)
    with pytest.raises(InputError, match="Weibull fit has"):
        _ = law.mean
    with pytest.raises(InputError, match="belongs to the Weibull distribution"):
        _ = fit(Sample([24.1, 25.3]), "normal").shape
    assert list(law.to_frame()["n"]) == [5]


def test_shapes_must_agree():
    with pytest.raises(InputError, match="share one"):
        fit_many([[1.0, 2.0]], [[True, False, True]])
    with pytest.raises(InputError, match="`family` must be one of"):
        fit_many([[1.0, 2.0]], family="gamma")


@pytest.mark.parametrize(
    ("name", "standard", "transform", "inverse"),
    [
        ("log-logistic", stats.logistic, np.log, np.exp),  # would be fitted as lognormal
        ("smallest extreme", stats.gumbel_l, same, same),  # would be fitted as lognormal on exp(load)
        ("weibull", stats.gumbel_l, same, same),
        ("lognormal", stats.logistic, np.log, np.exp),
    ],
)
def test_a_law_that_no_engine_knows_is_refused_and_not_taken_for_another(name, standard, transform, inverse):
    other = Family(name, standard, transform, inverse)
    for answer in (fit, lower_bound):
        with pytest.raises(InputError, match=f"`family` must be one of 'weibull', .* got '{name}' of another"):
            answer([24.1, 25.3, 22.8, 26.0], family=other)
