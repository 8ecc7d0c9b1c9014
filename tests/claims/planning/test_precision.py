import numpy as np
import pytest

import lowtail as lt
from lowtail import FAMILIES, Basis, InputError
from lowtail.claims.planning.core.population import Population
from lowtail.claims.planning.precision import WidthAim, _chance
from lowtail.models.distributions.families import get_family


@pytest.mark.parametrize(("family", "share"), [("weibull", 0.09), ("normal", 0.055), ("lognormal", 0.05)])
def test_chance_is_the_share_of_narrow_intervals(family: str, share: float) -> None:
    """Each series' own two-sided interval by the engine, half width against its middle."""
    rng = np.random.default_rng(6)
    basis, n = Basis("wanted", 0.05, 0.90), 12
    law = get_family(family)
    location, spread = (np.log(25.0), 0.06) if law.on_log else (25.0, 1.5)
    u = rng.random((2500, n))
    load = law.inverse(location + spread * law.quantile(u))
    low, high = (lt.many.lower_bound(load, None, family, 0.05, g) for g in (0.95, 0.05))
    seen = np.mean((high - low) / (high + low) <= share)
    relative = spread if law.on_log else spread / location
    assert 0.2 < seen < 0.95
    assert _chance(law, relative, share, basis, 3)(n)[0] == pytest.approx(seen, abs=0.035)


@pytest.mark.parametrize("family", list(FAMILIES))
def test_smallest_number(family: str) -> None:
    plan = lt.plan.precision(0.08, "5 %, 95 %", cv=0.06, family=family)
    assert plan.n is not None
    assert plan.chance >= 0.8 > plan.chance_before
    tighter = lt.plan.precision(lt.plan.Claim(within=0.06, basis="5 %, 95 %"), cv=0.06, family=family)
    assert tighter.n is not None
    assert tighter.n > plan.n
    assert "the 5 % strength to within 6 % (95 % two-sided)" in str(tighter)


def test_refusals() -> None:
    with pytest.raises(InputError, match="needs a basis with a confidence interval"):
        lt.plan.precision(0.05, "mean - 3 s", cv=0.06)
    with pytest.raises(InputError, match=r"0\.05, not 5"):
        lt.plan.precision(5, cv=0.06)
    with pytest.raises(InputError, match="got a strength claim"):
        lt.plan.precision(lt.plan.Claim(strength=20), cv=0.06)
    assert lt.plan.precision(0.01, cv=0.2, family="normal", max_n=50).n is None


@pytest.mark.parametrize(("family", "share"), [("weibull", 0.09), ("normal", 0.06), ("lognormal", 0.05)])
def test_survivors_series_by_series(family: str, share: float) -> None:
    """Simulated series with survivors, each with its own two-sided interval by the engine."""
    basis, n, law = Basis("wanted", 0.05, 0.90), 14, get_family(family)
    population = Population(law, *((0.0, 0.06) if law.on_log else (1.0, 0.06)), 0.3)
    y, broke = population.series(n, 3000, np.random.SeedSequence(4))
    got = WidthAim(share, basis, law).reached(y, broke)[:400]
    assert broke is not None
    load = law.inverse(y[:400])
    low, high = (lt.many.lower_bound(load, broke[:400], family, 0.05, g) for g in (0.95, 0.05))
    want = (high - low) / (high + low) <= share
    assert 0.15 < want.mean() < 0.95
    assert np.mean(got != want) <= 0.01


def test_survivors_cost_specimens() -> None:
    for family in ("weibull", "normal"):
        none = lt.plan.precision(0.08, "5 %, 95 %", cv=0.06, family=family)
        some = lt.plan.precision(0.08, "5 %, 95 %", cv=0.06, family=family, survivors=0.3)
        assert none.n is not None
        assert some.n is not None
        assert some.n > none.n
        assert some.chance >= 0.8 > some.chance_before
        assert some.mc_error < 0.005
        assert "30 % of the specimens hold" in some.assumptions[1]
