"""Loads rounded to a coarse step: the committed table, and a short part of the study drawn again."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

TABLE = pd.read_csv(Path(__file__).parent / "rounded_loads.csv")


def error(row) -> float:
    """Monte-Carlo standard error of a coverage in the table, points."""
    g = row["confidence"]
    return 100 * (g * (1 - g) / row["repeats"]) ** 0.5


def test_placed_bounds_hold_in_every_cell():
    """Half a point under the confidence asked for, less three errors: the lowest of five places is kept."""
    for _, row in TABLE.iterrows():
        assert row["placed"] >= 100 * row["confidence"] - 0.5 - 3 * error(row), dict(row)


def test_bounds_as_written_do_not():
    """The cells that call for it: steps as wide as the scatter and wider, above all with many specimens."""
    wide = TABLE[(TABLE["step"] >= 1) & (TABLE["confidence"] == 0.95)]
    for bound, most in (("Weibull", 70), ("cautious", 70), ("normal", 94)):
        assert wide[wide["bound"] == bound]["written"].min() < most


def test_fine_steps_cost_nothing():
    """A tenth of a standard deviation: hardly a series is changed, and that by less than 1 %."""
    fine = TABLE[(TABLE["step"] == 0.1) & (TABLE["n"] >= 5)]
    assert (fine["written"] - fine["placed"]).abs().max() <= 0.5
    assert (fine["height"] > 0.99).all()


@pytest.mark.parametrize(("bound", "n", "step"), [("Weibull", 10, 3.0), ("normal", 5, 1.0), ("cautious", 30, 1.5)])
def test_the_study_again(study, bound, n, step):
    """Other seeds: the written bound misses, the placed one holds, as in the table."""
    rows = pd.DataFrame(study("rounded_loads").coverage(bound, n, step, 1500, seed=9))
    for _, row in rows.iterrows():
        assert row["placed"] >= 100 * row["confidence"] - 0.5 - 3 * error(row)
    assert (rows["written"] - 100 * rows["confidence"]).min() < -1
