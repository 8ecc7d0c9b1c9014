"""Comparisons: what is said, what is refused, and what must not depend on units, order or workers."""

from __future__ import annotations

import time
import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lowtail.claims.comparison.compare import compare
from lowtail.claims.comparison.levels import compare_levels, welch_f
from lowtail.claims.comparison.named_tests import HALF_AND_HALF, TESTS, two_sample_test
from lowtail.claims.comparison.ratios import ratio_from_laws
from lowtail.claims.comparison.typical import typical_law
from lowtail.errors import InputError, NoAnswerError
from lowtail.logs.sample import Sample
from lowtail.models.two_samples.half_and_half import Arms, limit, tail
from lowtail.models.two_samples.t_tests import behrens_fisher

SLOW = Sample([24.1, 25.3, 24.6, 25.0, 24.4], label="slow pull")
SHOCK = Sample([22.0, 23.1, 21.4, 22.6, 22.9], label="shock")
HELD = Sample([22.0, 23.1, 21.4, 22.6, 22.9], [True, True, True, False, False], label="shock")


def test_sentence_of_a_loss() -> None:
    assert str(compare(SLOW, SHOCK)) == (
        "shock against slow pull (5 against 5 specimens): ratio of typical strengths 0.91 (95 % interval 0.86 to 0.95; "
        "half-and-half Behrens-Fisher, p = 0.0028), weaker than slow pull."
    )


def test_sentence_with_a_margin() -> None:
    assert str(compare(SLOW, SHOCK, margin=0.8)).endswith("keeps at least 80 %: shown at 95 % confidence.")
    assert str(compare(SLOW, SHOCK, margin=0.9)).endswith(
        "keeps at least 90 %: not shown (only 0.86 is, at 95 % confidence)."
    )
    assert str(compare(SLOW, SHOCK, margin=0.97)).endswith(
        "keeps at least 97 %: shown worse (at most 0.95 at 95 % confidence)."
    )


def test_no_difference_names_what_would_have_shown() -> None:
    rng = np.random.default_rng(4)
    a, b = Sample(rng.normal(24, 2.5, 6)), Sample(rng.normal(24, 2.5, 6))
    result = compare(a, b)
    assert result.difference == "no difference shown"
    percent = int(np.ceil((1 - result.detectable_ratio) * 100))
    assert f"no difference shown (a loss of {percent} % or more would be detected 8 times in 10)" in str(result)


def test_a_hopeless_design_says_so() -> None:
    result = compare(Sample([24.0, 15.0]), Sample([20.0, 29.0]))
    assert "hardly one could have been: only a loss of" in str(result)
    assert "equal" not in str(result)
    assert any("No permutation test can show a difference here" in note for note in result.notes)


def test_three_against_three_names_the_smallest_p() -> None:
    result = compare(Sample([24.0, 25, 23]), Sample([20.0, 21, 22]))
    assert result.smallest_p == pytest.approx(0.1)
    assert result.permutation_p == pytest.approx(0.1)
    assert any("smallest p these numbers can reach is 0.1" in note for note in result.notes)


def test_identical_samples() -> None:
    result = compare(SLOW, SLOW, margin=0.9)
    assert result.ratio == 1
    assert result.p_value == pytest.approx(1, abs=1e-12)
    assert result.permutation_p == 1
    assert result.difference == "no difference shown"
    assert result.equivalence == "shown"
    assert "no difference shown (a loss of 5 % or more would be detected 8 times in 10)" in str(result)


@pytest.mark.parametrize(
    ("other", "words"),
    [
        (Sample([22.0], label="shock"), "a single specimen (22 kN) says nothing of the scatter"),
        (Sample([22.0, 22, 22], label="shock"), "all 3 loads are equal (22 kN). Zero scatter is not credible"),
        (Sample([22.0, 23, 24], [False] * 3, label="shock"), "none of 3 specimens broke, so that its strength is only"),
        (Sample([22.0, 23, 24], [True, False, False], label="shock"), "but 1 of 3 specimens broke"),
        (Sample([22.0, 22, 20], [True, True, False], label="shock"), "at least 2 different loads at break"),
    ],
)
def test_refusals_say_why_and_what_is_left(other: Sample, words: str) -> None:
    with pytest.raises(NoAnswerError) as refusal:
        compare(SLOW, other)
    assert words in str(refusal.value)
    assert "Group 'shock'" in str(refusal.value)
    assert "p = " in str(refusal.value)


