"""Bounds from loads of limited certainty cover in every cell of the committed table, and a short part runs again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import lowtail as lt

HERE = Path(__file__).parent
POINTS = 0.005  # half a point below nominal, and two standard errors, are allowed


def test_every_cell_covers(study) -> None:
    script, table = study("common_error"), pd.read_csv(HERE / "common_error.csv")
    assert tuple(table.columns) == script.FIELDS
    assert {(r.kind, r.population, r.n, r.size) for r in table.itertuples()} == set(script.cells())
    short = table[table["coverage"] < table["level"] - POINTS - 2 * table["error"]]
    assert short.empty, short


def test_without_it_the_bound_falls_short() -> None:
    """Why it is carried: 3 % in common beside a scatter of 6 %, n = 10."""
    table = pd.read_csv(HERE / "common_error.csv").query("kind == 'common' and n == 10 and size == 0.03")
    assert (table["plain"] < table["level"] - 2 * table["error"]).all()
    assert (table["coverage"] - table["plain"] > 0).all()


def test_an_error_of_its_own_makes_the_bound_cautious() -> None:
    """What the note says: it stands in the scatter, the bound is the lower for it."""
    table = pd.read_csv(HERE / "common_error.csv").query("kind == 'own'")
    assert (table["coverage"] > table["level"]).all()


@pytest.mark.parametrize("cell", [("common", "normal", 5, 0.03), ("cautious", "power", 5, 0.03)], ids=str)
def test_a_short_part_runs_again(study, cell) -> None:
    """A seed of its own: 500 samples a cell."""
    for row in study("common_error").rows(cell, np.random.SeedSequence(98), 500):
        assert row["coverage"] > row["level"] - 3 * np.sqrt(row["level"] * (1 - row["level"]) / 500)


def test_the_study_asks_what_the_library_answers(study) -> None:
    """Averaged at 15 points by the study, and by `confidence_that`."""
    script = study("common_error")
    rng = np.random.default_rng(3)
    for family in ("weibull", "normal"):
        load = script.quantile(family, rng.random((4, 5)))
        truth = float(script.quantile(family, 0.10))
        for row, shown in zip(load, script.averaged(load, family, truth, 0.10, 0.02), strict=True):
            sample = lt.Sample(row, common_uncertainty=0.02)
            found = lt.confidence_that(sample, truth, 0.10, family=family).confidence
            assert found == pytest.approx(shown, abs=5e-4)
