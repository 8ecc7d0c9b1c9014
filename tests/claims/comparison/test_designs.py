"""Pairs and blocks in which some specimens held: against brute force, by hand, and what is refused."""

from __future__ import annotations

import re
from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from lowtail import NoAnswerError, Sample, compare
from lowtail.claims.comparison.designs import answer_blocks, answer_pairs
from lowtail.models.two_samples.level_free import Blocks, level_free_law
from lowtail.models.two_samples.survivor_tests import log_rank, log_rank_scores

SLOW = Sample([18.1, 21.4, 24.0, 26.7, 30.2, 23.5], label="slow pull")
SHOCK = Sample([16.6, 20.1, 23.5, 24.4, 31.0, 22.0], [True, True, True, True, False, True], label="shock")
PAIR = [*"abcdef"] * 2


def shares(log_density: np.ndarray, at: np.ndarray, points: list[float]) -> list[float]:
    """Mass below each point of a distribution given on an even grid."""
    mass = np.exp(log_density - log_density.max())
    total = np.concatenate([[0.0], np.cumsum((mass[1:] + mass[:-1]) / 2)])
    return [float(np.interp(x, at, total / total[-1])) for x in points]


def test_law_of_pairs_is_that_of_logistic_differences() -> None:
    # two Weibull specimens with one shape k and one free level: the log ratio is logistic with spread 1 / k, and a
    # survivor makes it at least, or at most, what was seen (by definition; brute force over difference and ln k)
    y = np.array([[0.00, 0.31, 0.52, 0.20, -0.05, 0.27, 0.49, 0.11]])
    broke = np.array([[True, True, True, False, True, True, False, True]])
    other = np.repeat([False, True], 4)
    law = level_free_law(Blocks(y, broke, other, np.tile(np.arange(4), 2)), 400, 801)
    d = y[0, 4:] - y[0, :4]
    t, theta = np.linspace(-7, 8, 1501), np.linspace(-6, 6, 6001)
    k = np.exp(t)[:, None]
    value = stats.logistic.logpdf(k * (d[0] - theta)) + stats.logistic.logpdf(k * (d[1] - theta)) + 2 * t[:, None]
    value += stats.logistic.logsf(k * (d[2] - theta)) + stats.logistic.logcdf(k * (d[3] - theta))
    points = [-0.2, -0.05, 0.0, 0.1]
    expected = shares(special.logsumexp(value, axis=0), theta, points)
    assert [float(law.below(x)[0]) for x in points] == pytest.approx(expected, abs=0.002)
    assert law.free[0] == 1


def test_law_of_blocks_by_brute_force_over_the_levels() -> None:
    # every level integrated on a grid instead of in closed form
    y = np.array([[0.02, 0.15, -0.10, 0.30, 0.22, 0.05, 0.36]])
    broke = np.array([[True, True, True, True, False, True, True]])
    other = np.array([False, False, True, False, False, True, True])
    block = np.array([0, 0, 0, 1, 1, 1, 1])
    law = level_free_law(Blocks(y, broke, other, block), 400, 801)
    t, theta, level = np.linspace(-3, 6, 181), np.linspace(-2.5, 2.5, 501), np.linspace(-6, 6, 1201)
    total = np.zeros((t.size, theta.size))
    for b in (0, 1):
        inside = block == b
        for i, k in enumerate(np.exp(t)):
            value = np.zeros((theta.size, level.size))
            for load, fell, second in zip(y[0, inside], broke[0, inside], other[inside], strict=True):
                z = k * (load - second * theta[:, None] - level[None, :])
                value += (z + np.log(k) if fell else 0.0) - np.exp(np.minimum(z, 500.0))
            total[i] += special.logsumexp(value, axis=1)
    points = [-0.5, -0.1, 0.0, 0.2]
    expected = shares(special.logsumexp(total, axis=0), theta, points)
    assert [float(law.below(x)[0]) for x in points] == pytest.approx(expected, abs=0.01)
    assert law.free[0] == 3


def test_sign_test_of_the_pairs_whose_order_is_known() -> None:
    # pairs b to f: the other broke lower; a: it held below its partner's break, so its order is not known
    other = Sample([17.0, 20.1, 23.5, 24.4, 29.0, 22.0], [False, True, True, True, True, True])
    result = compare(SLOW, other, pair=PAIR)
    assert result.permutation_test == "sign test of pairs"
    assert result.permutation_p == pytest.approx(stats.binomtest(0, 5).pvalue)
    assert result.smallest_p == pytest.approx(2 / 2**5)
    # here the survivor held above its partner's break: known, and the other way
    known = compare(SLOW, SHOCK, pair=PAIR)
    assert known.permutation_p == pytest.approx(stats.binomtest(1, 6).pvalue)
    less = compare(SLOW, SHOCK, pair=PAIR, alternative="less")
    assert less.permutation_p == pytest.approx(stats.binomtest(1, 6, alternative="less").pvalue)


def test_permutation_within_blocks_by_listing_them() -> None:
    block = [*"xxxyyy"] * 2
    result = compare(SLOW, SHOCK, block=block)
    assert result.permutation_test == "permutation log-rank within blocks"
    load, broke = np.log(np.concatenate([SLOW.load, SHOCK.load])), np.concatenate([SLOW.broke, SHOCK.broke])
    sums = []
    for b in "xy":
        inside = np.array([v == b for v in block])
        score = log_rank_scores(load[inside], broke[inside])
        sums.append([sum(part) for part in combinations(score, 3)])
    values = np.abs([one + two for one, two in product(*sums)])
    mine = abs(sums[0][-1] + sums[1][-1])  # the last choice is the other arm as it was
    assert result.permutation_p == pytest.approx(np.mean(values >= mine - 1e-9))
    # one block that holds everything is the plain permutation log-rank test
    whole = compare(SLOW, SHOCK, block=["all"] * 12)
    plain = log_rank((np.log(SLOW.load), SLOW.broke), (np.log(SHOCK.load), SHOCK.broke))
    assert whole.permutation_p == pytest.approx(plain.p_value)


