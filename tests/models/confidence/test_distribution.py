"""The confidence engine: against the noncentral t, adaptive integration (mpmath), its own distributions, and what it
refuses."""

from __future__ import annotations

import mpmath as mp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from lowtail import NORMAL, WEIBULL, InputError, NoAnswerError, Sample, ScalePrior, confidence_distribution
from lowtail.many import confidence_that as confidence_many
from lowtail.many import lower_bound as low_many
from lowtail.models.confidence.distribution import law_with_prior

FAMILY_NAMES = ("weibull", "normal", "lognormal")


def noncentral_t_bound(x, fraction_below, confidence):
    """Definition of the one-sided tolerance bound of a normal sample (Owen 1963, SCR-607, from memory)."""
    n = len(x)
    factor = stats.nct.ppf(confidence, n - 1, -stats.norm.ppf(fraction_below) * np.sqrt(n)) / np.sqrt(n)
    return np.mean(x) - factor * np.std(x, ddof=1)


@pytest.mark.parametrize("n", [3, 4, 5, 10, 30, 300])
@pytest.mark.parametrize("confidence", [0.5, 0.75, 0.95, 0.99])
@pytest.mark.parametrize("fraction_below", [0.01, 0.05, 0.1, 0.5])
def test_normal_bound_is_the_noncentral_t_bound(n, confidence, fraction_below):
    x = 1000 + 5 * np.random.default_rng(n).normal(size=n)
    low = confidence_distribution(Sample(x), "normal").low(fraction_below, confidence)
    assert low == pytest.approx(noncentral_t_bound(x, fraction_below, confidence), rel=1e-9)


def weibull_confidence_by_mpmath(u, broke, q, fraction_below):
    """P(percentile <= q | data) by adaptive integration over ln k of the conditional distribution (Lawless 1978), 18
    digits."""
    mp.mp.dps = 18
    u = [mp.mpf(float(v)) for v in u]
    top = max(u)
    v = [x - top for x in u]
    r = int(sum(broke))
    pull = mp.fsum(x for x, b in zip(v, broke, strict=True) if b)
    hazard, shift = -mp.log(1 - mp.mpf(fraction_below)), mp.mpf(float(q)) - top

    def parts(t):
        k = mp.exp(t)
        total = mp.fsum(mp.exp(k * x) for x in v)
        return k, total, (r - 1) * t + k * pull - r * mp.log(total)

    def tail(k, total):
        x = hazard * total * mp.exp(-k * shift)
        return mp.exp(-x) * mp.fsum(x**j / mp.factorial(j) for j in range(r))

    grid = [mp.mpf(e) / 4 for e in range(-220, 40)]
    heights = [parts(t)[2] for t in grid]
    peak = max(heights)
    inside = [t for t, h in zip(grid, heights, strict=True) if h > peak - 50]
    fine = mp.mpf(1) / 2 if r < 50 else mp.mpf(1) / 8
    knots = [
        *mp.arange(inside[0], inside[-1] - 3, 2),
        *mp.arange(max(inside[-1] - 3, inside[0]), inside[-1] + fine, fine),
    ]

    def both(t):  # the density and its part below q, as one complex number: one pass
        k, total, height = parts(t)
        weight = mp.exp(height - peak)
        return mp.mpc(weight, weight * tail(k, total))

    found = mp.quad(both, knots, maxdegree=6)
    return found.imag / found.real


CASES = [
    ([20.1, 23.4, 25.0], [1, 1, 1]),
    ([20.1, 23.4, 25.0, 26.0, 21.0], [1, 1, 0, 0, 0]),
    ([24.1, 25.3, 22.8, 26.0, 23.9, 24.4, 25.2, 21.9], [1, 1, 1, 1, 0, 0, 1, 1]),
    # 300 specimens at the middles of 300 equal shares of a Weibull distribution of shape 12
    (20 * (-np.log1p(-(np.arange(300) + 0.5) / 300)) ** (1 / 12), [1] * 300),
]


