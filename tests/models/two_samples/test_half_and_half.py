"""Half a normal and half a Weibull confidence distribution: its parts by definition, and what must not matter."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, special, stats

from lowtail.models.confidence.location_grid import location_above
from lowtail.models.two_samples import half_and_half
from lowtail.models.two_samples.half_and_half import Arms, limit, reach, tail
from lowtail.models.two_samples.t_tests import behrens_fisher


def some(n: int, m: int, rows: int = 5, seed: int = 1) -> Arms:
    rng = np.random.default_rng(seed)
    return Arms.of(rng.normal(0, 1, (rows, n)), rng.normal(1, 2, (rows, m)))


def swapped(arms: Arms) -> Arms:
    return Arms(-arms.shift, arms.b, arms.a, arms.n_other, arms.n_reference)


@pytest.mark.parametrize(("n", "m"), [(4, 7), (3, 3), (30, 5)])
def test_normal_part_is_behrens_fisher(n: int, m: int) -> None:
    rng = np.random.default_rng(1)
    x, y = rng.normal(0, 1, (5, n)), rng.normal(1, 2, (5, m))
    exact = [behrens_fisher(a, b, confidence=0.9) for a, b in zip(x, y, strict=True)]
    arms = Arms.of(x, y)
    assert tail(arms, family="normal") == pytest.approx([e.p_value for e in exact], rel=5e-4)
    assert limit(arms, 0.95, "normal") == pytest.approx([e.high for e in exact], rel=2e-3)
    assert limit(arms, 0.05, "normal") == pytest.approx([e.low for e in exact], rel=2e-3)


def test_pivot_of_two_weibull_loads_by_its_definition() -> None:
    # two standard extreme values with mean m and gap d: exp(m) given d is gamma with shape 2 and rate 2 cosh(d / 2), d
    # is logistic; T_2 = sqrt(2) (m + Euler's constant) / (|d| / sqrt(2))
    def below(t: float) -> float:
        def part(d: float) -> float:
            edge = np.exp(np.clip(t * d / 2 - np.euler_gamma, -600, 600)) * 2 * np.cosh(d / 2)
            return float(2 * special.gammainc(2, edge) * stats.logistic.pdf(d))

        return integrate.quad(part, 0, 80, limit=300)[0]

    pivot = half_and_half._pivot(2, "weibull")
    for level in (0.005, 0.025, 0.2, 0.5, 0.8, 0.975, 0.995):
        t = float(np.interp(special.ndtri(level), half_and_half._DENSE, pivot))
        assert below(t) == pytest.approx(level, abs=3 * np.sqrt(level * (1 - level) / 400_000) + 2e-5)


@pytest.mark.parametrize("n", [3, 8, 13, 45, 500])
def test_pivot_by_other_draws(n: int) -> None:
    # 13, 45 and 500 lie between the numbers drawn (500 beyond the last)
    size = 200_000 if n < 10 else 20_000
    rng = np.random.default_rng(99)
    z = np.log(rng.standard_exponential((size, n))) + np.euler_gamma
    t = np.sqrt(n) * z.mean(axis=1) / z.std(axis=1, ddof=1)
    pivot = half_and_half._pivot(n, "weibull")
    for level in (0.0025, 0.025, 0.5, 0.95, 0.9975):
        edge = float(np.interp(special.ndtri(level), half_and_half._DENSE, pivot))
        error = np.sqrt(level * (1 - level) * (1 / size + 1 / 400_000))
        assert np.mean(t < edge) == pytest.approx(level, abs=3.5 * error)


@pytest.mark.parametrize("family", ["half and half", "weibull", "farther"])
@pytest.mark.parametrize(("n", "m"), [(3, 8), (6, 6), (2, 5)])
def test_limit_and_p_belong_together(n: int, m: int, family: str) -> None:
    arms = some(n, m)
    for confidence in (0.8, 0.95, 0.995):
        high, low = limit(arms, confidence, family), limit(arms, 1 - confidence, family)
        for i in range(arms.shift.size):
            one = Arms(arms.shift[i : i + 1], arms.a[i : i + 1], arms.b[i : i + 1], n, m)
            assert tail(one, "less", float(high[i]), family)[0] == pytest.approx(1 - confidence, rel=0.02)
            assert tail(one, "greater", float(low[i]), family)[0] == pytest.approx(1 - confidence, rel=0.02)


def test_p_is_the_mean_of_both_and_the_farther_limit_the_farther() -> None:
    arms = some(5, 4)
    for alternative in ("less", "greater"):
        both = [tail(arms, alternative, family=f) for f in ("normal", "weibull")]
        assert tail(arms, alternative) == pytest.approx(np.mean(both, axis=0))
        assert tail(arms, alternative, family="farther") == pytest.approx(np.max(both, axis=0))
    ends = [limit(arms, 0.95, f) for f in ("normal", "weibull")]
    assert limit(arms, 0.95, "farther") == pytest.approx(np.max(ends, axis=0))
    between = limit(arms, 0.95)
    assert (np.min(ends, axis=0) <= between).all()
    assert (between <= np.max(ends, axis=0)).all()


def test_exchange_of_arms_and_scale() -> None:
    arms = some(4, 9)
    assert limit(swapped(arms), 0.95) == pytest.approx(-limit(arms, 0.05), rel=1e-4)
    assert tail(swapped(arms), "less") == pytest.approx(tail(arms, "greater"), rel=1e-6)
    larger = Arms(7 * arms.shift, 49 * arms.a, 49 * arms.b, 4, 9)
    assert limit(larger, 0.95) == pytest.approx(7 * limit(arms, 0.95))
    assert tail(larger) == pytest.approx(tail(arms))


def test_one_arm_alone() -> None:
    # an arm without scatter of its own leaves the other's distribution: half Student's t, half T_n
    angle = np.array([0.0])
    q = float(reach(angle, 5, 8, 0.95, "normal")[0])
    assert q == pytest.approx(stats.t.ppf(0.95, 7), rel=1e-4)
    weibull = float(np.interp(special.ndtri(0.05), half_and_half._DENSE, half_and_half._pivot(8, "weibull")))
    assert reach(angle, 5, 8, 0.95, "weibull")[0] == pytest.approx(-weibull, rel=1e-3)


def test_the_same_draws_every_time() -> None:
    first = half_and_half._drawn(4)
    half_and_half._drawn.cache_clear()
    half_and_half._moments.cache_clear()
    assert np.array_equal(first, half_and_half._drawn(4))


def test_many_specimens_are_normal() -> None:
    angle = np.array([0.3, 1.2])
    for family in ("weibull", "half and half"):
        assert reach(angle, 5000, 5000, 0.975, family) == pytest.approx(special.ndtri(0.975), rel=0.02)


def test_locations_with_survivors_follow_the_confidence_distributions() -> None:
    # against draws from the confidence distribution of one sample, on series with 0 to half of them held
    import lowtail as lt

    rng = np.random.default_rng(0)
    arms = []
    for n in (5, 8):
        y, rig = rng.normal(0, 0.1, (300, n)), rng.normal(0.08, 0.1, (300, n))
        arms.append((np.minimum(y, rig), y <= rig))
    good = np.flatnonzero((arms[0][1].sum(axis=1) >= 2) & (arms[1][1].sum(axis=1) >= 2))[:40]
    arms = [(y[good], broke[good]) for y, broke in arms]
    got = location_above(arms[0], arms[1], -0.08)
    want = []
    for i in range(good.size):
        first, second = (
            lt.confidence_distribution(lt.Sample(np.exp(y[i]), broke[i]), "lognormal").draws(20_000, a)[0]
            for a, (y, broke) in enumerate(arms)
        )
        want.append(np.mean(second - first > -0.08))
    assert got == pytest.approx(want, abs=0.025)
    near = np.abs(np.array(want) - 0.95) < 0.04
    assert near.sum() > 5
    assert got[near] == pytest.approx(np.array(want)[near], abs=0.008)