def test_all_survivors_in_both_arms() -> None:
    held = Sample([22.0, 23, 24], [False] * 3)
    with pytest.raises(NoAnswerError, match="none of 3 specimens broke"):
        compare(held, held)
    with pytest.raises(NoAnswerError, match="nothing can be compared"):
        two_sample_test(held, held, "permutation log-rank")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"margin": 90}, "`margin` must lie between 0 and 1"),
        ({"confidence": 95}, "`confidence` must lie between 0.5 and 1"),
        ({"low_fraction": 5}, "Give a fraction: 0.05, not 5"),
        ({"under_read": (0.0, 13)}, "A peak that may read 13 % low is 0.13"),
        ({"alternative": "lower"}, "`alternative` must be one of"),
        ({"family": "gamma"}, "`family` must be one of"),
        ({"test": "t test"}, "`test` must be one of"),
        ({"pair": [1] * 10, "block": [1] * 10}, "Give `pair` or `block`, not both"),
        ({"block": [1] * 10, "test": "Mann-Whitney"}, "have a test and a family of their own"),
        ({"pair": [*"abcde"] * 2, "family": "weibull"}, "have a test and a family of their own"),
    ],
)
def test_bad_arguments(arguments: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words.replace("(", r"\(")):
        compare(SLOW, SHOCK, **arguments)  # type: ignore[arg-type]


def test_a_rank_test_of_unequal_arms_says_its_limit() -> None:
    more = Sample([*SHOCK.load, 22.2, 22.4])
    notes = compare(SLOW, more, test="Mann-Whitney").notes
    assert any("exact only where both arms scatter alike" in note for note in notes)
    assert not any("exact only" in note for note in compare(SLOW, SHOCK, test="Mann-Whitney").notes)


def test_a_number_is_no_sample() -> None:
    with pytest.raises(InputError, match="`other` must be one Sample, got a list of"):
        compare(SLOW, [22.0, 23.0])  # type: ignore[arg-type]


def test_survivors_take_the_confidence_laws() -> None:
    result = compare(SLOW, HELD)
    assert (result.family, result.typical, result.test) == ("weibull", "median", "Weibull likelihood ratio")
    # numbers more than one apart: the test that the interval belongs to
    uneven = compare(Sample([*SLOW.load, 24.9, 25.1]), HELD)
    assert uneven.test == "Weibull confidence distributions"
    assert (uneven.p_value < 0.05) == (uneven.ratio_high < 1 or uneven.ratio_low > 1)
    assert result.permutation_test == "permutation log-rank"
    assert result.ratio_low < result.ratio < result.ratio_high
    assert "5 against 5 specimens, 2 held" in str(result)
    # counted as breaks the survivors would make shock look weaker than it is known to be
    assert result.ratio_high > compare(SLOW, SHOCK, family="weibull").ratio_high


def test_a_test_without_place_for_survivors_refuses() -> None:
    with pytest.raises(NoAnswerError, match="2 of 5 specimens held, and the test 'Mann-Whitney' has no place"):
        compare(SLOW, HELD, test="Mann-Whitney")
    with pytest.raises(NoAnswerError, match="ratio of means by Fieller's interval has no place for survivors"):
        compare(SLOW, HELD, family="normal")


def test_every_named_test_runs_and_large_sample_ones_are_marked() -> None:
    for name, named in TESTS.items():
        result = two_sample_test(SLOW, SHOCK, name)
        assert np.isnan(result.p_value) or 0 < result.p_value <= 1
        assert result.large_sample == named.large_sample
        assert (" for comparison only" in str(result)) == named.large_sample
    note = compare(SLOW, SHOCK, test="pooled t on log load").notes[0]
    assert "for comparison only" in note


@pytest.mark.parametrize("name", [n for n in TESTS if n != "Brunner-Munzel, t table"])
def test_alternatives_point_the_same_way(name: str) -> None:
    less = two_sample_test(SLOW, SHOCK, name, alternative="less").p_value
    greater = two_sample_test(SLOW, SHOCK, name, alternative="greater").p_value
    assert less < 0.05 < greater
    assert two_sample_test(SHOCK, SLOW, name, alternative="greater").p_value == pytest.approx(less, rel=0.3, abs=8e-4)


