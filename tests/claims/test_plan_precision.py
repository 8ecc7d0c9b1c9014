import numpy as np
import pytest

import lowtail as lt
from lowtail.claims.basis import Basis
from lowtail.claims.planning.plan_precision import _chance
from lowtail.errors import InputError
from lowtail.models.families import FAMILIES, get_family


@pytest.mark.parametrize(("family", "share"), [("weibull", 0.09), ("normal", 0.055), ("lognormal", 0.05)])
def test_chance_is_the_share_of_narrow_intervals(family: str, share: float) -> None:
    """Each series' own two-sided interval by the engine, half width against its middle."""
    rng = np.random.default_rng(6)
    basis, n = Basis("wanted", 0.05, 0.90), 12
    law = get_family(family)
    location, spread = (np.log(25.0), 0.06) if law.on_log else (25.0, 1.5)
    u = rng.random((2500, n))
    load = law.inverse(location + spread * law.quantile(u))
    low, high = (lt.low_many(load, None, family, 0.05, g) for g in (0.95, 0.05))
    seen = np.mean((high - low) / (high + low) <= share)
    relative = spread if law.on_log else spread / location
    assert 0.2 < seen < 0.95
    assert _chance(law, relative, share, basis, 3)(n)[0] == pytest.approx(seen, abs=0.035)


@pytest.mark.parametrize("family", list(FAMILIES))
def test_smallest_number(family: str) -> None:
    plan = lt.plan_precision(0.08, "5 %, 95 %", cv=0.06, family=family)
    assert plan.n is not None
    assert plan.chance >= 0.8 > plan.chance_before
    tighter = lt.plan_precision(lt.Claim(within=0.06, basis="5 %, 95 %"), cv=0.06, family=family)
    assert tighter.n is not None
    assert tighter.n > plan.n
    assert "the 5 % strength to within 6 % (95 % two-sided)" in str(tighter)


def test_refusals() -> None:
    with pytest.raises(InputError, match="needs a basis with a confidence interval"):
        lt.plan_precision(0.05, "mean - 3 s", cv=0.06)
    with pytest.raises(InputError, match=r"0\.05, not 5"):
        lt.plan_precision(5, cv=0.06)
    with pytest.raises(InputError, match="got a strength claim"):
        lt.plan_precision(lt.Claim(strength=20), cv=0.06)
    assert lt.plan_precision(0.01, cv=0.2, family="normal", max_n=50).n is None
