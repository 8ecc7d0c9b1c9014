"""Published figures for the Anderson-Darling statistic with estimated parameters."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from lowtail.models.distributions.families import get_family
from lowtail.models.distributions.goodness import anderson_darling_many, handbook_significance, null_samples


def test_statistic_of_ten_values() -> None:
    # R nortest ad.test, recorded in scipy's test suite: one 0 and nine 1s, A2 = 3.208057 (s with n - 1); moved up by 1,
    # which changes nothing, because loads are positive
    assert anderson_darling_many([[1.0] + [2.0] * 9], None, "normal")[0] == pytest.approx(3.208057, abs=5e-7)


@pytest.mark.parametrize("family", ["normal", "lognormal"])
def test_statistic_against_scipy(family: str) -> None:
    load = np.array([24.1, 25.3, 22.8, 26.0, 23.9, 25.1, 21.2])
    y = load if family == "normal" else np.log(load)
    theirs = stats.anderson(y, "norm", method="interpolate").statistic
    assert anderson_darling_many(load[None], None, family)[0] == pytest.approx(theirs, rel=1e-9)


def _plain_formula(n: int, modified: float, family: str) -> float:
    """Undo the handbook's modification, so that its formula can be asked at a modified value."""
    return modified / ((1 + 0.2 / np.sqrt(n)) if family == "weibull" else (1 + 4 / n - 25 / n**2))


@pytest.mark.parametrize(
    # MIL-HDBK-17-1F 8.3.4 formula (from memory), evaluated in high precision; the argument is the modified statistic
    ("family", "modified", "level"),
    [
        ("normal", 0.5, 0.219369),
        ("normal", 0.787, 0.050324),  # Stephens (1974): 0.787 is the 5 % point
        ("normal", 0.873, 0.03191),
        ("normal", 1.0, 0.016302),
        ("weibull", 0.474, 0.250152),
        ("weibull", 0.637, 0.100242),
        ("weibull", 0.757, 0.049919),  # Stephens (1977): 0.757 is the 5 % point
        ("weibull", 0.877, 0.024935),
        ("weibull", 1.038, 0.009986),
        ("weibull", 1.5, 0.000806),
    ],
)
@pytest.mark.parametrize("n", [6, 20])
def test_handbook_significance(family: str, modified: float, level: float, n: int) -> None:
    assert handbook_significance(_plain_formula(n, modified, family), n, family) == pytest.approx(level, abs=5e-7)


def test_handbook_formula_is_left_out_below_six() -> None:
    assert np.isnan(handbook_significance(0.5, 5, "normal"))
    # the reason: its multiplier is negative at n = 3
    assert 1 + 4 / 3 - 25 / 9 < 0


@pytest.mark.parametrize(
    # D'Agostino and Stephens (1986) tables 4.7 and 4.17, both parameters estimated (from memory), with the level that
    # 200,000 simulated samples give there; a published limit, so our simulated statistic must pass it as often
    ("family", "n", "limit", "level"),
    [
        ("normal", 10, 0.752, 0.0506),
        ("normal", 20, 0.631, 0.1019),
        ("normal", 40, 1.035, 0.0101),
        ("weibull", 10, 0.637, 0.1098),
        ("weibull", 10, 1.038, 0.0101),
        ("weibull", 20, 0.757, 0.0551),
        ("weibull", 40, 0.637, 0.1071),
    ],
)
def test_stephens_limits(family: str, n: int, limit: float, level: float) -> None:
    law = get_family(family)
    where = (3.0, 0.05) if law.on_log else (1000.0, 1.0)
    drawn = anderson_darling_many(*null_samples(law, *where, (20_000, n), np.random.default_rng(n), None), law)
    modified = (1 + 0.2 / np.sqrt(n)) if family == "weibull" else (1 + 0.75 / n + 2.25 / n**2)
    share = float((modified * drawn > limit).mean())
    assert share == pytest.approx(level, abs=4 * np.sqrt(level / 20_000))
