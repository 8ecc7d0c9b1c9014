"""A short part of the coverage study is run again and held to the committed table and to the nominal confidence."""

from __future__ import annotations

import csv
import importlib.util
from pathlib import Path

import numpy as np
import pytest

HERE = Path(__file__).parent


def load_script(name):
    spec = importlib.util.spec_from_file_location(f"truth_{name}", HERE / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


coverage = load_script("coverage")


def table():
    with (HERE / "coverage.csv").open() as file:
        return list(csv.DictReader(file))


def test_the_committed_table_is_the_whole_grid():
    rows = table()
    assert tuple(rows[0]) == coverage.FIELDS
    cells = {(r["family"], int(r["n"]), float(r["held"]), r["law"]) for r in rows}
    assert cells == {cell[:4] for cell in coverage.cells(quick=True)}


def test_complete_and_stopped_series_cover_what_they_say():
    """Within 3.5 Monte-Carlo standard errors in every cell (3 would fail once in 370), 0.2 points on average."""
    gaps, errors = [], []
    for row in table():
        if row["law"] in ("none", "type II"):
            gaps.append(float(row["coverage"]) - float(row["confidence"]))
            errors.append(float(row["error"]))
    gaps, errors = np.array(gaps), np.array(errors)
    assert (np.abs(gaps) < 3.5 * errors).all()
    assert abs(gaps.mean()) < 0.002


def test_random_survivors_never_bring_it_below():
    """Never more than 3.5 standard errors below nominal."""
    for row in table():
        assert float(row["coverage"]) > float(row["confidence"]) - 3.5 * float(row["error"]), row


@pytest.mark.parametrize(
    ("family", "n", "held", "law", "repetitions"),
    [("weibull", 3, 0.0, "none", 2000), ("weibull", 10, 0.4, "same", 1000), ("normal", 5, 0.4, "type II", 300)],
)
def test_part_of_the_table_again(family, n, held, law, repetitions):
    """Other seeds, fewer repetitions: within 4 standard errors of the committed coverage."""
    committed = {
        (float(r["fraction_below"]), float(r["confidence"])): float(r["coverage"])
        for r in table()
        if (r["family"], int(r["n"]), float(r["held"]), r["law"]) == (family, n, held, law)
    }
    for row in coverage.cell(family, n, held, law, repetitions, 77):
        error = np.sqrt(row[5] * (1 - row[5]) / row[7])
        assert row[8] == pytest.approx(committed[row[4], row[5]], abs=4 * error)
