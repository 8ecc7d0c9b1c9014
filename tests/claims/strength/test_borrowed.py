"""Borrowed scatter as a reader meets it: record, sentences, refusals, the table, the command, the figure."""

from __future__ import annotations

import json
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

import lowtail as lt
from lowtail import (
    InputError,
    NoAnswerError,
    Sample,
    ScalePrior,
    confidence_distribution,
    confidence_that,
    lower_bound,
    write_report,
)
from lowtail.claims.strength.borrowed import EQUAL_COVERED
from lowtail.cli import main

DATA = Path(__file__).parents[3] / "data"
SLOW = Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="sling, slow pull")
SHOCK = Sample([21.0, 22.4, 20.1, 23.0, 22.2], [1, 1, 1, 0, 1], label="sling, shock")
CORD = Sample([6.1, 5.8, 6.6, 5.2], label="cord")
KIN = [SLOW, SHOCK, CORD]
PAST = [Sample(20 * np.random.default_rng(s).weibull(53, 5), label=f"year {s}") for s in range(5)]
WILD = Sample([17.0, 24.0, 31.0], label="this year")


def test_sentence_and_record():
    found = lower_bound(SHOCK, "A-basis", siblings=KIN)
    assert str(found) == (
        "sling, shock: at least 99 % of the population is stronger than 12.4 kN (A-basis; Weibull distribution, "
        "borrowed scatter; 5 specimens, 1 held): 95 % confidence on average over groups whose scatters differ as these "
        "do; for this group alone, whatever the "
        "others are, at least 80 %. Own bound at 95 %: 9.77 kN."
    )
    assert found.own == lower_bound(SHOCK, "A-basis").low
    assert found.floor == lower_bound(SHOCK, fraction_below=0.01, confidence=found.floor_confidence).low
    assert found.floor_confidence == pytest.approx(0.80) and found.low <= found.floor
    assert 0.05 < found.conflict_p < 1 and not found.pooling_refused and found.borrowed
    assert found.notes[0].startswith("Assumption: ") and "2 groups (9 breaks)" in found.notes[0]
    frame = found.to_frame()
    assert frame["own"][0] == found.own and frame["conflict_p"][0] == found.conflict_p
    alone = lower_bound(SHOCK, "A-basis")
    assert np.isnan(alone.own) and not alone.borrowed and alone.promise == ""


def test_the_example_refuses_and_says_so():
    """Earlier series of shape about 53 and breaks at 17, 24, 31: 1.854 kN, refused (an independent prototype)."""
    found = lower_bound(WILD, siblings=PAST)
    assert found.low == found.own == lower_bound(WILD).low == pytest.approx(1.854, abs=5e-4)
    assert found.pooling_refused and not found.borrowed and found.conflict_p < 0.01
    assert "own scatter, pooling refused" in str(found) and "on average" not in str(found)
    assert found.notes[1].startswith("Pooling refused: this group is more scattered than the others let expect")


@pytest.mark.parametrize("family", ["weibull", "lognormal"])
def test_earlier_series_and_siblings_are_one_rule(family):
    """`scale_prior` of five series answers as the same five as siblings, bound, conflict p and confidence."""
    prior = lt.scale_prior(PAST, family)
    for sample in (SLOW, SHOCK, WILD):
        one = lower_bound(sample, "A-basis", family=family, siblings=PAST)
        other = lower_bound(sample, "A-basis", family=family, prior=prior)
        assert (one.low, one.floor, one.conflict_p) == (other.low, other.floor, other.conflict_p)
        assert (
            confidence_that(sample, 15.0, 0.1, family=family, siblings=PAST).confidence
            == confidence_that(sample, 15.0, 0.1, family=family, prior=prior).confidence
        )
    assert "earlier series (5 series)" in lower_bound(SLOW, family=family, prior=prior).notes[0]