def test_complete_arms_of_any_numbers_have_one_test_and_its_interval() -> None:
    three = Sample([20.0, 24.0, 27.0])
    for first, second in ((SLOW, Sample([20.0, 22, 24, 26])), (SLOW, three), (three, SLOW)):
        result = compare(first, second)
        assert result.test == HALF_AND_HALF
        at = typical_law(first, second)[0].interval(1 - result.p_value)  # at a confidence of 1 - p it ends at 1
        assert min(abs(np.log(at))) < 1e-4


def test_one_sided_statements_take_the_farther_limit() -> None:
    arms = Arms.of(np.log(SLOW.load)[None, :], np.log(SHOCK.load)[None, :])
    result = compare(SLOW, SHOCK, margin=0.9)
    low, high = ([float(np.exp(limit(arms, g, family)[0])) for family in ("normal", "weibull")] for g in (0.05, 0.95))
    assert (result.keeps_low, result.keeps_high) == pytest.approx((min(low), max(high)))
    less = compare(SLOW, SHOCK, alternative="less")
    assert less.p_value == pytest.approx(max(tail(arms, "less", family=f)[0] for f in ("normal", "weibull")))
    # medians of arms with survivors: the farther of the Weibull and the lognormal confidence distributions
    held = compare(SLOW, HELD, margin=0.9, rng=1)
    ends = [ratio_from_laws(SLOW, HELD, f, 0.5, 1).upper(0.05) for f in ("weibull", "lognormal")]
    assert held.keeps_low == pytest.approx(min(ends))
    assert ends[0] != ends[1]


def test_behrens_fisher_is_the_lognormal_confidence_law() -> None:
    a, b = Sample([20.0, 24.0, 27.0]), SLOW
    exact = behrens_fisher(np.log(a.load), np.log(b.load))
    drawn = ratio_from_laws(a, b, "lognormal", 0.5, 0).interval(0.95)
    assert np.log(drawn) == pytest.approx([exact.low, exact.high], rel=0.03)


def test_behrens_fisher_limits() -> None:
    # where one arm has no scatter of its own to speak of, the distribution is that of the other arm: Student's t
    from scipy import stats

    x = np.array([1.0, 2.0, 3.0])
    y = np.array([5.0, 5.0 + 1e-9, 5.0 - 1e-9, 5.0])
    result = behrens_fisher(x, y)
    reach = stats.t.ppf(0.975, 2) * x.std(ddof=1) / np.sqrt(3)
    assert result.high - result.difference == pytest.approx(reach, rel=1e-6)


def test_under_reading_alone_could_explain() -> None:
    result = compare(SLOW, SHOCK, under_read=(0.0, 0.13))
    assert result.under_read_explains
    assert result.ratio_high_read == pytest.approx(result.ratio_high / 0.87)
    assert result.ratio_low_read == result.ratio_low
    assert "peaks that read up to 13 % low could alone explain this" in str(result)
    small = compare(SLOW, SHOCK, under_read=(0.0, 0.01))
    assert not small.under_read_explains
    assert "peaks that may read up to 1 % low" in str(small)


def test_pairs_take_out_what_pairs_share() -> None:
    rope = np.array([18.0, 21.0, 24.0, 27.0, 30.0])
    slow, shock = Sample(rope), Sample(rope * [0.93, 0.95, 0.94, 0.96, 0.92])
    paired = compare(slow, shock, pair=[*"abcde", *"abcde"])
    assert paired.difference == "weaker"
    assert paired.test == "paired t on log load"
    assert paired.smallest_p == pytest.approx(2 / 2**5)
    assert compare(slow, shock).difference == "no difference shown"
    shuffled = compare(slow, Sample(shock.load[[2, 0, 1, 4, 3]]), pair=[*"abcde", *"cabed"])
    assert shuffled.ratio_low == pytest.approx(paired.ratio_low)


def test_paired_t_against_scipy() -> None:
    from scipy import stats

    result = compare(SLOW, SHOCK, pair=[*range(5), *range(5)])
    theirs = stats.ttest_rel(np.log(SHOCK.load), np.log(SLOW.load))
    assert result.p_value == pytest.approx(float(theirs.pvalue))
    interval = theirs.confidence_interval(0.95)
    assert np.log([result.ratio_low, result.ratio_high]) == pytest.approx([interval.low, interval.high])


