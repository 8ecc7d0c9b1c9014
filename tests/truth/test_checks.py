"""False alarms of the checks, from the committed tables: within a point of 5 %, and by name where they are not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

HERE = Path(__file__).parent
NOMINAL, POINT = 5.0, 1.0

# Statistic against a null that is not rounded, coarse steps: why the claims round theirs where loads tie, see below.
UNROUNDED = {("Anderson-Darling", 0.25)}


def standard_error(judged: float) -> float:
    """Of a share of 5 %, in points."""
    return float(100 * np.sqrt(0.05 * 0.95 / judged))


def test_every_specimen_broke():
    table = pd.read_csv(HERE / "checks_type1.csv")
    assert set(table["family"]) == {"weibull", "normal"} and set(table["rounded"]) == {0.0, 0.1, 0.25}
    for row in table.itertuples():
        gap = row.alarms - NOMINAL
        error = standard_error(2000 if row.test.startswith("k-sample") else 20_000)
        if (row.test, row.rounded) in UNROUNDED:
            assert 1.0 < gap < 3.0, row
        else:
            assert abs(gap) <= POINT + error, row


def test_survivors_and_ties():
    table = pd.read_csv(HERE / "checks_survivors.csv")
    assert {"rig", "load", "none"} == set(table["stop"])
    for stop in ("rig", "load"):
        cells = table[(table["stop"] == stop) & (table["test"] == "largest gap")]
        assert set(zip(cells["family"], cells["design"], strict=True)) == {
            (family, n) for family in ("weibull", "normal") for n in ("5", "6", "8", "10")
        }
    assert {"2 x 5", "2 x 10", "3 x 10"} <= set(table["design"])
    assert (table["judged"] >= 1800).all() and (table.loc[table["stop"] != "none", "judged_held"] >= 1300).all()
    for row in table.itertuples():
        assert abs(row.alarms - NOMINAL) <= POINT + standard_error(row.judged), row
        if row.stop != "none":
            assert abs(row.alarms_held - NOMINAL) <= POINT + standard_error(row.judged_held), row


def test_the_tests_are_right_on_average():
    table = pd.read_csv(HERE / "checks_survivors.csv")
    for name, rows in table.groupby("test"):
        assert rows["alarms"].mean() == pytest.approx(NOMINAL, abs=0.7), name
