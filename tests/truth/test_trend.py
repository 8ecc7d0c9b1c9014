"""Bounds and tests of a trend, from the committed tables: 94 % or more, false alarms within a point of 5 %."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

HERE = Path(__file__).parent
LEAST, NOMINAL, POINT = 94.0, 5.0, 1.0  # per cent; the tables were drawn at 95 % and 5 %


def standard_error(share: float, repetitions: float) -> float:
    """Of a share in per cent, in points."""
    return float(100 * np.sqrt(share / 100 * (1 - share / 100) / repetitions))


@pytest.mark.parametrize("bound", ["retention", "retention, others", "retention, batches"])
def test_the_bounds_cover(bound: str) -> None:
    table = pd.read_csv(HERE / "trend_coverage.csv").query("bound == @bound")
    assert len(table) >= 10 and set(table["fraction_below"]) == {0.01, 0.10} and {0.0, 0.3} == set(table["held"])
    for row in table.itertuples():
        assert row.given >= 300, row
        assert row.covered >= LEAST - 2 * standard_error(LEAST, row.given), row


@pytest.mark.parametrize(
    ("family", "held"), [("weibull", 0.0), ("weibull", 0.3), ("lognormal", 0.0), ("lognormal", 0.3)]
)
def test_batches_were_studied_from_none_to_most_of_the_variance(family: str, held: float) -> None:
    table = pd.read_csv(HERE / "trend_coverage.csv").query("bound == 'retention, batches' and family == @family")
    table = table[table["held"] == held]
    assert set(table["share"]) == {0.0, 0.5, 0.9}
    assert table["design"].str.contains("within").any() and table["design"].str.contains("between").any()
    # no cell alone says much of 94 %: together they must
    pooled = float(np.average(table["covered"], weights=table["given"]))
    assert pooled >= LEAST


@pytest.mark.parametrize("test", ["trend", "bend"])
@pytest.mark.parametrize("stop", ["none", "rig", "load"])
def test_false_alarms(test: str, stop: str) -> None:
    table = pd.read_csv(HERE / "trend_type1.csv").query("test == @test and stop == @stop")
    assert set(table["family"]) == {"weibull", "normal"} and {8, 10, 12} <= set(table["n"])
    for row in table.itertuples():
        assert abs(row.alarms - NOMINAL) <= POINT + 2 * standard_error(NOMINAL, row.judged), row