@pytest.mark.parametrize(
    ("pair", "words"),
    [
        ([*"aabcd", *"abcde"], "'a' stands at 2 specimens"),
        ([*"abcde", *"abcdf"], "stands in one arm only"),
        ([*"abcde"], "one label for each of the 5 \\+ 5 specimens"),
    ],
)
def test_bad_pairs(pair: list[str], words: str) -> None:
    with pytest.raises(InputError, match=words):
        compare(SLOW, SHOCK, pair=pair)


def test_pairs_need_scatter() -> None:
    with pytest.raises(NoAnswerError, match=r"All 5 pairs have the same ratio \(0\.9\)"):
        compare(SLOW, Sample(SLOW.load * 0.9), pair=[*"abcde", *"abcde"])


def test_blocks_against_statsmodels_and_by_hand() -> None:
    slow, shock = Sample([20.0, 21.0, 30.0, 31.0]), Sample([18.5, 19.9, 28.0, 28.4])
    block = ["old", "old", "new", "new"] * 2
    result = compare(slow, shock, block=block)
    y = np.log(np.concatenate([slow.load, shock.load]))
    by_hand = np.mean([y[4:6].mean() - y[:2].mean(), y[6:].mean() - y[2:4].mean()])
    assert np.log(result.ratio) == pytest.approx(by_hand)
    assert result.smallest_p == pytest.approx(2 / (6 * 6))
    assert result.permutation_p == pytest.approx(2 / 36)
    assert result.difference == "weaker"
    assert compare(slow, shock).difference == "no difference shown"


def test_block_refusals() -> None:
    with pytest.raises(NoAnswerError, match="No block holds specimens of both arms"):
        compare(SLOW, SHOCK, block=["a"] * 5 + ["b"] * 5)
    lost = compare(SLOW, SHOCK, block=["a"] * 4 + ["b"] + ["a"] * 5)
    assert any("1 specimens stand in blocks with one arm only" in note for note in lost.notes)


def test_low_strengths_at_three_fractions() -> None:
    result = compare(SLOW, SHOCK)
    assert [r.fraction_below for r in result.low_ratios] == [0.01, 0.05, 0.10]
    widths = [np.log(r.high / r.low) for r in result.low_ratios]
    assert widths[0] > widths[1] > widths[2]
    assert result.low_ratio == pytest.approx(result.low_ratios[2].ratio)


def test_normal_law_refuses_ratios_of_nothing() -> None:
    wide = Sample([10.0, 25.0, 40.0])
    result = compare(wide, SHOCK, low_family="normal")
    assert np.isnan(result.low_ratio)
    assert any("No ratio of low strengths" in note for note in result.notes)


def test_ten_against_ten_in_under_a_second() -> None:
    rng = np.random.default_rng(1)
    a, b = Sample(rng.normal(24, 1, 10)), Sample(rng.normal(23, 1, 10))
    compare(a, b)
    start = time.perf_counter()
    result = compare(a, b)
    assert time.perf_counter() - start < 1.0
    assert result.smallest_p == pytest.approx(2 / 184756)


