"""Slips as a proportion with an exact interval."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

import lowtail as lt
from lowtail._shared.proportion import exact_interval
from lowtail.checks import slip_table


@pytest.mark.parametrize(
    ("count", "n", "low", "high"),
    [
        # Clopper and Pearson 1934, Biometrika 26:404-413: with no event the upper limit solves (1 - p)^n = 0.025, with
        # all events the lower limit solves p^n = 0.025 (definition)
        (0, 10, 0.0, 1 - 0.025**0.1),
        (10, 10, 0.025**0.1, 1.0),
        (0, 1, 0.0, 0.975),
    ],
)
def test_ends_have_closed_forms(count: int, n: int, low: float, high: float) -> None:
    assert exact_interval(count, n) == pytest.approx((low, high), abs=1e-12)


@pytest.mark.parametrize(("count", "n"), [(1, 8), (3, 17), (5, 6), (20, 200)])
def test_limits_solve_their_defining_tails(count: int, n: int) -> None:
    low, high = exact_interval(count, n, 0.90)
    assert stats.binom.sf(count - 1, n, low) == pytest.approx(0.05, rel=1e-10)
    assert stats.binom.cdf(count, n, high) == pytest.approx(0.05, rel=1e-10)


@pytest.mark.parametrize(("count", "n"), [(2, 9), (0, 5), (7, 7)])
def test_agreement_with_scipy(count: int, n: int) -> None:
    reference = stats.binomtest(count, n).proportion_ci(0.95, method="exact")
    assert exact_interval(count, n) == pytest.approx((reference.low, reference.high), abs=1e-9)


def test_the_interval_covers_as_stated() -> None:
    # exact enumeration at n = 8 over a grid of true shares: never below 95 %
    for true in np.linspace(0.02, 0.98, 25):
        covered = [low <= true <= high for low, high in (exact_interval(k, 8) for k in range(9))]
        assert float(np.dot(covered, stats.binom.pmf(range(9), 8, true))) >= 0.95


@pytest.mark.parametrize(("count", "n", "confidence"), [(3, 2, 0.95), (-1, 2, 0.95), (0, 0, 0.95), (1, 2, 95)])
def test_out_of_range(count: int, n: int, confidence: float) -> None:
    with pytest.raises(lt.InputError, match="must lie between 0 and"):
        exact_interval(count, n, confidence)


def test_table_of_slips(park: lt.BreakLog) -> None:
    table = slip_table(park)
    row = table[table["slipped"] > 0].iloc[0]
    assert (row["group"], row["n"], row["slipped"]) == ("6 mm cord, overhand loop, straight, slow pull", 8, 1)
    assert (row["share"], row["share_low"], row["share_high"]) == pytest.approx((0.125, *exact_interval(1, 8)))
    with pytest.raises(lt.InputError, match="'colour', which the log does not have"):
        slip_table(park, by=("colour",))
