"""A short form of tests/truth/plan_calibration.py and the committed table of the long one."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import lowtail as lt
from lowtail.claims.planning.core.simulate import standard_series

TRUTH = Path(__file__).parents[2] / "truth"


@pytest.mark.parametrize("family", ["weibull", "normal"])
def test_plan_from_five_succeeds_as_often_as_it_says(family: str) -> None:
    sample = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9])
    law = lt.confidence_distribution(sample, family)
    basis = lt.BASES["B-basis"]
    claim = law.low(0.10, 0.935)
    plan = lt.plan.more_samples(sample, claim, basis, family=family, judge="one distribution")
    assert plan.n is not None
    size = 2500
    location, spread = law.draws(size, np.random.default_rng(77))
    z, _ = standard_series(lt.FAMILIES[family], plan.n, size, 0.0, np.random.SeedSequence(78))
    y = np.column_stack(
        [np.tile(lt.FAMILIES[family].transform(sample.load), (size, 1)), location[:, None] + spread[:, None] * z]
    )
    base = 0.0 if family == "weibull" else 100.0
    load = lt.FAMILIES[family].inverse(y) + base
    backed = lt.many.confidence_that(load, None, family, claim + base, 0.10) >= 0.95
    assert backed.mean() == pytest.approx(plan.chance, abs=0.03)  # 3.5 standard errors
    assert plan.chance == pytest.approx(0.8, abs=0.04)


def test_committed_table_holds_the_promise() -> None:
    table = pd.read_csv(TRUTH / "plan_calibration.csv")
    rate = table.groupby("family")["succeeded"].mean()
    assert len(table) == 40
    assert ((rate - 0.8).abs() < 0.02).all()
    assert (table.groupby("family")["plug_in_succeeded"].mean() < 0.75).all()


def test_committed_looks_keep_the_error() -> None:
    table = pd.read_csv(TRUTH / "plan_looks.csv")
    error = 3 * np.sqrt(table["nominal_error"] * (1 - table["nominal_error"]) / 6000)
    assert set(table["boundary"]) == {"equal", "early strict"}
    assert ((table["error_at_levels"] - table["nominal_error"]).abs() < error).all()
    assert (table["error_without"] > 1.6 * table["nominal_error"]).all()


def test_committed_kinds_succeed_as_often_as_they_say() -> None:
    """Plans of every simulated kind, their number tested in fresh worlds and judged by the exact engine."""
    table = pd.read_csv(TRUTH / "plan_kinds.csv")
    assert len(table) == 13
    assert (table["predicted"] >= 0.8).all()
    assert (table["one_fewer"].dropna() < 0.8).all()
    gap = (table["succeeded"] - table["predicted"]).abs()
    assert (gap < 0.02 + 2 * table["study_error"]).all()
    assert abs((table["succeeded"] - table["predicted"]).mean()) < 0.01