SLOW = {
    *((3, tail) for tail in ((0.01, 0.95), (1e-6, 0.999), (0.5, 0.5), (0.1, 0.999))),
    (1, (1e-6, 0.999)),
    (1, (0.5, 0.5)),
    (1, (0.1, 0.999)),
    (0, (0.1, 0.999)),
    (2, (0.5, 0.5)),
}
TAILS = [(0.01, 0.95), (1e-6, 0.999), (0.5, 0.5), (0.1, 0.999)]


@pytest.mark.parametrize(
    ("case", "fraction_below", "confidence"),
    [
        pytest.param(case, *tail, marks=[pytest.mark.slow] if (case, tail) in SLOW else [])
        for case in range(len(CASES))
        for tail in TAILS
    ],
)
def test_weibull_bound_against_adaptive_integration(case, fraction_below, confidence):
    """The bound found has the probability asked for; 1e-8 relative in the bound, by its own density."""
    load, broke = CASES[case]
    u = np.log(load)
    law = confidence_distribution(Sample(load, broke))
    w = float(law.family.quantile(fraction_below))
    from lowtail.models.confidence.search import solve

    nodes = law._nodes(fraction_below, 1 - confidence)
    q = solve(nodes, w, 1 - confidence)
    scale = float(law.groups[0].scale[0])
    log_low = float(law.groups[0].centre[0] + scale * q[0])
    exact = weibull_confidence_by_mpmath(u, broke, log_low, fraction_below)
    slope = float(nodes.cdf(q, w)[1][0]) / scale
    error = float(exact - (1 - mp.mpf(confidence))) / slope  # in ln kN: the relative error of the bound
    assert abs(error) < 1e-8 * max(1.0, abs(log_low))


def normal_confidence_by_mpmath(y, broke, q, fraction_below):
    """The same for the normal with survivors, as a double integral over (location, ln spread) by mpmath."""
    mp.mp.dps = 15
    failed = [float(v) for v, b in zip(y, broke, strict=True) if b]
    held = [float(v) for v, b in zip(y, broke, strict=True) if not b]
    r, mean = len(failed), float(np.mean(failed))
    square = float(((np.array(failed) - mean) ** 2).sum())
    z = float(stats.norm.ppf(fraction_below))

    def inner(t, upper):
        spread = float(mp.exp(t))
        low, high = -12.0, min(upper, 40.0)
        if high <= low:
            return mp.mpf(0)

        def dens(v):
            out = mp.exp(-(mp.mpf(v) ** 2) / 2)
            for c in held:
                out *= mp.ncdf((mean - c) / spread + v / mp.sqrt(r))
            return out

        cuts = [low, *[c for c in (-4.0, 0.0, 4.0, 10.0) if low < c < high], high]
        return mp.quad(dens, cuts)

    def outer(t, bounded):
        spread = mp.exp(t)
        upper = float(mp.sqrt(r) * ((q - mean) / spread - z)) if bounded else 40.0
        return mp.exp(-(r - 1) * t - square / (2 * spread**2)) * inner(t, upper)

    s0 = float(np.log(np.sqrt(square / r)))
    cuts = [s0 - 3, s0 - 1, s0, s0 + 1, s0 + 3, s0 + 7, s0 + 14]
    return float(mp.quad(lambda t: outer(t, True), cuts) / mp.quad(lambda t: outer(t, False), cuts))


@pytest.mark.slow
@pytest.mark.parametrize(("fraction_below", "confidence"), [(0.1, 0.95), (0.05, 0.75)])
def test_normal_bound_with_survivors_against_adaptive_integration(fraction_below, confidence):
    load, broke = [24.1, 25.3, 22.8, 26.0, 23.9], [1, 1, 1, 0, 1]
    low = confidence_distribution(Sample(load, broke), "normal").low(fraction_below, confidence)
    assert normal_confidence_by_mpmath(load, broke, low, fraction_below) == pytest.approx(1 - confidence, abs=1e-7)


