"""The bound of step-loading tests covers in every cell of the committed table, and a short part runs again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import lowtail as lt
from lowtail.models.distributions.families import get_family

HERE = Path(__file__).parent
POINTS = 0.005  # half a point below nominal, and two standard errors, are allowed


SHORT = ("weibull", 20, 0.5, 0.5)  # 73.3 % for 75 %, the lowest; the docstring of `interval_law` says so


def test_every_cell_covers(study) -> None:
    """But one, which is named."""
    script, table = study("interval_loads"), pd.read_csv(HERE / "interval_loads.csv")
    assert tuple(table.columns) == script.FIELDS
    assert {(r.family, r.n, r.step, r.offset, r.stop) for r in table.itertuples()} == set(script.cells())
    assert set(table["fraction_below"]) == set(script.FRACTIONS) and set(table["level"]) == set(script.LEVELS)
    short = table[table["coverage"] < table["level"] - POINTS - 2 * table["error"]]
    assert set(short[["family", "n", "step", "offset"]].itertuples(index=False, name=None)) <= {SHORT}, short
    assert (short["coverage"] > short["level"] - 0.02).all() and (short["level"] == 0.75).all()
    nominal = table.groupby("level")["coverage"].mean()
    assert (nominal > nominal.index).all()


def test_interval_terms_alone_do_not_cover_on_wide_steps() -> None:
    """Why steps wider than the scatter take the worst placement: '75 %' fell below 45 % on steps of 2 deviations."""
    table = pd.read_csv(HERE / "interval_loads.csv").query("step == 2 and level == 0.75")
    assert table["terms"].min() < 0.45 and table["coverage"].min() > 0.95


def test_narrow_steps_take_the_terms_and_waste_little() -> None:
    """On steps of a quarter of the deviation and n = 10 nearly every sample, at the level itself."""
    table = pd.read_csv(HERE / "interval_loads.csv").query("step == 0.25 and n == 10 and stop == 'none'")
    assert table["fine"].min() > 0.98
    assert (abs(table["coverage"] - table["level"]) < 0.01 + 3 * table["error"]).all()


@pytest.mark.parametrize("cell", [("weibull", 5, 0.5, 0.5, "none"), ("normal", 5, 1.0, 0.0, "rig")], ids=str)
def test_a_short_part_runs_again(study, cell) -> None:
    """A seed of its own: 300 samples a cell."""
    for row in study("interval_loads").rows(cell, np.random.SeedSequence(99), 300):
        error = np.sqrt(row["level"] * (1 - row["level"]) / row["samples"])
        assert row["coverage"] > row["level"] - 3 * error


def test_the_study_asks_what_the_library_answers(study) -> None:
    """Confidence at the true percentile by the study's quick grid and by `confidence_that`, fine and wide steps."""
    script = study("interval_loads")
    for cell in (("weibull", 5, 0.5, 0.5, "none"), ("normal", 5, 2.0, 0.5, "none"), ("normal", 5, 0.5, 0.0, "rig")):
        family = get_family(cell[0])
        low, up = script.draw(cell, 12, np.random.default_rng(5))
        able = np.isfinite(up).sum(axis=1) > 1
        truths = np.array([float(script.quantile(family, p)) for p in script.FRACTIONS])
        shown, _, _ = script.found(low[able], up[able], family, truths)
        for i, (a, b) in enumerate(zip(low[able], up[able], strict=True)):
            sample = lt.Sample(a, np.isfinite(b), upper=np.where(np.isfinite(b), b, np.nan))
            for j, (p, truth) in enumerate(zip(script.FRACTIONS, truths, strict=True)):
                asked = lt.confidence_that(sample, truth, p, family=cell[0]).confidence
                assert asked == pytest.approx(shown[j, i], abs=2e-3)


def test_comparisons_of_steps_keep_their_level(study) -> None:
    """False differences, and false "weaker", at most 5 % plus two errors in every cell; the 10 % ratio likewise."""
    script, table = study("interval_compare"), pd.read_csv(HERE / "interval_compare.csv")
    assert tuple(table.columns) == script.FIELDS
    assert {tuple(r) for r in table[list(script.FIELDS[:4])].itertuples(index=False)} == set(script.cells())
    for rate in ("different", "weaker", "low"):
        over = table[table[rate] > 0.05 + 2 * table["error"]]
        assert over.empty, over


def test_the_study_compares_as_the_library_does(study) -> None:
    """Limits of one pair from 4,000 quick draws and from `compare`: within 4 errors of a 5 % quantile's rank."""
    script = study("interval_compare")
    rng = np.random.default_rng(8)
    arms = [script.draw(("weibull", 10, 0.25, True), 1, rng) for _ in range(2)]
    samples = [lt.Sample(a[0], np.isfinite(b[0]), upper=np.where(np.isfinite(b[0]), b[0], np.nan)) for a, b in arms]
    found = lt.compare(*samples, low_fraction=0.10)
    first, second = (script.log_strength(*arm, "weibull", (0.5, 0.1), rng)[:, 0] for arm in arms)
    ends = ((found.ratio_low, found.ratio_high), (found.low_ratio_low, found.low_ratio_high))
    for ratio, (low, high) in zip(second - first, np.log(ends), strict=True):
        assert (ratio < low).mean() == pytest.approx(0.025, abs=0.01)
        assert (ratio > high).mean() == pytest.approx(0.025, abs=0.01)