def test_each_end_is_the_farther_of_two() -> None:
    answer = answer_pairs(SLOW, SHOCK, PAIR, "two-sided", 0)
    low, high = answer.law.interval(0.95)
    theirs = stats.ttest_rel(np.log(SHOCK.load), np.log(SLOW.load)).confidence_interval(0.95)
    y, broke = np.log(np.concatenate([SLOW.load, SHOCK.load])), np.concatenate([SLOW.broke, SHOCK.broke])
    law = level_free_law(Blocks(y[None], broke[None], np.repeat([False, True], 6), np.tile(np.arange(6), 2)))
    assert np.log(low) == pytest.approx(min(theirs.low, law.upper(0.025)[0]))
    assert np.log(high) == pytest.approx(max(theirs.high, law.upper(0.975)[0]))
    # the p value says what the interval says: at its own confidence the interval ends at 1
    ends = answer.law.interval(1 - answer.p_value)
    assert min(abs(np.log(end)) for end in ends) == pytest.approx(0, abs=1e-6)


@settings(max_examples=8, deadline=None)
@given(factor=st.floats(0.2, 5.0), seed=st.integers(0, 99))
def test_unit_and_order_change_nothing(factor: float, seed: int) -> None:
    order = np.random.default_rng(seed).permutation(6)
    back = np.random.default_rng(seed + 1).permutation(6)
    base = answer_pairs(SLOW, SHOCK, PAIR, "two-sided", 0)
    moved = answer_pairs(
        Sample(SLOW.load[order] * factor),
        Sample(SHOCK.load[back] * factor, SHOCK.broke[back]),
        [*(PAIR[i] for i in order), *(PAIR[i] for i in back)],
        "two-sided",
        0,
    )
    assert moved.law.interval(0.95) == pytest.approx(base.law.interval(0.95), rel=1e-6)
    assert moved.permutation_p == base.permutation_p
    assert moved.typical_other == pytest.approx(base.typical_other * factor)


def test_notes_say_what_takes_no_part() -> None:
    slow = Sample(SLOW.load, [True, True, True, True, True, False])
    shock = Sample([16.6, 20.1, 23.5, 24.4, 27.0, 22.0], [True, True, True, True, True, False])
    notes = compare(slow, shock, pair=PAIR).notes
    assert notes[0].startswith("5 pairs tell of the ratio")
    assert "1 pairs in which every specimen held say nothing of the ratio" in notes[1]
    assert any("farther of two" in note for note in notes)
    lone = compare(SLOW, SHOCK, block=[*"aaabbz", *"aaabbb"]).notes
    assert any("1 specimens stand in blocks with one arm only" in note for note in lone)


def test_refusals_with_survivors() -> None:
    few = Sample([16.6, 20.1, 25.0, 27.0, 31.0, 24.0], [True, True, False, False, False, False])
    one = Sample(SLOW.load, [False, True, True, True, True, True])
    # the other broke lower in a and b, the reference in c to f
    p = stats.binomtest(2, 6).pvalue
    words = f"but there is 1. The sign test of pairs alone gives p = {p:.2g}. Test on until more break"
    with pytest.raises(NoAnswerError, match=re.escape(words)):
        compare(one, few, pair=PAIR)
    with pytest.raises(NoAnswerError, match="no scatter about one ratio"):
        compare(SLOW, Sample(SLOW.load * [0.7, 0.7, 0.7, 0.7, 0.9, 0.9], few.broke[::-1]), pair=PAIR)
    with pytest.raises(NoAnswerError, match="No block holds specimens of both arms"):
        compare(SLOW, SHOCK, block=["a"] * 6 + ["b"] * 6)
    with pytest.raises(NoAnswerError, match="no specimen of one arm broke"):
        answer_blocks(
            SLOW,
            Sample([16.6, 20.1, 25.0, 27.0, 31.0, 24.0], [False, False, False, True, True, True]),
            [*"aaabbb", *"aaaccc"],
            "two-sided",
            0,
        )


def test_loss_that_would_have_shown_is_shown_about_as_often_as_said() -> None:
    # 7 pairs, the other arm held above 0.05 on log load: series at a true ratio of 1 give the distribution of the upper
    # bound; a true loss only shifts it (and the load held with it). On average over series, each with its own scatter
    # for the true one, 0.71 of complete series of 7 show the loss that the paired t says to show 8 times in 10 (by
    # simulation)
    rng = np.random.default_rng(3)
    said, bound = [], []
    while len(said) < 60:
        level = rng.normal(0, 0.1, 7)
        y = [level + np.log(rng.exponential(size=7)) / 15 for _ in range(2)]
        broke = y[1] <= 0.05
        if broke.sum() < 2 or broke.all():
            continue
        law = answer_pairs(
            Sample(np.exp(y[0])), Sample(np.exp(np.minimum(y[1], 0.05)), broke), [*"abcdefg"] * 2, "two-sided", 0
        ).law
        said.append(-np.log(law.detectable(0.95, True)))
        bound.append(np.log(law.upper(0.975)))
    chance = np.mean(np.array(bound)[:, None] < np.array(said)[None, :])
    assert 0.65 < chance < 0.85