def test_a_stated_prior_has_the_floor_and_the_conflict_rule():
    bold = ScalePrior(shape=60, width=0.1)
    found = lower_bound(SLOW, "A-basis", prior=bold)
    assert found.pooling_refused or found.low <= found.floor
    assert lower_bound(WILD, prior=bold).low == lower_bound(WILD).low
    near = lower_bound(SLOW, "A-basis", prior=ScalePrior(shape=20, width=0.2))
    assert "scatters differ as the prior says" in str(near) and near.own < near.low <= near.floor


@pytest.mark.parametrize(("sample", "kin"), [(SLOW, KIN), (SHOCK, KIN), (WILD, PAST), (SLOW, PAST)])
def test_confidence_is_the_inverse_of_the_bound(sample, kin):
    for p, g in ((0.01, 0.95), (0.10, 0.75), (0.05, 0.9)):
        low = lower_bound(sample, fraction_below=p, confidence=g, siblings=kin).low
        shown = confidence_that(sample, low, p, siblings=kin)
        assert shown.confidence == pytest.approx(g, abs=2e-3)  # the calibration of early holds has this tolerance
        assert shown.own == confidence_that(sample, low, p).confidence
    said = str(confidence_that(SLOW, 17.0, 0.01, siblings=KIN))
    assert "on average over groups whose scatters differ as these do" in said and "For this group alone" in said


def test_who_lends_and_who_does_not():
    silent = Sample([20.0, 20.0], label="tied")
    found = lower_bound(SLOW, siblings=[*KIN, silent])
    assert found.low == lower_bound(SLOW, siblings=KIN).low
    assert any("not among the lenders: tied" in note for note in found.notes)
    assert lower_bound(SLOW, siblings=[SHOCK, CORD]).low == lower_bound(SLOW, siblings=KIN).low  # itself does not count
    for kin in ([], [SLOW], [silent]):
        with pytest.raises(NoAnswerError, match="no sibling lends its scatter"):
            lower_bound(SLOW, siblings=kin)


@pytest.mark.parametrize(
    ("load", "broke", "words"),
    [
        ([20.0, 21.0, 22.0], [0, 0, 0], "0 of 3 specimens broke"),
        ([20.0, 21.0, 22.0], [1, 0, 0], "1 of 3 specimens broke"),
        ([20.0, 20.0, 22.0], [1, 1, 0], "all at one load"),
    ],
)
@pytest.mark.parametrize("options", [{"siblings": KIN}, {"prior": ScalePrior(shape=15, width=0.2)}])
def test_fewer_than_two_breaks_cannot_be_checked(load, broke, words, options):
    sample = Sample(load, broke, label="new")
    with pytest.raises(NoAnswerError, match=words) as caught:
        lower_bound(sample, **options)
    assert "cannot be checked" in str(caught.value) and "no floor holds" in str(caught.value)
    with pytest.raises(NoAnswerError, match="cannot be checked"):
        confidence_that(sample, 10.0, 0.1, **options)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"siblings": KIN, "family": "normal"}, "whose scatter has no unit"),
        ({"prior": ScalePrior(shape=15, width=0.2), "family": "normal"}, "whose scatter has no unit"),
        ({"prior": lt.scale_prior(PAST), "family": "lognormal"}, "earlier series under the Weibull distribution"),
        ({"siblings": KIN, "fraction_below": 0.1, "confidence": 0.7}, "at least 0.75 to borrow scatter"),
        ({"siblings": KIN, "prior": ScalePrior(shape=15, width=0.2)}, "Give only one of"),
        ({"siblings": KIN, "shape": 15.0}, "Give only one of"),
        ({"siblings": KIN, "method": "order statistic"}, "belongs to the confidence distribution"),
        ({"method": "equal scatter"}, "takes the scatter of `siblings`"),
    ],
)
def test_what_is_refused(options, words):
    with pytest.raises(InputError, match=words):
        lower_bound(SLOW, **options)
    if "confidence" not in options and options.get("method") != "order statistic":
        with pytest.raises(InputError, match=words):
            confidence_that(SLOW, 10.0, 0.1, **options)