def test_normal_with_survivors_by_plain_double_sum():
    """The same integral by a brute even grid in (location, ln spread), which is good to 2e-4."""
    load, broke = np.array([24.1, 25.3, 22.8, 26.0, 23.9]), np.array([1, 1, 1, 0, 1], bool)
    t = np.linspace(np.log(0.2), np.log(400.0), 400)[:, None]
    spread = np.exp(t)
    mean = load[broke].mean()
    v = np.linspace(-12, 30, 12_001)[None, :]
    location = mean + v * spread
    logp = -4 * t + t * 1.0  # spread^-(r + 1) d spread = spread^-r d ln spread, and d location = spread dv
    logp = logp + stats.norm.logsf((26.0 - location) / spread)
    square = ((load[broke] - mean) ** 2).sum()
    logp = logp - (square + 4 * (location - mean) ** 2) / (2 * spread**2)
    p = np.exp(logp - logp.max())
    low = confidence_distribution(Sample(load, broke), "normal").low(0.05, 0.75)
    below = (location + stats.norm.ppf(0.05) * spread) <= low
    assert (p * below).sum() / p.sum() == pytest.approx(0.25, abs=2e-4)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), name=st.sampled_from(FAMILY_NAMES), factor=st.sampled_from([1e-6, 1000.0, 1e6]))
def test_properties_of_the_bound(seed, name, factor):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 9))
    load = 20 * np.exp(-0.05 * rng.gumbel(size=n))
    broke = rng.random(n) < 0.8
    if broke.sum() < 3:
        broke[:3] = True
    law = confidence_distribution(Sample(load, broke), name)
    low = law.low(0.1, 0.9)
    order = rng.permutation(n)
    assert confidence_distribution(Sample(load[order], broke[order]), name).low(0.1, 0.9) == pytest.approx(
        low, rel=1e-9
    )
    assert confidence_distribution(Sample(load * factor, broke), name).low(0.1, 0.9) == pytest.approx(
        low * factor, rel=1e-8
    )
    assert law.low(0.1, 0.95) <= low <= law.low(0.1, 0.75)
    assert law.low(0.05, 0.9) <= low <= law.low(0.2, 0.9)
    if low > 0:
        close = 0.002 if low < law.plain_low(0.1, 0.9) else 1e-9  # lowered: to the steps of the simulated samples
        assert law.confidence_that(low, 0.1) == pytest.approx(0.9, abs=close)


def test_single_and_batch_are_one_engine():
    rng = np.random.default_rng(2)
    load = 20 * np.exp(-0.06 * rng.gumbel(size=(40, 6)))
    broke = rng.random((40, 6)) < 0.7
    load[:10, 5] = np.nan
    for name in FAMILY_NAMES:
        many = low_many(load, broke, name, 0.05, 0.9)
        shown = confidence_many(load, broke, name, 15.0, 0.05)
        for i in range(40):
            there = ~np.isnan(load[i])
            sample = Sample(load[i][there], broke[i][there])
            if sample.n_broken < 2:
                assert np.isnan(many[i]) and np.isnan(shown[i])
                continue
            law = confidence_distribution(sample, name)
            assert law.low(0.05, 0.9) == pytest.approx(many[i], rel=1e-7, abs=1e-9)
            assert law.confidence_that(15.0, 0.05) == pytest.approx(shown[i], abs=1e-6)


def test_draws_follow_the_law():
    """Quantiles of the draws are the bounds: 5 binomial standard errors."""
    sample = Sample([24.1, 25.3, 22.8, 26.0, 23.9, 27.0], [1, 1, 1, 0, 1, 0])
    for name in FAMILY_NAMES:
        law = confidence_distribution(sample, name)
        location, spread = law.draws(40_000, 5)
        at = location + float(law.family.quantile(0.1)) * spread
        for confidence in (0.05, 0.5, 0.95):
            bound = law.family.transform(max(law.low(0.1, confidence), 1e-9))
            share = (at <= bound).mean()
            error = 5 * np.sqrt(confidence * (1 - confidence) / at.size)
            assert share == pytest.approx(1 - confidence, abs=error)
        again, _ = law.draws(40_000, 5)
        assert (again == location).all()


def test_interval_has_equal_tails():
    law = confidence_distribution(Sample([24.1, 25.3, 22.8, 26.0, 23.9]))
    low, high = law.interval(0.5, 0.9)
    assert law.confidence_that(low, 0.5) == pytest.approx(0.95, abs=1e-9)
    assert law.confidence_that(high, 0.5) == pytest.approx(0.05, abs=1e-9)


