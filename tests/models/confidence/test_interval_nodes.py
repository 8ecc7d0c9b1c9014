"""Interval terms: as the intervals shrink, the answer is that of the exact engine; and the fit's own properties."""

import numpy as np
import pytest
from scipy import optimize, stats

import lowtail as lt
from lowtail import FAMILIES, confidence_distribution
from lowtail.models.confidence.interval_nodes import interval_nodes
from lowtail.models.distributions.between import between, log_density
from lowtail.models.distributions.between_law import as_between, fine_steps, narrow

LOADS = np.array([24.1, 25.3, 22.8, 26.0, 23.9])


def stepped(loads, step, held=()):
    """The loads as a step-loading test records them, with specimens that held."""
    low = np.floor(np.asarray(loads) / step) * step
    n = len(held)
    return lt.Sample(
        np.concatenate([low, held]),
        [True] * len(low) + [False] * n,
        upper=np.concatenate([low + step, [np.nan] * n]),
    )


@pytest.mark.parametrize("family", list(FAMILIES))
@pytest.mark.parametrize("held", [(), (27.0,), (25.5, 27.0)])
def test_narrow_intervals_are_loads(family, held):
    """Width 1e-6 of the load: the bound of the exact engine to 1e-4, at every content and confidence."""
    flags = [True] * 5 + [False] * len(held)
    loads = np.concatenate([LOADS, held])
    upper = np.where(flags, loads * (1 + 1e-6), np.nan)
    exact = confidence_distribution(lt.Sample(loads, flags), family)
    law = confidence_distribution(lt.Sample(loads, flags, upper=upper), family)
    assert not law.placed
    for p, g in ((0.01, 0.95), (0.10, 0.95), (0.10, 0.75), (0.01, 0.99), (0.5, 0.05)):
        assert law.plain_low(p, g) == pytest.approx(exact.plain_low(p, g), rel=1e-4)
    assert law.low(0.1, 0.9) == pytest.approx(exact.low(0.1, 0.9), rel=1e-4)
    drawn, true = (each.draws(40_000, 1) for each in (law, exact))
    for one, other in zip(drawn, true, strict=True):  # two samples of 40,000 draws: medians within 4 errors
        assert np.median(one) == pytest.approx(np.median(other), abs=4 * 1.25 * other.std() / np.sqrt(20_000))


@pytest.mark.parametrize("family", list(FAMILIES))
def test_the_density_is_the_probability_of_each_interval(family):
    """By definition: log of F(up) - F(low), of the density, and of the share above, from scipy's distributions."""
    law = FAMILIES[family]
    sample = lt.Sample([22.0, 24.0, 25.1, 26.0], [1, 1, 1, 0], upper=[24.0, 26.0, 25.1, np.nan])
    b = as_between(sample, law, (np.zeros(1), np.ones(1)))
    location, spread = (25.0, 1.4) if family == "normal" else (np.log(25.0), 0.06)
    known = law.standard(location, spread)
    low, up = law.transform(sample.lower), law.transform(np.where(np.isfinite(sample.upper), sample.upper, 1e9))
    want = np.log(known.cdf(up[0]) - known.cdf(low[0])) + np.log(known.cdf(up[1]) - known.cdf(low[1]))
    want += known.logpdf(low[2]) + known.logsf(low[3])
    got = log_density(b, law, np.array([[1 / spread]]), np.array([[[location]]]))
    assert got[0, 0, 0] == pytest.approx(want, rel=1e-10)


@pytest.mark.parametrize("family", list(FAMILIES))
def test_far_tails_keep_their_digits(family):
    """An interval 40 spreads out: ln(F(up) - F(low)) is finite, and rises as the location comes nearer."""
    law = FAMILIES[family]
    one = np.ones((1, 1))
    b = between(20 * one, 21 * one, one, law, (np.zeros(1), np.ones(1)))
    place = law.transform(np.array([20.5]))
    spread = 0.02 if law.on_log else 0.5
    at = place + spread * np.array([-30.0, -8.0, -3.0, 0.0, 2.0, 3.0, 5.0])
    found = log_density(b, law, np.array([[1 / spread]]), at[None, None, :])[0, 0]
    assert np.isfinite(found).all()
    assert (np.diff(found)[:3] > 0).all() and (np.diff(found)[-2:] < 0).all()


def test_unit_and_order_do_not_matter():
    sample = stepped(LOADS, 1.0)
    turned = lt.Sample(1000 * sample.lower[::-1], upper=1000 * sample.upper[::-1])
    for family in FAMILIES:
        low = confidence_distribution(sample, family).low(0.1, 0.95)
        assert confidence_distribution(turned, family).low(0.1, 0.95) == pytest.approx(1000 * low, rel=1e-8)


