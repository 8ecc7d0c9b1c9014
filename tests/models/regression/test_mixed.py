"""Batches drawn at random beside a regression: the exact quadrature, the laid distribution, and what the two must agree
on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, special, stats

from lowtail import FAMILIES, NoAnswerError
from lowtail.models.batches.normal_batches import batch_sums, pivotal_low
from lowtail.models.batches.weibull_batches import mixed_quantile
from lowtail.models.distributions.families import get_family
from lowtail.models.regression import mixed_share
from lowtail.models.regression.line import regression_law
from lowtail.models.regression.mixed import random_batches
from lowtail.models.regression.mixed_distribution import MixedLaw, mixed_law
from lowtail.models.regression.mixed_layout import layout
from lowtail.models.regression.mixed_normal import mixed_normal
from lowtail.models.regression.mixed_places import Places
from lowtail.models.regression.mixed_share import between_share

Array = np.ndarray
LABEL = np.repeat(np.arange(4), 5)
AGE = np.tile(np.linspace(0, 9, 5), 4)
WITHIN = np.column_stack([np.ones(20), AGE])
BETWEEN = np.column_stack([np.ones(20), LABEL * 3.0])
ONES = np.ones((20, 1))
X = np.array([1.0, 9.0])


def drawn(between: float, seed: int = 3, law: str = "normal") -> Array:
    """Twenty standardised loads, spread between batches in units of that within."""
    rng = np.random.default_rng(seed)
    return FAMILIES[law].standard.rvs(size=20, random_state=rng) + between * rng.standard_normal(4)[LABEL]


def held_by_a_rig(law: str, between: float = 1.0) -> tuple[Array, Array]:
    """Loads and flags, about 3 in 10 held."""
    y = drawn(between, 7, law)
    rig = 0.8 + FAMILIES[law].standard.rvs(size=20, random_state=np.random.default_rng(8))
    return 25 * np.exp(0.06 * np.minimum(y, rig)), y <= rig


def exact_below(y: Array, design: Array, x: Array, z: float, low: float) -> float:
    """The definition, by covariance matrices: noncentral t given rho, restricted likelihood, d rho / (1/5 + rho).

    What lies on rho < 0 (where the covariance is still one) counts at rho = 0.
    """
    free = y.size - design.shape[1]

    def given(rho: float) -> tuple[float, float]:
        v = np.eye(20) + rho * (LABEL[:, None] == LABEL[None, :])
        inner = design.T @ np.linalg.solve(v, design)
        coef = np.linalg.solve(inner, design.T @ np.linalg.solve(v, y))
        rest = y - design @ coef
        squares = float(rest @ np.linalg.solve(v, rest))
        log_like = -0.5 * (np.linalg.slogdet(v)[1] + np.linalg.slogdet(inner)[1] + free * np.log(squares))
        h, s = np.sqrt(x @ np.linalg.solve(inner, x)), np.sqrt(squares / free)
        below = stats.nct.sf((x @ coef - low) / (s * h), free, -z * np.sqrt(1 + rho) / h) if rho >= 0 else 0.0
        return float(log_like), float(below)

    grid = np.linspace(-9, 18, 1081)  # ln(1 + 5 rho)
    log_like, below = np.array([given(np.expm1(u) / 5) for u in grid]).T
    below[grid < 0] = given(0.0)[1]
    like = np.exp(log_like - log_like.max())
    return float(integrate.simpson(like * below, x=grid) / integrate.simpson(like, x=grid))


@pytest.mark.parametrize("between", [0.0, 1.0, 3.0])
@pytest.mark.parametrize("name", ["within", "between"])
def test_the_exact_bound_has_its_probability(between: float, name: str) -> None:
    design, y = {"within": WITHIN, "between": BETWEEN}[name], drawn(between)
    low = mixed_normal(y, design, LABEL).low(X, 0.10, 0.95)
    assert exact_below(y, design, X, float(special.ndtri(0.10)), low) == pytest.approx(0.05, abs=2e-4)


@pytest.mark.parametrize("between", [0.0, 0.5, 1.0, 6.0])
def test_without_a_trend_it_is_the_pivotal_bound(between: float) -> None:
    # the pivotal quantity differs only in keeping variances below zero: their probability is by its definition that of
    # an F above the quotient of mean squares, the p-value of the one-way analysis, and lies here on rho = 0
    y = drawn(between)
    groups = [y[label == LABEL] for label in range(4)]
    ours = mixed_normal(y, ONES, LABEL)
    assert ours.weight[ours.rho == 0].sum() == pytest.approx(stats.f_oneway(*groups).pvalue, abs=1e-4)
    low, pivotal = ours.low(np.ones(1), 0.10, 0.95), pivotal_low(batch_sums(groups), 0.10, 0.95)
    if between == 6.0:  # next to none there: the same bound
        assert low == pytest.approx(pivotal, rel=1e-6)
    else:  # else the distances from the mean differ by less than 5 %
        assert (y.mean() - low) / (y.mean() - pivotal) == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("p", [0.10, 0.01])
@pytest.mark.parametrize("between", [0.0, 1.0, 3.0])
@pytest.mark.parametrize("name", ["ones", "within", "between"])
def test_the_laid_law_is_the_exact_one_where_every_specimen_broke(between: float, name: str, p: float) -> None:
    design = {"ones": ONES, "within": WITHIN, "between": BETWEEN}[name]
    x, y = X[: design.shape[1]], 30 + drawn(between)
    exact = mixed_normal(y, design, LABEL)
    laid = mixed_law(y, np.ones(20, dtype=bool), design, LABEL, "normal").low(x, p, 0.95)
    low, middle = exact.low(x, p, 0.95), float(x @ np.linalg.lstsq(design, y, rcond=None)[0])
    assert abs(laid - low) < 0.01 * (middle - low)
    assert exact.below(laid, x, float(special.ndtri(p))) == pytest.approx(0.05, abs=0.003)


@pytest.mark.parametrize("family", ["weibull", "lognormal"])
def test_without_spread_between_batches_it_is_the_regression(family: str) -> None:
    load, broke = held_by_a_rig(family)
    whole = mixed_law(load, broke, WITHIN, LABEL, family)
    none = whole.ratio == 0
    alone = replace(
        whole, points=whole.points[none], k=whole.k[none], ratio=whole.ratio[none],
        weight=whole.weight[none] / whole.weight[none].sum(),
    )  # fmt: skip
    plain = regression_law(load, broke, WITHIN, family)
    for p in (0.10, 0.01):
        assert np.exp(alone.low(X, p, 0.95)) == pytest.approx(plain.low(X, p, 0.95), rel=5e-3)
    assert whole.low(X, 0.10, 0.95) < np.log(plain.low(X, 0.10, 0.95))


def test_weibull_with_survivors_against_a_dense_grid() -> None:
    # the same distribution on a grid of (place, ln spread, ln rho), the shift of each batch on a grid of its own; the
    # places reach as far as the normal scatter between batches does
    load = np.array([24.0, 25.5, 26.0, 22.0, 23.5, 24.5, 25.0, 27.0, 27.5])
    broke = np.array([True, True, False, True, True, True, True, False, True])
    label, y = np.repeat(np.arange(3), 3), np.log(load)
    ours = mixed_law(load, broke, np.ones((9, 1)), label, "weibull")
    noise = float(np.mean([1 / 2, 1 / 3, 1 / 2]))
    low = ours.low(np.ones(1), 0.10, 0.95)

    def given(rho: float, wide: float) -> tuple[float, float]:
        """Integral over the place, and the part where the 10 % strength of a batch yet to come is at most ``low``."""
        far = 6 * wide * np.sqrt(rho)
        own = np.linspace(y.min() - 5 * wide, y.max() + 20 * wide, 1001)  # a batch's own place
        place = np.linspace(own[0] - far, own[-1] + far, 301)
        z = (y[:, None] - own) / wide
        each = np.where(broke[:, None], z - np.log(wide), 0.0) - np.exp(z)
        batch = np.exp([each[label == i].sum(axis=0) for i in range(3)])
        if rho == 0:
            like = np.array([np.interp(place, own, one) for one in batch]).prod(axis=0)
        else:
            like = (stats.norm.pdf(own, place[:, None], wide * np.sqrt(rho)) @ batch.T * (own[1] - own[0])).prod(axis=1)
        below = place + wide * float(mixed_quantile(0.10, np.array(np.sqrt(rho)))) <= low
        return like.sum() * (place[1] - place[0]), like[below].sum() * (place[1] - place[0])

    grid, spreads = np.linspace(-5, 14, 39), np.exp(np.linspace(np.log(0.008), np.log(0.6), 33))
    whole, part = np.array(
        [np.sum([given(rho, wide) for wide in spreads], axis=0) for rho in np.append(0.0, noise * np.exp(grid))]
    ).T
    # the restricted likelihoods agree on the grid where both have a node, and so does the probability of the bound
    both = np.arange(1, ours.rho.size)
    assert np.log(whole[2 * both - 1] / whole[1]) == pytest.approx((ours.log_like - ours.log_like[1])[both], abs=0.02)
    at_zero = ours.weight[ours.ratio == 0].sum() / ours.weight[ours.ratio == np.sqrt(ours.rho[1])].sum()
    prior = np.append(at_zero * special.expit(-5.0) * whole[1] / whole[0], 0.5 * special.expit(grid))
    prior[1] /= 2
    assert prior @ part / (prior @ whole) == pytest.approx(0.05, abs=0.004)


@pytest.mark.parametrize("family", ["weibull", "normal"])
@pytest.mark.parametrize("rho", [0.3, 2.0, 500.0])
def test_places_of_batches_against_quadrature(family: str, rho: float) -> None:
    law = get_family(family)
    z = np.array([-0.4, 0.9, 0.2, 0.6, 1.5])  # the second batch held throughout
    broke = np.array([True, False, True, False, False])
    places = Places(broke, np.array([0, 3]), np.array([3, 2]), law)

    def batch(mine: slice) -> float:
        def inside(v: float) -> float:
            a = z[mine] - v
            each = np.where(broke[mine], law.standard.logpdf(a), law.standard.logsf(a)).sum()
            return float(np.exp(each) * stats.norm.pdf(v, scale=np.sqrt(rho)))

        reach = 12 * np.sqrt(rho)
        return float(np.log(integrate.quad(inside, -reach, reach, points=[-3, 0, 3], limit=400)[0]))

    expected = batch(slice(0, 3)) + batch(slice(3, 5))
    assert places.log_likelihood(z[None], rho)[0] == pytest.approx(expected, abs=2e-3)


def test_share_of_the_variance() -> None:
    y = 30 + drawn(1.5)
    broke = np.ones(20, dtype=bool)
    ratio = random_batches(y, WITHIN, LABEL).ratio
    law = get_family("normal")
    laid = mixed_law(y, broke, WITHIN, LABEL, law)
    assert between_share(y, broke, WITHIN, LABEL, law, mixed_normal(y, WITHIN, LABEL)) == ratio / (1 + ratio)
    assert between_share(y, broke, WITHIN, LABEL, law, laid) == pytest.approx(ratio / (1 + ratio), abs=0.01)
    still = 30 + drawn(0.0) - np.repeat([drawn(0.0)[i == LABEL].mean() for i in range(4)], 5)
    none = mixed_law(still, broke, WITHIN, LABEL, law)
    assert between_share(still, broke, WITHIN, LABEL, law, none) == 0.0


def test_two_ways_that_disagree_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    load, broke = held_by_a_rig("weibull", 2.0)
    law, laid = get_family("weibull"), mixed_law(load, broke, WITHIN, LABEL, "weibull", count=2**9)
    assert 0 < between_share(load, broke, WITHIN, LABEL, law, laid) < 1
    astray = replace(laid, log_like=np.append(laid.log_like[:-1], 1e9))  # the grid names a wrong node as its highest
    with pytest.raises(NoAnswerError, match="two ways of fitting batches at random disagree"):
        between_share(load, broke, WITHIN, LABEL, law, astray)
    assert mixed_share.between_share is between_share


@pytest.mark.parametrize("engine", ["exact", "laid"])
def test_batches_that_cannot_be_told_from_the_trend(engine: str) -> None:
    def ask(y: Array, design: Array, label: Array) -> object:
        if engine == "exact":
            return mixed_normal(y, design, label, who="Group 'sling'")
        return mixed_law(np.exp(y), np.ones(y.size, dtype=bool), design, label, "weibull", who="Group 'sling'")

    two = LABEL // 2
    with pytest.raises(NoAnswerError, match=r"2 batches with breaks and the trend are confounded\. Test more than 2"):
        ask(drawn(1.0), np.column_stack([np.ones(20), two]), two)
    with pytest.raises(NoAnswerError, match="1 batch with breaks and the trend are confounded"):
        ask(drawn(1.0), WITHIN, np.zeros(20, dtype=np.intp))
    with pytest.raises(NoAnswerError, match="nothing varies within the batches"):
        ask(drawn(1.0), WITHIN, np.arange(20))
    with pytest.raises(NoAnswerError, match="nothing varies within the batches"):
        ask(np.array([1.0, 2, 3, 4])[LABEL], ONES, LABEL)


def test_the_mass_below_zero_is_that_of_the_likelihood() -> None:
    # balanced and complete: the closed form is the integral of the likelihood over -1/5 < rho < 0, by its definition
    y = drawn(0.5)
    plan = layout(y, np.ones(20, dtype=bool), ONES, LABEL, "This sample")
    assert (plan.batches, plan.between, plan.free, plan.noise, plan.trace) == pytest.approx((4, 3, 19, 0.2, 15.0))
    means = np.array([y[i == LABEL].mean() for i in range(4)])
    between, within = 5 * ((means - means.mean()) ** 2).sum(), ((y - means[LABEL]) ** 2).sum()

    def like(r: float) -> float:
        return float(r**-1.5 * (between / r + within) ** -9.5 / (between + within) ** -9.5)

    expected = integrate.quad(lambda r: like(r) / r, 0, 1)[0]
    slope = 5 * (-1.5 + 9.5 * between / (between + within))
    assert plan.below_zero(slope) == pytest.approx(expected, rel=1e-6)


def test_the_law_is_a_law() -> None:
    load, broke = held_by_a_rig("weibull")
    law = mixed_law(load, broke, WITHIN, LABEL, "weibull")
    assert isinstance(law, MixedLaw) and law.weight.sum() == pytest.approx(1.0)
    assert law.low(X, 0.10, 0.95) < law.low(X, 0.10, 0.75)
    assert law.low(X, 0.01, 0.95) < law.low(X, 0.10, 0.95)
    assert law.below(law.low(X, 0.10, 0.95), X, 0.10) == pytest.approx(0.05, abs=5e-4)
    order = np.random.default_rng(1).permutation(20)
    turned = mixed_law(load[order], broke[order], WITHIN[order], LABEL[order], "weibull")
    assert turned.low(X, 0.10, 0.95) == pytest.approx(law.low(X, 0.10, 0.95), abs=1e-6)