def test_known_shape_is_chi_square_with_two_r_plus_two():
    """``x_p = (hazard sum x^k / (chi2(g; 2r+2)/2))^(1/k)``: Nelson (1985) J. Qual. Technol. 17:140-146 (memory)."""
    x, broke, k = np.array([22.0, 24.0, 25.0, 23.0]), np.array([1, 0, 0, 1], bool), 9.0
    hazard = -np.log(1 - 0.05)
    for held in (broke, np.zeros(4, bool)):
        r = held.sum()
        expected = (hazard * (x**k).sum() / (stats.chi2.ppf(0.9, 2 * r + 2) / 2)) ** (1 / k)
        law = confidence_distribution(Sample(x, held), shape=k)
        assert law.low(0.05, 0.9) == pytest.approx(expected, rel=1e-12)
        assert law.confidence_that(expected, 0.05) == pytest.approx(0.9, abs=1e-12)
    with pytest.raises(NoAnswerError, match="one-sided"):
        law.draws(10)


@pytest.mark.parametrize("name", ["normal", "lognormal"])
def test_known_cv_covers(name):
    """Coverage of the known-spread bound by simulation: at least nominal (3 Monte-Carlo errors), survivors included."""
    rng = np.random.default_rng(8)
    cv, hit, size = 0.08, 0, 1500
    spread = np.sqrt(np.log1p(cv**2))
    for _ in range(size):
        if name == "normal":
            x = rng.normal(20, 20 * cv, 4)
            true = 20 * (1 + cv * stats.norm.ppf(0.05))
        else:
            x = 20 * np.exp(spread * rng.normal(size=4))
            true = 20 * np.exp(spread * stats.norm.ppf(0.05))
        limit = rng.normal(20.5, 20 * cv, 4)
        law = confidence_distribution(Sample(np.minimum(x, limit), x <= limit), name, cv=cv)
        hit += law.confidence_that(true, 0.05) <= 0.9
    assert hit / size >= 0.9 - 3 * np.sqrt(0.09 / size)


def test_equal_scatter_of_normal_groups_is_pooled_s():
    """Pooled s with sum(n - 1) degrees of freedom in the noncentral t: the textbook closed form."""
    rng = np.random.default_rng(9)
    groups = [Sample(rng.normal(m, 1.0, n), label=str(m)) for m, n in ((20, 4), (30, 3), (25, 6))]
    degrees = sum(g.n - 1 for g in groups)
    pooled = np.sqrt(sum(((g.load - g.load.mean()) ** 2).sum() for g in groups) / degrees)
    n = groups[0].n
    factor = stats.nct.ppf(0.95, degrees, -stats.norm.ppf(0.1) * np.sqrt(n)) / np.sqrt(n)
    law = confidence_distribution(groups[0], "normal", equal_scatter=groups)
    assert law.low(0.1, 0.95) == pytest.approx(groups[0].load.mean() - factor * pooled, rel=1e-9)


def test_one_group_shares_with_itself_alone():
    sample = Sample([24.1, 25.3, 22.8, 26.0], [1, 1, 1, 0])
    for name in FAMILY_NAMES:
        own = confidence_distribution(sample, name).low(0.1, 0.95)
        assert confidence_distribution(sample, name, equal_scatter=[sample]).low(0.1, 0.95) == pytest.approx(
            own, rel=1e-12
        )


def test_a_sharp_prior_is_a_known_shape():
    """A prior of vanishing width must give the known-shape bound (index r + 1 in both)."""
    sample = Sample([24.1, 25.3, 22.8, 26.0], [1, 1, 1, 0])
    known = confidence_distribution(sample, shape=15.0).low(0.05, 0.9)
    sharp = law_with_prior(sample, WEIBULL, ScalePrior(shape=15.0, width=1e-4)).low(0.05, 0.9)
    assert sharp == pytest.approx(known, rel=1e-5)
    none_broke = Sample([24.1, 25.3, 22.8], [0, 0, 0])
    known = confidence_distribution(none_broke, shape=15.0).low(0.05, 0.9)
    sharp = law_with_prior(none_broke, WEIBULL, ScalePrior(shape=15.0, width=1e-4)).low(0.05, 0.9)
    assert sharp == pytest.approx(known, rel=1e-5)


