"""Prediction of the next specimens: the rule that governs, what the reader is told, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import lowtail as lt
from lowtail.claims.strength.answer import floor3
from lowtail.models.prediction.lowest import lowest_low

LOADS = [24.1, 25.3, 22.8, 26.0, 23.9]
BATCHES = {"load": [24.1, 25.0, 24.6, 26.2, 27.1, 26.4, 23.5, 24.4, 23.9], "batch": list("PPPQQQRRR")}


def test_it_is_the_lower_of_two_distributions():
    both = lt.prediction(LOADS)
    each = {family: lt.prediction(LOADS, family=family).low for family in ("weibull", "normal")}
    assert both.low == both.these_batches == min(each.values()) and both.family == "weibull"
    assert both.governed_by == "Weibull" and math.isnan(both.next_batch)


def test_the_sentence_says_how_surely_what_holds_and_how_far_it_rests_on_the_distribution():
    answer = lt.prediction(lt.Sample(LOADS, label="steel oval"))
    said = str(answer)
    assert f"steel oval: with 95 % confidence the next specimen holds at least {floor3(answer.low)} kN (" in said
    assert said.endswith(answer.robust) and "a stated 95 % held for" in said
    five = lt.prediction(LOADS, 5, confidence=0.9)
    assert f"With 90 % confidence each of the next 5 specimens holds at least {floor3(five.low)} kN" in str(five)
    assert "rests on the distribution" in five.robust and "for more, less often" in lt.prediction(LOADS, 50).robust
    assert "for fewer it holds more often" in lt.prediction(LOADS, 3).robust
    assert list(answer.to_frame()["m"]) == [1]


def test_with_batches_it_speaks_of_a_batch_yet_to_come():
    answer = lt.prediction(lt.Sample(**BATCHES))
    assert answer.low == answer.next_batch < answer.these_batches == lt.prediction(BATCHES["load"]).low
    assert answer.governed_by == "batches" and answer.n_batches == 3
    assert "the next specimen, of a batch yet to come, holds" in str(answer)
    assert "all of one batch yet to come" in str(lt.prediction(lt.Sample(**BATCHES), 4))


def test_a_batch_is_never_above_the_specimens_in_hand():
    """Batches that agree better than chance would raise the bound: then the one without batches stands."""
    alike = lt.Sample([24.0, 26.0, 25.0, 24.1, 25.9, 25.0, 23.9, 26.1, 25.0], batch=list("PPPQQQRRR"))
    answer = lt.prediction(alike, confidence=0.6)
    assert answer.low == answer.next_batch <= answer.these_batches


def test_batches_without_a_bound_of_their_own_are_named():
    answer = lt.prediction(lt.Sample(LOADS, batch=list("PQRST")))
    assert math.isnan(answer.next_batch) and answer.low == lt.prediction(LOADS).low
    assert any(note.startswith("No bound for a batch yet to come:") for note in answer.notes)
    assert "batch" not in str(answer).split(".")[0]


def test_slips_are_read_both_ways():
    slid = {"load": [*LOADS, 20.0], "broke": [1, 1, 1, 1, 1, 0], "slipped": [0, 0, 0, 0, 0, 1]}
    answer = lt.prediction(lt.Sample(**slid))
    readings = [lt.prediction(lt.Sample(**slid), slips=means).low for means in ("failure", "held")]
    assert answer.low == min(readings) < max(readings) and "slips as failures" in answer.governed_by
    assert "1 of 6 specimens slipped" in answer.notes[0]


def test_specimens_held_early_lower_it_and_are_told():
    series = lt.Sample([22.53, 23.07, 24.0, *[19.5] * 27], [1, 1, 1, *[0] * 27], resolution=0)
    answer = lt.prediction(series, family="weibull")
    low, plain = lowest_low(lt.confidence_distribution(series), 1, 0.95)
    assert answer.low == low < plain
    assert any("by simulation" in note for note in answer.notes)
    assert not any("Whatever the distribution" in note for note in answer.notes)


def test_without_any_distribution_it_is_a_matter_of_ranks():
    """The next m all lie above the lowest of n with probability n / (n + m): by exchange."""
    assert any("with 83.3 % confidence" in note for note in lt.prediction(LOADS).notes)  # 5 / 6
    assert any("with 20 % confidence" in note for note in lt.prediction(LOADS, 20).notes)  # 5 / 25


def test_an_error_that_all_loads_have_in_common_lowers_it():
    plain, common = lt.prediction(LOADS), lt.prediction(lt.Sample(LOADS, common_uncertainty=0.01))
    assert common.low == pytest.approx(plain.low * math.exp(-0.01 * 1.6448536), rel=1e-6)
    assert any("in common 1 %" in note for note in common.notes)


def test_coarse_steps_and_breaks_between_loads_are_said():
    coarse = lt.prediction(lt.Sample([24, 25, 23, 26, 24], resolution=1.0))
    assert any("recorded in steps of 1 kN" in note for note in coarse.notes)
    steps = lt.prediction(lt.Sample([24.0, 25, 23, 26, 21], upper=[24.5, 25.5, 23.5, 26.5, 21.5]))
    assert any("broke between two loads" in note for note in steps.notes) and 10 < steps.low < 21


def test_a_zero_bound_is_no_bound():
    answer = lt.prediction([1.0, 30.0, 12.0], 50, family="normal")
    assert answer.low == 0 and answer.unusable and "no useful prediction bound for the next 50" in str(answer)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"m": 0}, "`m` must be a whole number from 1 to 1,000, got 0"),
        ({"m": 1001}, "`m` must be a whole number from 1 to 1,000, got 1001"),
        ({"confidence": 0.4}, "`confidence` must be at least 0.5 for a lower bound, got 0.4"),
        ({"confidence": 95}, "`confidence` must lie between 0 and 1"),
        ({"family": "gamma"}, "`family` must be one of"),
        ({"slips": "maybe"}, "`slips` must be"),
    ],
)
def test_what_is_refused(options, words):
    with pytest.raises(lt.InputError, match=words):
        lt.prediction(LOADS, **options)


def test_none_broke():
    with pytest.raises(lt.NoAnswerError, match="a bound needs at least 2 different loads at break"):
        lt.prediction(lt.Sample([20.0, 21.0], [0, 0]))


@settings(max_examples=15, deadline=None)
@given(
    loads=st.lists(st.integers(1500, 3000), min_size=3, max_size=8, unique=True),
    factor=st.floats(0.01, 100),
    m=st.integers(1, 30),
)
def test_properties(loads, factor, m):
    load = np.array(loads) / 100 + 0.0017
    answer = lt.prediction(lt.Sample(load, resolution=0), m)
    turned = lt.prediction(lt.Sample(load[::-1] * factor, resolution=0), m)
    assert turned.low == pytest.approx(answer.low * factor, rel=1e-6)
    assert answer.low <= lt.prediction(lt.Sample(load, resolution=0), max(m - 1, 1)).low
    assert answer.low <= lt.prediction(lt.Sample(load, resolution=0), m, confidence=0.9).low
