"""Comparisons of rounded loads: the committed table, and one of its worst cells drawn anew."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lowtail import Sample, compare
from lowtail.claims.comparison.joint import joint_of

TABLE = Path(__file__).with_name("rounded_compare.csv")
STATED = ["stated_below", "stated_above", "stated_two_sided"]


def arms(resolution: float) -> tuple[Sample, Sample]:
    return (
        Sample([25.0] * 9 + [26.0] * 2, resolution=resolution),
        Sample([24.0] * 9 + [25.0] * 2, resolution=resolution),
    )


def test_what_is_stated_of_rounded_loads_keeps_its_level(study) -> None:
    rounded_compare = study("rounded_compare")
    table = pd.read_csv(TABLE)
    error = 100 * np.sqrt(0.05 * 0.95 / (rounded_compare.REPETITIONS * table["answered"]))
    assert len(table) == 2 * len(rounded_compare.SIZES) * len(rounded_compare.STEPS) * len(rounded_compare.PLACES)
    for column in STATED:
        assert (table[column] <= 5 + 3 * error).all()
    assert table["as_written_above"].max() > 20, "what the rule is there for"


def test_a_worst_cell_drawn_anew(study) -> None:
    found = study("rounded_compare").cell("weibull", 15, 15, 4.0, "pulled apart", 400)
    assert found["as_written_above"] > 15 > 5 > max(found[name] for name in STATED)


def test_limits_are_moved_out_by_half_a_step_and_the_p_value_goes_along() -> None:
    stated, plain = compare(*arms(1.0)), compare(*arms(0.001))
    by = -np.log1p(-0.5 / 25.0) - np.log1p(-0.5 / 24.0)  # half a step of the lowest load of each arm
    assert np.log(plain.ratio_low / stated.ratio_low) == pytest.approx(by, rel=1e-6)
    assert np.log(stated.ratio_high / plain.ratio_high) == pytest.approx(by, rel=1e-6)
    assert stated.ratio == plain.ratio and (stated.p_value <= 0.05) == (stated.ratio_high < 1)
    assert plain.p_value < 0.01 < stated.p_value
    assert any("wider than twice their scatter" in note for note in stated.notes)
    assert np.isnan(stated.low_ratio) and any("No ratio of low strengths" in note for note in stated.notes)


def test_joint_answers_know_the_step_too() -> None:
    labels = pd.DataFrame({"group": ["a", "b", "c"], "item": ["a", "b", "c"]})
    stated, plain = (joint_of([compare(*arms(step))] * 3, labels) for step in (1.0, 0.001))
    assert stated.ratio_low < plain.ratio_low and stated.ratio_high > plain.ratio_high


def test_the_bound_of_a_trend_covers_with_rounded_loads(study) -> None:
    table = pd.read_csv(TABLE.with_name("rounded_trend.csv"))
    error = 100 * np.sqrt(table["confidence"] * (1 - table["confidence"]) / table["answers"])
    assert (table["placed"] >= 100 * table["confidence"] - 2 * error).all()
    again = study("rounded_trend").cell("normal", (3, 3), 2.0, 0.75, 60)
    assert min(row["placed"] - 100 * row["confidence"] for row in again) > 0
