"""The grid of power: workers do not matter, and it says what the tables of the t test say."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from lowtail import InputError, Sample, compare
from lowtail.claims.planning.core.chances import chance_two_arms
from lowtail.claims.planning.power_grid import rejects
from lowtail.plan import power_grid


def test_workers_do_not_change_the_answer() -> None:
    arguments = {"n_reference": [3, 5], "n_other": [3, 7], "ratio": [0.9, 1.0], "cv": [0.05]}
    one = power_grid(**arguments, size=200, n_jobs=1, progress=True)  # type: ignore[arg-type]
    two = power_grid(**arguments, size=200, n_jobs=2)  # type: ignore[arg-type]
    pd.testing.assert_frame_equal(one, two)


def test_rows_are_what_compare_shows() -> None:
    rng = np.random.default_rng(3)
    for n, m in ((4, 4), (3, 7)):
        x, y = rng.normal(0, 0.05, (5, n)), rng.normal(-0.1, 0.08, (5, m))
        shown = [
            compare(Sample(np.exp(a)), Sample(np.exp(b))).difference != "no difference shown"
            for a, b in zip(x, y, strict=True)
        ]
        assert list(rejects(x, y)) == shown


def test_power_of_equal_arms_is_what_the_plan_works_out_and_its_price() -> None:
    # 10 against 10 at one standard deviation: 0.56 printed for the pooled t test (EnvStats documentation, two-sample t
    # test); to hold its level whatever the scatter and the skew costs 8 points
    cv = 0.05
    spread = float(np.sqrt(np.log1p(cv**2)))
    chance = power_grid([10], [10], [np.exp(-spread)], [cv], size=20_000)["chance"][0]
    worked = chance_two_arms(
        10, 10, shift=-spread, spread=(spread, spread), confidence=0.95, goal="difference", method="half and half"
    )
    assert chance == pytest.approx(worked, abs=3 * np.sqrt(0.25 / 20_000))
    assert 0.46 < worked < 0.56


def test_nothing_to_find_is_seldom_found() -> None:
    grid = power_grid([3], [3, 10], [1.0], [0.05], cv_ratio=[0.5, 1.0], family="weibull", size=4000)
    assert (grid["chance"] < 0.06).all()


def test_bad_grids() -> None:
    with pytest.raises(InputError, match="Every arm needs 2 specimens or more"):
        power_grid([1], [3], [0.9], [0.05])
    with pytest.raises(InputError, match="'lognormal' or 'weibull' here"):
        power_grid([3], [3], [0.9], [0.05], family="normal")
    with pytest.raises(InputError, match="at least 100 simulated series"):
        power_grid([3], [3], [0.9], [0.05], size=10)


@pytest.mark.slow
def test_five_thousand_cells() -> None:
    n = range(3, 13)
    grid = power_grid(n, n, np.linspace(0.75, 0.99, 10), [0.04, 0.08, 0.12, 0.16, 0.20], size=200, n_jobs=2)
    assert len(grid) == 5000
    small = grid[(grid["ratio"] == 0.75) & (grid["cv"] == 0.04) & (grid["n_reference"] == 12) & (grid["n_other"] == 12)]
    assert small["chance"].iloc[0] == 1
    assert stats.spearmanr(grid["ratio"], grid["chance"]).statistic < 0
