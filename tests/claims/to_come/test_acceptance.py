"""Acceptance of a lot: verdict and limits, never "as good", survivors, batches, and what is refused."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from scipy import stats

import lowtail as lt
from lowtail.claims.to_come.acceptance import AVERAGED

SERIES = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9, 25.1, 24.4, 23.2], label="steel oval")
BATCHES = lt.Sample([24.1, 25.0, 24.6, 26.2, 27.1, 26.4, 23.5, 24.4, 23.9], batch=list("PPPQQQRRR"), label="sewn sling")


def judged(lot, series=SERIES, **options):
    return lt.accept_batch(series, lot, **options)


def test_the_verdict_is_that_of_the_two_limits():
    good, low, weak = judged([24.0, 23.5, 24.8]), judged([18.0, 26.0, 26.5]), judged([21.9, 22.0, 21.8])
    assert (good.verdict, good.failed) == ("accepted", "")
    assert (low.verdict, low.failed) == ("not accepted", "lowest") and low.mean_load > low.mean_limit
    assert (weak.verdict, weak.failed) == ("not accepted", "mean") and weak.lowest_load > weak.lowest_limit
    assert good.lowest_limit == low.lowest_limit == weak.lowest_limit  # they depend on the series and the size alone
    assert good.mean_load == pytest.approx(stats.gmean([24.0, 23.5, 24.8]))
    assert judged([24.0, 23.5, 24.8], family="normal").mean_load == pytest.approx(np.mean([24.0, 23.5, 24.8]))


def test_accepted_is_never_called_as_good():
    said = str(judged([24.0, 23.5, 24.8]))
    assert said.startswith("steel oval: the new lot is accepted: its lowest (23.5 kN) is not below the limit of ")
    assert "This does not show that it is as good: a lot 10 % weaker would be accepted with a chance of" in said
    other = str(judged(lt.Sample([15.0, 16.0, 17.0], label="lot 7"), weaker=0.2))
    assert "lot 'lot 7' is not accepted" in other and "a lot 20 % weaker would be accepted with a chance of" in other
    assert AVERAGED in judged([24.0, 23.5, 24.8]).notes


def test_the_digits_shown_tell_a_load_from_its_limit():
    limit = judged([24.0]).lowest_limit
    above, below = str(judged([limit + 0.0004])), str(judged([limit - 0.0004]))
    for said, relation in ((above, "not below"), (below, "below")):
        shown, least = re.search(rf"lowest \(([\d.]+) kN\) is {relation} the limit of ([\d.]+) kN", said).groups()
        assert (float(shown) < float(least)) == (relation == "below")


def test_one_specimen_of_a_normal_lot_is_a_prediction():
    """With one specimen lowest and mean are one and the same: the limit is the prediction bound of the next one."""
    answer = judged([23.0], family="normal")
    bound = lt.prediction(SERIES, family="normal").low
    assert answer.lowest_limit == answer.mean_limit == pytest.approx(bound, abs=0.03)  # 100,000 draws


def test_limits_of_a_long_series_are_those_of_known_parameters():
    """Each limit at one level, which lies between half the rejection and all of it; see tests/models/prediction."""
    z = stats.norm.ppf((np.arange(3000) + 0.5) / 3000)
    answer = judged([24.0, 25.0, 26.0], lt.Sample(25 + z, resolution=0), family="normal")
    level = stats.norm.cdf((answer.mean_limit - 25) * np.sqrt(3))
    assert 0.025 < level < 0.034
    assert 1 - stats.norm.sf(answer.lowest_limit - 25) ** 3 == pytest.approx(level, abs=0.002)


def test_the_chance_of_a_weaker_lot_falls_with_size_and_loss():
    small, large = judged([24.0, 23.5, 24.8]), judged([24.0, 23.5, 24.8, 24.1, 25.0, 23.9, 24.4, 24.6])
    assert large.accepted_weaker < small.accepted_weaker < 1 - small.false_rejection
    assert judged([24.0, 23.5, 24.8], weaker=0.2).accepted_weaker < small.accepted_weaker
    assert judged([24.0, 23.5, 24.8], weaker=1e-6).accepted_weaker == pytest.approx(0.95, abs=1e-4)
    assert small.accepted_wider < 0.95
    strict = judged([24.0, 23.5, 24.8], false_rejection=0.2)
    assert strict.lowest_limit > small.lowest_limit and strict.accepted_weaker < small.accepted_weaker


def test_with_batches_the_lot_is_one_more_of_them():
    over, within = judged([22.0, 23.0, 24.0], BATCHES), judged([22.0, 23.0, 24.0], lt.Sample(BATCHES.load))
    assert over.population == "a batch yet to come" and over.mean_limit < within.mean_limit
    assert any("Scatter between batches is not in the limits (fewer than 2" in note for note in within.notes)
    alone = judged([23.0, 24.0, 24.5], lt.Sample(SERIES.load, batch=list("ABCDEFGH")))
    assert any(note.startswith("Scatter between batches is not in the limits: ") for note in alone.notes)


def test_survivors_of_the_lot_count_with_their_loads():
    broke, held = judged([24.0, 23.5, 24.8]), judged(lt.Sample([24.0, 23.5, 24.8], [1, 1, 0]))
    assert held.verdict == broke.verdict and held.mean_load == broke.mean_load and held.n_broken == 2
    assert any("1 of 3 specimens of the lot held" in note for note in held.notes)
    short = judged(lt.Sample([15.0, 16.0, 17.0], [0, 0, 0]))
    assert short.verdict == "not accepted" and any("may hang on them" in note for note in short.notes)


def test_survivors_and_slips_of_the_series():
    early = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9, 20.0], [1, 1, 1, 1, 1, 0])
    assert any("held at low loads in the series" in note for note in judged([23.0, 24.0], early).notes)
    slid = lt.Sample(early.load, early.broke, slipped=[0, 0, 0, 0, 0, 1])
    both = judged([23.0, 24.0], slid)
    limits = [judged([23.0, 24.0], slid, slips=means).mean_limit for means in ("failure", "held")]
    assert both.mean_limit == max(limits) > min(limits)


def test_the_comparison_stands_beside_it():
    lot = lt.Sample([24.0, 23.5, 24.8, 24.9])
    answer, compared = judged(lot), lt.compare(SERIES, lot, margin=0.9)
    assert (answer.ratio, answer.keeps_margin, answer.equivalence) == (
        compared.ratio,
        str(compared.verdict),
        compared.equivalence,
    )
    assert f"that it keeps at least 90 % of the earlier strength is {answer.keeps_margin}" in str(answer)
    one = judged([24.0])
    assert math.isnan(one.ratio) and one.keeps_margin == "" and any("Not compared" in note for note in one.notes)
    assert "Compared" not in str(one)


def test_the_unit_and_the_order_change_nothing():
    a = judged([24.0, 23.5, 24.8])
    b = lt.accept_batch(lt.Sample(SERIES.load[::-1] * 7, resolution=0), np.array([24.8, 24.0, 23.5]) * 7)
    assert b.lowest_limit == pytest.approx(7 * a.lowest_limit, rel=1e-6)
    assert b.mean_limit == pytest.approx(7 * a.mean_limit, rel=1e-6) and b.accepted_weaker == a.accepted_weaker
    assert judged([24.0, 23.5, 24.8], rng=1).mean_limit == pytest.approx(a.mean_limit, abs=0.05)


@pytest.mark.parametrize(
    ("lot", "options", "words"),
    [
        ([24.0], {"false_rejection": 0.0}, "`false_rejection` must lie between 0.001 and 0.5, got 0.0"),
        ([24.0], {"weaker": 1.0}, "`weaker` must lie between 0 and 1"),
        ([24.0], {"margin": 1.5}, "`margin` must lie between 0 and 1"),
        (lt.Sample([24.0, 25.0], batch=["S", "T"]), {}, r"a lot is one batch, but these specimens name 2 \(S, T\)"),
        (lt.Sample([24.0, 25.0], batch=["P", "P"]), {"series": BATCHES}, "batch 'P' is also one of the earlier series"),
    ],
)
def test_what_is_refused(lot, options, words):
    with pytest.raises(lt.InputError, match=words):
        judged(lot, **options)


def test_a_series_without_scatter():
    with pytest.raises(lt.NoAnswerError, match="a bound needs at least 2 different loads at break"):
        judged([24.0], lt.Sample([24.0, 25.0], [1, 0]))
