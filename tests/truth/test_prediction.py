"""Prediction bounds and acceptance of lots: the committed tables keep what is promised; short parts drawn again."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lowtail.claims.to_come.acceptance import AVERAGED
from lowtail.claims.to_come.prediction import POPULATIONS, ROBUST

HERE = Path(__file__).parent


def table(name):
    return pd.read_csv(HERE / f"{name}.csv")


def script(name):
    spec = importlib.util.spec_from_file_location(f"study_{name}", HERE / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def error_of(part):
    g = part["confidence"]
    return 100 * np.sqrt(g * (1 - g) / part["repeats"])


def test_complete_and_type_ii_series_hold_as_often_as_stated():
    part = table("prediction")
    assert (np.abs(part["held"] - 100 * part["confidence"]) <= 3 * error_of(part)).all()
    assert set(part["family"]) == {"weibull", "normal", "lognormal"} and set(part["m"]) == {1, 5, 20}


def test_specimens_held_early_and_batches_never_fall_a_point_below():
    for name, column in (("prediction_held", "calibrated"), ("prediction_batches", "held")):
        part = table(name)
        assert (part[column] >= 100 * part["confidence"] - 1).all()
    early = table("prediction_held")
    early = early[early["confidence"] == 0.95]
    assert early["plain"].min() < 92 and early["once"].min() < 94  # what the correction, and its factor, are for


def test_the_words_on_wrong_distributions_are_those_of_the_table():
    part = table("prediction_wrong")
    assert part["population"].nunique() == POPULATIONS
    for judged_by, least in ROBUST.items():
        found = part.groupby("m")[judged_by].min()
        assert {m: int(np.floor(value)) for m, value in found.items()} == least
    assert part["lower"].max() == 100


def test_lots_as_good_are_rejected_as_often_as_stated():
    part = table("lot_acceptance")
    own = part[(part["family"] == part["truth"]) & part["kind"].isna()]
    assert (np.abs(own["rejected"] - 5) <= 0.5).all() and len(own) >= 10
    assert (part.loc[part["share"].notna(), "rejected"] <= 5.5).all()  # over batches: on the safe side for good lots
    worse = part["accepted_weaker"] - part["stated_weaker"]
    assert f"up to {np.ceil(worse.max()):.0f} points higher" in AVERAGED


def test_short_part_of_the_prediction_study():
    study = script("prediction")
    rng = np.random.default_rng(1)
    load, lowest = study.strengths("weibull", (1500, 5), rng), study.strengths("weibull", (1500, 5), rng).min(axis=1)
    held = (study.chances(load, None, "weibull", lowest, 5) >= 0.05).mean()
    assert held == pytest.approx(0.95, abs=0.017)  # 3 errors


def test_short_part_of_the_study_of_lots():
    study = script("lot_acceptance")
    row = study.one("normal", "normal", 8, 8, 3, "", 150)
    assert row["rejected"] == pytest.approx(5, abs=0.4 + 3 * row["error"])