def test_many_alike_are_counted_once():
    """The same sample with every specimen as a column of its own."""
    law = FAMILIES["weibull"]
    sample = stepped([22.1, 22.3, 23.2, 23.4, 24.1, 25.5, 20.7], 1.0)
    once = as_between(sample, law)
    assert once.low.shape[1] == 5 and once.count.sum() == 7
    apart = between(sample.lower[None], sample.upper[None], np.ones((1, 7)), law)
    q = np.array([-2.0])
    one, other = (interval_nodes(b, law).cdf(q * once.scale / b.scale, 0.0)[0] for b in (once, apart))
    assert one == pytest.approx(other, rel=1e-6)


def test_narrow_is_by_the_widest_interval_against_the_scatter_of_the_middles():
    low = np.array([[22.0, 23.0, 24.0], [22.0, 22.0, 23.0], [22.0, 23.0, 22.0]])
    up = np.array([[23.0, 24.0, 25.0], [23.0, 23.0, 24.0], [23.0, 24.0, np.inf]])
    assert narrow(low, up).tolist() == [True, False, False]  # deviations 1, 0.58 and 0.71 against a step of 1
    assert fine_steps(lt.Sample(low[0], upper=up[0]))


@pytest.mark.parametrize("family", list(FAMILIES))
def test_the_fit_is_the_top_of_the_likelihood(family):
    """Against a search of our own on scipy's distributions, for exact, interval and held specimens together."""
    law = FAMILIES[family]
    sample = lt.Sample([22.0, 24.0, 24.0, 25.1, 26.0], [1, 1, 1, 1, 0], upper=[24.0, 26.0, 26.0, np.nan, np.nan])
    found = lt.fit(sample, family)
    cdf = {
        "weibull": lambda x, a, b: stats.weibull_min(1 / b, scale=np.exp(a)),
        "normal": lambda x, a, b: stats.norm(a, b),
        "lognormal": lambda x, a, b: stats.lognorm(b, scale=np.exp(a)),
    }[family]

    def worse(at):
        known = cdf(None, at[0], np.exp(at[1]))
        parts = [np.log(known.cdf(24) - known.cdf(22)), 2 * np.log(known.cdf(26) - known.cdf(24))]
        return -sum(parts) - known.logpdf(25.1) - known.logsf(26.0)

    start = [law.transform(24.5), np.log(1.5 if family == "normal" else 0.06)]
    best = optimize.minimize(worse, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    assert found.loglik == pytest.approx(-best.fun, abs=1e-7)
    assert (found.location, found.spread) == pytest.approx((best.x[0], np.exp(best.x[1])), rel=1e-4)
    assert (found.n, found.n_broken) == (5, 4)


@pytest.mark.parametrize("family", list(FAMILIES))
def test_narrow_intervals_fit_as_loads(family):
    near = lt.fit(lt.Sample(LOADS, upper=LOADS * (1 + 1e-6)), family)
    exact = lt.fit(lt.Sample(LOADS), family)
    assert (near.location, near.spread) == pytest.approx((exact.location, exact.spread), rel=1e-4)


@pytest.mark.parametrize(
    ("low", "up"),
    [([22, 22, 22], [24, 24, 24]), ([22, 24, 22], [24, 26, 24]), ([22, 22, 23], [24, 24, 23])],
    ids=["one step", "two neighbours", "a load inside"],
)
def test_no_fit_where_all_may_have_broken_at_one_load(low, up):
    with pytest.raises(lt.NoAnswerError, match="all breaks may have happened at one load or one step"):
        lt.fit(lt.Sample(low, upper=up))


@pytest.mark.parametrize("family", list(FAMILIES))
def test_two_breaks_have_a_long_tail_of_large_spreads(family):
    """The density of ln spread falls as slowly as exp(-t) there: the grid reaches on without losing digits."""
    sample = lt.Sample([21.875, 23.75, 25.625, 25.625, 25.625], [1, 1, 0, 0, 0], upper=[22.5, 24.375, *[np.nan] * 3])
    law = confidence_distribution(sample, family)
    exact = confidence_distribution(lt.Sample(sample.middle, sample.broke), family)
    assert not law.placed
    for p, g in ((0.1, 0.75), (0.01, 0.75)):
        low, known = law.plain_low(p, g), exact.plain_low(p, g)
        assert low <= 1.02 * known and (low > 0) == (known > 0)
    assert law.confidence_that(15.0, 0.1) == pytest.approx(exact.confidence_that(15.0, 0.1), abs=0.03)


def test_an_interval_of_next_to_no_width_is_density_times_width():
    law, one = FAMILIES["normal"], np.ones((1, 1))
    for width in (1e-3, 1e-6, 1e-12):
        b = between(20 * one, (20 + width) * one, one, law, (np.zeros(1), np.ones(1)))
        got = log_density(b, law, np.array([[0.5]]), np.array([[[19.0]]]))[0, 0, 0]
        assert got == pytest.approx(
            np.log(width) + stats.norm.logpdf(20 + width / 2, 19, 2), abs=3e-3 if width < 1e-9 else 1e-6
        )  # 20 + 1e-12 itself has 4 digits