def test_equal_scatter_by_name_says_what_it_does_when_wrong():
    found = lower_bound(SLOW, "A-basis", siblings=KIN, method="equal scatter")
    assert found.method == "equal scatter" and np.isnan(found.own)
    assert found.low == confidence_distribution(SLOW, equal_scatter=KIN).low(0.01, 0.95)
    assert "3 groups have exactly one scatter (13 breaks in all)" in found.notes[0]
    table = pd.read_csv(Path(__file__).parents[2] / "truth" / "borrowed_scatter.csv")
    cell = table[(table["cell"] == "8 v 24") & (table["n"] == 5) & (table["groups"] == 5)]
    cell = cell[(cell["family"] == "weibull") & (cell["pattern"] == "complete") & (cell["confidence"] == 0.95)]
    covered = cell[cell["fraction_below"] == 0.01]["equal"].item()
    assert round(covered) == EQUAL_COVERED and f"covered {EQUAL_COVERED:.0f} % instead of 95 %" in found.notes[1]
    shown = confidence_that(SLOW, found.low, 0.01, siblings=KIN, method="equal scatter")
    assert shown.confidence == pytest.approx(0.95, abs=1e-6)
    with pytest.raises(InputError, match="`method` must be 'auto' or 'equal scatter'"):
        confidence_that(SLOW, 20.0, 0.01, method="batches")


def test_early_holds_keep_the_calibrated_own_bounds():
    held = Sample([24.1, 26.3, 25.2, 23.9, *[20.5] * 8], [1] * 4 + [0] * 8, label="bolt")
    found = lower_bound(held, "A-basis", siblings=[SLOW, CORD])
    assert found.own == lower_bound(held, "A-basis").low
    assert found.low <= lower_bound(held, fraction_below=0.01, confidence=found.floor_confidence).low
    assert any("the pooled bound is not" in note for note in found.notes)
    lender = lower_bound(SLOW, "A-basis", siblings=[held, CORD])
    assert any("the pooled bound is not" in note for note in lender.notes)


LOG = lt.read_breaks(DATA / "park_breaks.csv")


@pytest.fixture(scope="module")
def table():
    return lt.strength_table(LOG, bases=("A-basis", "5 % characteristic, 75 %"), borrow="item")


def test_table_borrows_within_the_item_and_nothing_else_changes(table):
    plain = lt.strength_table(LOG, bases=("A-basis", "5 % characteristic, 75 %"))
    new = [c for c in table.columns if c not in plain.columns]
    assert new == [
        "A-basis, borrowed scatter [kN]",
        "5 % characteristic, 75 %, borrowed scatter [kN]",
        "borrowed scatter",
        "borrowed scatter, conflict p",
    ]
    pd.testing.assert_frame_equal(table[plain.columns], plain)
    assert table.asked.borrow == ("item",) and table.asked.borrow_family == "weibull"
    samples = LOG.samples
    for _, row in table[table["n_slipped"] == 0].iterrows():
        sample = samples[row["group"]]
        kin = [s for s in samples.values() if s.group["item"] == sample.group["item"]]
        if any(s.n_slipped for s in kin):
            continue
        found = lower_bound(sample, "A-basis", siblings=kin)
        assert row["A-basis, borrowed scatter [kN]"] == found.low
        assert row["borrowed scatter, conflict p"] == found.conflict_p
        assert found.promise in row["borrowed scatter"] or found.pooling_refused


def test_slips_that_are_not_stated_give_the_lower_reading(table):
    (slid,) = [s for s in LOG.samples.values() if s.n_slipped]
    kin = [s for s in LOG.samples.values() if s.group["item"] == slid.group["item"]]
    lows = [
        lower_bound(slid.with_slips(m), "A-basis", siblings=[s.with_slips(m) if s.n_slipped else s for s in kin]).low
        for m in ("failure", "held")
    ]
    row = table[table["group"] == slid.label].iloc[0]
    assert row["A-basis, borrowed scatter [kN]"] == min(lows) and lows[0] != lows[1]
    assert "the lower of both readings stands" in row["borrowed scatter"]
    stated = lt.strength_table(LOG, bases="A-basis", borrow="item", slips="held").set_index("group")
    assert stated.loc[slid.label, "A-basis, borrowed scatter [kN]"] == lows[1]


