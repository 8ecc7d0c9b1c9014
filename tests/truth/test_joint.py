"""The joint answer over configurations: the committed study, and a short part of it again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

TABLE = pd.read_csv(Path(__file__).with_name("joint.csv"))
ERROR = np.sqrt(0.05 * 0.95 / TABLE["repetitions"])
COMPLETE = TABLE["held"] == 0


def test_the_mean_is_covered():
    """94 to 98 % in every complete cell, within two simulation errors; at least that with survivors."""
    covered = TABLE["mean_covered"]
    assert (covered >= 0.94 - 2 * ERROR).all()
    assert (covered[COMPLETE] <= 0.98).all()


def test_counts_and_names_say_too_much_as_rarely_as_stated():
    """At most 7 % (nominal 5) from four groups on, 8 % with two; the worst truth is Weibull shapes 7 and 20."""
    more = TABLE["groups"] > 2
    assert (TABLE.loc[more, "too_many"] <= 0.07 + ERROR[more]).all()
    assert (TABLE["too_many"] <= 0.08).all()
    assert (TABLE["named_falsely"] <= 0.05 + 3.5 * ERROR).all()
    assert (TABLE.loc[TABLE["groups"] > 2, "named_falsely"] <= 0.05).all()


def test_the_count_finds_what_is_there():
    """All seven weaker by 10 %, 6 against 6: more than four are counted where both arms scatter by a tenth."""
    seven = TABLE[(TABLE["groups"] == 7) & (TABLE["n_reference"] == 6) & (TABLE["weaker"] == "all") & COMPLETE]
    assert (seven.set_index("truth").loc[["lognormal 1:1", "Weibull 15, 15"], "counted"] > 4).all()


def test_one_more_group_is_covered_as_often_as_stated():
    scattered = TABLE[TABLE["weaker"] == "scattered"]
    assert len(scattered) and (scattered["next_covered"] >= 0.79).all()


def test_a_difference_between_groups_is_false_more_often_where_arms_are_of_three():
    """Welch's F: at most 6.5 % where no arm is of three; with ten groups and arms of three up to 11 %, and a note."""
    few = (TABLE["n_reference"] == 3) | (TABLE["n_other"] == 3)
    assert (TABLE.loc[~few, "differ"].dropna() <= 0.065 + 2 * ERROR[~few].max()).all()
    assert 0.08 < TABLE.loc[few, "differ"].max() < 0.12


@pytest.mark.parametrize("name", ["lognormal 1:1", "Weibull 7, 20"])
def test_a_short_part_again(study, monkeypatch, name):
    joint = _load(study, monkeypatch)
    monkeypatch.setattr(joint, "REPETITIONS", 400)
    row = joint.cell(name, 4, 6, 6, "none", 0.0, 5)
    same = TABLE[(TABLE["truth"] == name) & (TABLE["groups"] == 4) & (TABLE["n_reference"] == 6) & COMPLETE]
    wanted = same[same["weaker"] == "none"].iloc[0]
    for column in ("mean_covered", "too_many"):
        error = np.sqrt(max(wanted[column] * (1 - wanted[column]), 1e-3) * (1 / 400 + 1 / 4000))
        assert abs(row[column] - wanted[column]) < 3.5 * error


def _load(study, monkeypatch):
    monkeypatch.syspath_prepend(str(Path(__file__).parent))
    return study("joint")