@pytest.mark.parametrize(
    ("load", "broke", "options", "error", "words"),
    [
        ([20.0, 21.0, 22.0], [1, 0, 0], {}, NoAnswerError, "1 of 3 specimens broke"),
        ([20.0, 20.0, 20.0], None, {}, NoAnswerError, "all at one load"),
        ([20.0, 21.0], [0, 0], {}, NoAnswerError, "0 of 2 specimens broke"),
        ([20.0, 21.0], None, {"shape": 9.0, "cv": 0.1}, InputError, "only one of"),
        ([20.0, 21.0], None, {"cv": 0.1}, InputError, "`cv` does not fit"),
        ([20.0, 21.0], None, {"shape": 0.0}, InputError, "greater than 0"),
        ([20.0, 21.0], [0, 0], {"equal_scatter": [Sample([1.0, 2.0])]}, NoAnswerError, "not a strength"),
        ([20.0], None, {"equal_scatter": [Sample([1.0, 1.0])]}, NoAnswerError, "at least one group"),
    ],
)
def test_refusals_say_what_is_missing(load, broke, options, error, words):
    with pytest.raises(error, match=words):
        confidence_distribution(Sample(load, broke, label="sling"), **options)


def test_arguments_are_checked():
    law = confidence_distribution(Sample([20.0, 21.0, 22.0]))
    with pytest.raises(InputError, match=r"not a percentage: 0\.05, not 5"):
        law.low(5, 0.95)
    with pytest.raises(InputError, match="`confidence` must lie"):
        law.low(0.05, 1.0)
    with pytest.raises(InputError, match="greater than 0 kN"):
        law.confidence_that(-1.0, 0.05)
    with pytest.raises(InputError, match="`strength` must be greater"):
        confidence_many([[1.0, 2.0]], None, "weibull", 0.0, 0.05)
    with pytest.raises(InputError, match="in kN"):
        law_with_prior(Sample([20.0, 21.0]), NORMAL, ScalePrior(shape=10, width=0.2))
    with pytest.raises(InputError, match="width"):
        ScalePrior(shape=10, width=0)
    with pytest.raises(InputError, match="below 1"):
        confidence_distribution(Sample([20.0, 21.0]), "normal", cv=5)


@pytest.mark.parametrize(("n", "broken"), [(3, 3), (5, 5), (10, 10), (8, 5)])
def test_weibull_coverage_short(n, broken):
    """True coverage of the 95 % bound, complete and stopped after ``broken`` breaks: 4 Monte-Carlo errors of 4,000."""
    rng = np.random.default_rng(100 + n)
    size = 4000
    u = np.sort(np.log(rng.exponential(size=(size, n))), axis=1)
    stop = u[:, broken - 1 : broken]
    load, broke = np.exp(np.minimum(u, stop)), u <= stop
    shown = confidence_many(load, broke, "weibull", -np.log1p(-0.1), 0.1)
    error = 4 * np.sqrt(0.95 * 0.05 / size)
    assert (shown <= 0.95).mean() == pytest.approx(0.95, abs=error)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "broken"), [(3, 3), (5, 5), (10, 10), (8, 5)])
@pytest.mark.parametrize("fraction_below", [0.01, 0.1])
def test_weibull_coverage(n, broken, fraction_below):
    """Coverage of the 95 % bound within 0.95 +- 0.006 at 10,000 repetitions."""
    rng = np.random.default_rng(1000 + n)
    u = np.sort(np.log(rng.exponential(size=(10_000, n))), axis=1)
    stop = u[:, broken - 1 : broken]
    load, broke = np.exp(np.minimum(u, stop)), u <= stop
    shown = confidence_many(load, broke, "weibull", -np.log1p(-fraction_below), fraction_below)
    assert (shown <= 0.95).mean() == pytest.approx(0.95, abs=0.006)
