"""Confidence where the distribution is not Weibull: committed tables, and short parts of both studies drawn again."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lowtail.report.page.sections_checks import MISSED

HERE = Path(__file__).parent
REAL = pd.read_csv(HERE / "real_strengths.csv")
WRONG = pd.read_csv(HERE / "wrong_distribution.csv")
HELD = pd.read_csv(HERE / "wrong_distribution_held.csv")


def lowest(table, n, fraction, confidence=0.95, which="governing", **of):
    part = table[(table["n"] == n) & (table["fraction_below"] == fraction) & (table["confidence"] == confidence)]
    for column, value in of.items():
        part = part[part[column.replace("kind", "class")] == value]
    assert len(part)
    return float(part[which].min())


@pytest.mark.parametrize(
    ("population", "fraction", "least"),
    [
        ("ceramic bars, batch 1", 0.01, {5: 91, 10: 89, 30: 80}),
        ("glass fibre 15 mm", 0.10, {5: 89, 10: 91, 30: 94}),
    ],
)
def test_real_populations(population, fraction, least):
    """What an independent prototype measured on the same numbers, the lower of plain and smoothed."""
    for n, value in least.items():
        assert lowest(REAL, n, fraction, population=population) >= value
        assert lowest(REAL, n, fraction, which="W", population=population) < lowest(
            REAL, n, fraction, population=population
        )


def test_on_average_over_real_populations_the_confidence_is_kept():
    for p, g in ((0.01, 0.95), (0.10, 0.95), (0.05, 0.75)):
        part = REAL[(REAL["fraction_below"] == p) & (REAL["confidence"] == g)]
        assert (part.groupby("n")["governing"].mean() >= 100 * g).all()


def test_under_the_weibull_distribution_nothing_is_lost_but_a_little_height():
    """At least 94.5 % for 95 and 74 % for 75; the price at a cv of 8 % as in an independent prototype, within 0.02."""
    part = WRONG[WRONG["population"] == "Weibull 25"]
    for _, row in part.iterrows():
        assert row["governing"] >= (94.5 if row["confidence"] == 0.95 else 74)
    price = {
        (0.01, 0.95): (0.59, 0.75, 0.81, 0.86),
        (0.10, 0.95): (0.83, 0.90, 0.93, 0.95),
        (0.05, 0.75): (0.91, 0.94, 0.96, 0.97),
    }
    table = WRONG[WRONG["population"] == "Weibull 15"].set_index(["fraction_below", "confidence", "n"])["price"]
    for (p, g), values in price.items():
        for n, value in zip((5, 10, 15, 30), values, strict=True):
            assert table[p, g, n] == pytest.approx(value, abs=0.02)


def test_a_tenth_30_percent_weaker():
    """Weibull 15 with a tenth of the pieces 30 % weaker, 10 % point at 95 %: an independent prototype's 90, 86, 94."""
    for n, value in ((5, 90), (10, 86), (30, 94)):
        assert lowest(WRONG, n, 0.10, kind="minority 30 % weaker", population="10 %") >= value


def test_what_no_bound_repairs_is_in_the_table():
    """A rare weak kind of which no piece was tested: no bound covers it at small n, hence the sentence beside it."""
    assert lowest(WRONG, 5, 0.10, kind="low scatter, a tenth 30 % weaker") < 80
    assert lowest(WRONG, 10, 0.10, kind="all from one batch of many") < 90


def test_the_sentence_on_what_the_checks_miss_states_the_table():
    """Where no check warns the page says how often they do warn, at 5, 10 and 15 specimens, to the nearest per cent."""
    table = pd.read_csv(HERE / "wrong_distribution_warned.csv").set_index(["population", "n"])["any"]
    numbers = [int(x) for x in re.findall(r"\d+", MISSED)]
    weak, sound = ([round(table[what, n]) for n in (5, 10, 15)] for what in ("a tenth 30 % weaker", "sound"))
    assert numbers == [15, 30, *weak, 5, 10, 15, *sound]
    assert max(weak) < 50  # "would miss most"


def test_with_survivors_the_cautious_bound_keeps_its_confidence():
    """Within 3 simulation errors where it promises so: distributions log-concave in ln load, the worst among them."""
    promised = HELD[HELD["population"].isin(["Weibull 15", "normal cv 6 %", "power 10"])]
    error = 100 * np.sqrt(promised["confidence"] * (1 - promised["confidence"]) / promised["repeats_C"])
    assert (promised["C"] >= 100 * promised["confidence"] - 3 * error).all()
    part = HELD[HELD["class"].isin(["minority 30 % weaker", "competing Weibulls"])]
    assert (part["governing"] >= part["W"]).all() and (part["governing"] - part["W"]).mean() > 5


def test_the_bounds_of_the_sentence_on_a_weaker_kind():
    """Of the Weibull kind, with survivors and for a batch yet to come they keep the confidence; on real strengths less.

    Nominal less 3 simulation errors. What the lower of the two bounds would have covered stands beside them.
    """
    table = pd.read_csv(HERE / "unseen.csv")
    error = 100 * np.sqrt(table["confidence"] * (1 - table["confidence"]) / table["repeats"])
    sound = table["main"].str.contains("Weibull")
    assert (table["said"] >= 100 * table["confidence"] - 3 * error)[sound].all()
    assert (table["said"] >= table["lower_of_two"] - 1e-9).all()
    real = table[~sound]
    assert (real.loc[real["confidence"] == 0.95, "said"] >= 89).all()
    assert (real.loc[real["confidence"] == 0.75, "said"] >= 69).all()


def test_the_share_in_the_sentence_on_a_weaker_kind():
    """False in at most 7 % of samples (5 nominal) under six kinds of limits; counting every specimen, in up to 54 %."""
    table = pd.read_csv(HERE / "unseen_share.csv")
    assert table["false"].max() <= 7.0
    assert table["false_every_specimen"].max() > 50


def test_short_parts_again(study):
    real = study("real_strengths").study(300, ["glass fibre 15 mm"], (5,))
    wrong = study("wrong_distribution").study(300, ["minority 30 % weaker"], (10,))
    for table, committed, keys in (
        (real, REAL, ["population", "smoothed", "n", "fraction_below", "confidence"]),
        (wrong, WRONG, ["class", "population", "n", "fraction_below", "confidence"]),
    ):
        both = table.merge(committed, on=keys, suffixes=("", "_committed"))
        assert len(both) == len(table)
        p = both["governing_committed"] / 100
        error = 100 * np.sqrt(np.maximum(p * (1 - p), 0.01) / 300)
        assert ((both["governing"] - both["governing_committed"]).abs() <= 4 * error).all()