def test_all_groups_only_by_choice_and_other_families():
    frame = lt.strength_table(LOG, bases="A-basis", borrow="all", family="normal")
    assert "17 groups" in frame["borrowed scatter"].iloc[0] and frame.asked.borrow_family == "weibull"
    frame = lt.strength_table(LOG, bases="A-basis", borrow="item", family="lognormal")
    sample, *kin = [s for s in LOG.samples.values() if s.group["item"] == "steel oval connector"]
    found = lower_bound(sample, "A-basis", family="lognormal", siblings=kin)
    assert frame["A-basis, borrowed scatter [kN]"].iloc[0] == found.low
    with pytest.raises(InputError, match="`borrow` names 'batch', which is not among the grouping columns"):
        lt.strength_table(LOG, borrow="batch")
    alone = lt.strength_table(LOG, by="item", bases="A-basis", borrow="item")
    assert alone["A-basis, borrowed scatter [kN]"].isna().all()
    assert alone["borrowed scatter"].str.startswith("none: ").all()
    with pytest.raises(InputError, match="siblings may stand in another file"):
        lt.many.strength_table([DATA / "park_breaks.csv"], borrow="item")


def test_no_verdict_rests_on_borrowed_scatter(table):
    ratings = lt.rating_check(LOG)
    rated = table.dropna(subset="rated_kN").set_index("group")
    for group, sentence in zip(ratings["group"], ratings["sentence"], strict=True):
        assert rated.loc[group, "sentence"] == sentence or "A-basis" in rated.loc[group, "sentence"]
    assert "borrowed" not in " ".join(ratings["sentence"]) + " ".join(table["A-basis, governed by"])


def test_figure(table):
    ax = lt.plot.lower_bounds(table)
    drawn = [line for line in ax.get_lines() if line.get_gid() == "borrowed"]
    np.testing.assert_array_equal(drawn[0].get_xdata(), table["A-basis, borrowed scatter [kN]"])
    assert "borrowed scatter" in [text.get_text() for text in ax.get_legend().get_texts()]
    plt.close(ax.figure)


def test_command_and_page(capsys, tmp_path):
    log = str(DATA / "park_breaks.csv")
    assert (
        main(["strength", log, "--only", "steel", "--borrow", "item", "--basis", "A-basis", "--no-checks", "--json"])
        == 0
    )
    rows = json.loads(capsys.readouterr().out)["rows"]
    assert rows[0]["A-basis, borrowed scatter [kN]"] < rows[0]["A-basis, Weibull [kN]"]  # less scattered than its kin
    assert main(["strength", log, "--only", "cord", "--borrow", "item", "--basis", "A-basis", "--no-checks"]) == 0
    shown = capsys.readouterr().out
    assert "Own scatter and borrowed scatter" in shown and "at least 80 % for 95 %" in shown
    write_report(LOG, tmp_path / "p.html", bases=("A-basis",), only=["cord"], checks=False)
    page = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert "With scatter borrowed from sibling groups" in page and "never judged on borrowed scatter" in page
    assert "borrow scatter from each other" in page
    write_report(LOG, tmp_path / "q.html", bases=("A-basis",), only=["cord"], checks=False, borrow="none")
    assert "Own scatter and borrowed scatter" not in (tmp_path / "q.html").read_text(encoding="utf-8")
    with pytest.raises(InputError, match="`borrow` names 'colour'"):
        write_report(LOG, tmp_path / "r.html", bases=("A-basis",), only=["cord"], checks=False, borrow="colour")
