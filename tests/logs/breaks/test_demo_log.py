"""The demo log is what its generator makes, says that it is invented, and states its true strengths."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from scipy import stats

import lowtail as lt

DATA = Path(__file__).parents[3] / "data"


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_park_breaks", DATA / "make_park_breaks.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_file_is_what_the_generator_makes(maker: ModuleType, park: lt.BreakLog) -> None:
    rows = maker.rows()
    assert [row[0] for row in rows] == park.table["specimen"].tolist()
    assert [float(row[4]) for row in rows] == park.table["load_kN"].tolist()


def test_it_says_on_its_face_that_it_is_invented(park: lt.BreakLog) -> None:
    assert (DATA / "park_breaks.csv").read_text(encoding="utf-8").startswith('"INVENTED DATA')
    assert park.findings["got"].str.contains("INVENTED DATA").any()
    assert "invented" in (DATA / "README.md").read_text(encoding="utf-8")


def test_the_readme_states_the_true_strengths(maker: ModuleType) -> None:
    readme = (DATA / "README.md").read_text(encoding="utf-8")
    for line in maker.truth_table():
        assert line in readme


def test_the_true_strengths_are_those_of_the_law(maker: ModuleType) -> None:
    # A connector loses no strength with age: one Weibull distribution, scale (-ln(1 - p))^(1/shape), by definition;
    # the cord's population is a mixture over its batches, checked here by simulation.
    oval = maker.LAWS[0]
    assert maker.true_low(oval, 0.05) == pytest.approx(27.0 * (-np.log(0.95)) ** (1 / 24.0), rel=1e-12)
    cord = maker.LAWS[15]
    rng = np.random.default_rng(1)
    batch = np.array([maker.BATCH_AGE[cord[6][i % 2]] for i in range(8)])
    scale = cord[3] * (1 - 0.02 * batch[rng.integers(8, size=200_000)])
    strength = stats.weibull_min.rvs(cord[4], scale=scale, random_state=rng)
    assert np.mean(strength < maker.true_low(cord, 0.10)) == pytest.approx(0.10, abs=0.003)


def test_what_the_log_holds(park: lt.BreakLog) -> None:
    table = park.table
    assert table["item"].nunique() == 4
    assert set(table["method"]) == {"slow pull", "shock"}
    assert set(table["outcome"]) == {"broke", "other part broke", "slipped", "invalid"}
    assert table["batch"].nunique() == 11 and table["age_years"].notna().all() and table["rated_kN"].notna().all()
    shock = table["method"] == "shock"
    assert table.loc[shock, ["drop_mass_kg", "drop_height_m", "sample_rate_hz"]].notna().all(axis=None)
    assert all(5 <= s.n <= 8 for s in park.samples.values())
    assert (park.findings["level"] == "info").all()