@settings(max_examples=6, deadline=None)
@given(factor=st.sampled_from([0.2248089, 1000.0, 1e-3]), seed=st.integers(0, 50))
def test_units_and_order_change_nothing(factor: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    a, b = rng.weibull(12, 5) * 24, rng.weibull(9, 4) * 22
    first = compare(Sample(a), Sample(b))
    second = compare(Sample(rng.permutation(a) * factor), Sample(rng.permutation(b) * factor))
    for name in ("ratio", "ratio_low", "ratio_high", "p_value", "permutation_p", "smallest_p", "detectable_ratio"):
        assert getattr(second, name) == pytest.approx(getattr(first, name), rel=1e-6)
    assert second.low_ratio_low == pytest.approx(first.low_ratio_low, rel=1e-5)
    assert second.scatter_ratio == pytest.approx(first.scatter_ratio, rel=1e-5)


def test_swapping_the_arms_turns_the_ratio_over() -> None:
    one, two = compare(SLOW, SHOCK), compare(SHOCK, SLOW)
    assert two.ratio == pytest.approx(1 / one.ratio)
    assert two.ratio_low == pytest.approx(1 / one.ratio_high)
    assert two.difference == "stronger"


def test_the_same_seed_gives_the_same_answer() -> None:
    one, two = compare(SLOW, HELD, rng=3), compare(SLOW, HELD, rng=3)
    assert (one.p_value, one.ratio_low, one.low_ratio_low) == (two.p_value, two.ratio_low, two.low_ratio_low)


def test_record_is_a_row_and_a_table() -> None:
    result = compare(SLOW, SHOCK, margin=0.9)
    frame = result.to_frame()
    assert frame.shape[0] == 1
    assert "samples" not in frame
    assert "weaker than slow pull" in result._repr_html_()
    from lowtail.glossary import meaning

    assert [c for c in frame.columns if not meaning(c)] == []


def test_levels_omnibus_and_contrasts() -> None:
    samples = [
        SLOW,
        Sample([24.0, 25.1, 24.9, 24.2], label="0.5 m"),
        Sample([20.1, 21.0, 20.6, 20.9, 20.2], label="2 m"),
    ]
    result = compare_levels(samples)
    assert list(result.contrasts["difference"]) == ["no difference shown", "weaker"]
    assert (result.contrasts["p_holm"] >= result.contrasts["p_value"]).all()
    alone = result.comparisons[1]
    assert result.contrasts["ratio_low"][1] < alone.ratio_low
    assert result.contrasts["ratio_high"][1] > alone.ratio_high
    assert result.p_value < 0.005
    assert "2 m is weaker (ratio 0.83" in str(result)
    with pytest.raises(InputError, match="must be one of the samples"):
        compare_levels(samples, reference="3 m")
    with pytest.raises(InputError, match="at least 2 levels, got 1"):
        compare_levels(samples[:1])


def test_levels_with_survivors() -> None:
    result = compare_levels([SLOW, HELD, Sample([20.1, 21.0, 20.6, 20.9, 20.2], label="2 m")])
    assert result.test == "permutation log-rank"
    assert result.p_value < 0.01


def test_welch_f_against_the_libraries() -> None:
    # NBS Handbook 91 concrete (see tests/outside): R 4.2.2 oneway.test gives F = 32.68271453
    first = np.array([3128.0, 3219, 3244, 3073])
    second = np.array([1939.0, 1697, 3030, 2424, 2020, 2909, 1815, 2020, 2310])
    assert welch_f([first, second]) == pytest.approx(32.68271453, rel=1e-8)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from statsmodels.stats.oneway import anova_oneway
    third = np.array([2500.0, 2610, 2400, 2450, 2580])
    theirs = anova_oneway([first, second, third], use_var="unequal").statistic
    assert welch_f([first, second, third]) == pytest.approx(float(theirs), rel=1e-9)


def log_table(seed: int = 2) -> pd.DataFrame:
    """A log's table: two items, two orientations, both methods; one cell without shock, one with a single specimen."""
    rng = np.random.default_rng(seed)
    rows = []
    for item, orientation, method, n in [
        ("sling", "straight", "slow pull", 5),
        ("sling", "straight", "shock", 5),
        ("sling", "basket", "slow pull", 4),
        ("sling", "basket", "shock", 4),
        ("cord", "straight", "slow pull", 5),
        ("cord", "straight", "shock", 1),
        ("cord", "knot", "slow pull", 5),
    ]:
        for i in range(n):
            shock = method == "shock"
            rows.append(
                {
                    "specimen": f"{item}-{orientation}-{method}-{i}",
                    "item": item,
                    "orientation": orientation,
                    "method": method,
                    "load_kN": rng.normal(22 if shock else 24, 0.8),
                    "broke": True,
                    "used": True,
                    "batch": "",
                    "sample_rate_hz": 1000.0 if shock else np.nan,
                }
            )
    return pd.DataFrame(rows)


def test_table_rows_and_adjustments() -> None:
    from lowtail.claims.comparison.table import compare_table

    table = compare_table(log_table(), margin=0.8)
    assert list(table["group"]) == ["sling, straight", "sling, basket", "cord, straight", "cord, knot"]
    answered = table[table["refusal"] == ""]
    assert len(answered) == 2
    assert (answered["p_holm"] >= answered["p_value"]).all()
    assert (answered["ratio_low_all"] < answered["ratio_low"]).all()
    assert table["verdict"][2] == "no answer"
    assert "a single specimen" in table["refusal"][2]
    assert table["refusal"][3] == "This group has one level only."
    assert table["sentence"].notna().all()
    assert table.attrs["comparisons"][3] is None
    assert table.attrs["comparisons"][0].ratio == table["ratio"][0]
    from lowtail.glossary import BREAK_LOG, meaning

    unknown = [c for c in table.columns if not meaning(c) and c not in ("item", "orientation") and c not in BREAK_LOG]
    assert unknown == []


def test_table_carries_the_under_reading() -> None:
    from lowtail.claims.comparison.table import compare_table

    table = compare_table(log_table(), pulse_width_ms=20.0)
    assert table["under_read_other"][0] == pytest.approx(0.130, abs=0.0005)  # break on the flank, 1 kHz and 20 ms
    assert table["under_read_reference"][0] == 0
    assert compare_table(log_table())["under_read_other"][0] == 0


def test_table_does_not_depend_on_workers() -> None:
    from lowtail.claims.comparison.table import compare_table

    one = compare_table(log_table(), n_jobs=1)
    two = compare_table(log_table(), n_jobs=2)
    pd.testing.assert_frame_equal(one.drop(columns="notes"), two.drop(columns="notes"))


def test_table_refuses_unknown_levels() -> None:
    from lowtail.claims.comparison.table import compare_table

    with pytest.raises(InputError, match=r"`other` 'drop' is no level of column 'method'\. Levels found: 'slow pull'"):
        compare_table(log_table(), other="drop")
    with pytest.raises(InputError, match="`by` must not contain the compared column 'method'"):
        compare_table(log_table(), by=("item", "method"))


def test_rounding_never_reaches_the_mark() -> None:
    from lowtail.claims.comparison.words import _down, _up

    assert (_up(0.9971), _up(0.981), _up(0.8996, 0.9), _down(1.002)) == ("0.998", "0.99", "0.8996", "1.002")


def test_table_averages_the_under_reading_over_specimens() -> None:
    from lowtail.claims.comparison.table import compare_table

    mixed = log_table()
    shock = mixed.index[(mixed["method"] == "shock") & (mixed["item"] == "sling")]
    mixed.loc[shock[:4], "sample_rate_hz"] = 20_000.0
    share = compare_table(mixed, pulse_width_ms=20.0)["under_read_other"][0]
    slow, fast = 0.1296, 0.0060  # break on the flank at 1 kHz and at 20 kHz
    assert share == pytest.approx(1 - (1 - slow) ** 0.2 * (1 - fast) ** 0.8, abs=0.001)
    mixed.loc[shock[0], "sample_rate_hz"] = np.nan
    assert compare_table(mixed, pulse_width_ms=20.0)["under_read_other"][0] > share


def test_batches_as_blocks() -> None:
    slow = Sample([20.0, 21.0, 30.0, 31.0], batch=["A", "A", "B", "B"])
    shock = Sample([18.5, 19.9, 28.0, 28.4], batch=["A", "A", "B", "B"])
    by_word = compare(slow, shock, block="batch")
    assert by_word.ratio_high == compare(slow, shock, block=["A", "A", "B", "B"] * 2).ratio_high
    with pytest.raises(InputError, match="needs the batch of every specimen"):
        compare(SLOW, SHOCK, block="batch")
    with pytest.raises(InputError, match="or the word \"batch\", got 'age'"):
        compare(slow, shock, block="age")


def test_confidence_laws_as_a_test_agree_with_their_interval() -> None:
    for other in (SHOCK, HELD):
        result = compare(SLOW, other, family="weibull", test="Weibull confidence distributions")
        assert (result.p_value < 0.05) == (result.ratio_high < 1 or result.ratio_low > 1)


def test_scatter_interval_against_the_handbook_f() -> None:
    # NIST/SEMATECH e-Handbook 7.3.2 (numbers read in Boost.Math's documentation): s1 = 4.90820 (n 11), s2 = 2.58740
    # (n 9), F = 3.59847, upper 2.5 % point 4.295, lower 0.2594
    from lowtail.claims.comparison.ratios import scatter_of_logs

    def spread_out(n: int, std: float) -> np.ndarray:
        z = np.arange(n, dtype=float)
        return std * (z - z.mean()) / z.std(ddof=1)

    low, high = scatter_of_logs(spread_out(9, 2.58740), spread_out(11, 4.90820), 0.95)
    assert low == pytest.approx(np.sqrt(3.59847 / 4.295), abs=2e-4)
    assert high == pytest.approx(np.sqrt(3.59847 / 0.2594), abs=1e-3)
