"""What all comparisons of a log say together: by definition, against general libraries, and on the invented park."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.oneway import anova_oneway

import lowtail as lt
from lowtail.models.two_samples.joint import (
    Differences,
    at_least,
    heterogeneity,
    largest_p,
    mean_of,
    predict,
    set_p,
    subsets,
)

DATA = Path(__file__).parents[3] / "data"
LOG = lt.read_breaks(DATA / "park_breaks.csv")


def differences(groups: list[tuple[np.ndarray, np.ndarray]]) -> Differences:
    v = np.array([[y.var(ddof=1) / y.size for y in pair] for pair in groups])
    f = np.array([[y.size - 1.0 for y in pair] for pair in groups])
    d = np.array([second.mean() - first.mean() for first, second in groups])
    return Differences(d, v[:, 0], f[:, 0], v[:, 1], f[:, 1])


@pytest.fixture
def groups():
    rng = np.random.default_rng(3)
    return [(rng.normal(0, 0.05, 6), rng.normal(-loss, 0.07, 5)) for loss in (0.0, 0.1, 0.12, 0.02, 0.15)]


def test_one_group_is_welch(groups):
    """Welch (1947): scipy's `ttest_ind` without equal variances."""
    for first, second in groups:
        x = differences([(first, second)])
        p = set_p(x, np.ones((1, 1)))[0]
        assert p == pytest.approx(stats.ttest_ind(second, first, equal_var=False, alternative="less").pvalue, rel=1e-12)


def test_the_count_is_closed_testing_by_definition(groups):
    """|S| less the largest part of S inside a set whose test does not reject, every set tried one by one."""
    x, level = differences(groups), 0.05
    sets = subsets(len(groups))
    p = set_p(x, sets)
    by_set = {tuple(np.flatnonzero(row)): value for row, value in zip(sets, p, strict=True)}
    for size in range(1, 6):
        for asked in combinations(range(5), size):
            covered = [len(set(asked) & set(s)) for s, value in by_set.items() if value > level]
            among = np.isin(np.arange(5), asked).astype(float)
            assert at_least(p, sets, among, level) == size - max(covered, default=0)
    single = largest_p(p, sets)
    assert single == pytest.approx([max(v for s, v in by_set.items() if g in s) for g in range(5)])


def test_many_rows_at_once_are_single_rows(groups):
    one = differences(groups)
    two = Differences(*(np.stack([a, a * 1.1]) for a in (one.d, one.v1, one.f1, one.v2, one.f2)))
    sets = subsets(5)
    assert set_p(two, sets)[0] == pytest.approx(set_p(one, sets))
    assert at_least(set_p(two, sets), sets, np.ones(5))[0] == at_least(set_p(one, sets), sets, np.ones(5))
    assert heterogeneity(two)[1][0] == pytest.approx(heterogeneity(one)[1])
    assert mean_of(two, np.ones(5))[0][0] == pytest.approx(mean_of(one, np.ones(5))[0])


def test_differing_ratios_are_welchs_anova():
    """Welch (1951) for one-way layouts with unequal variances: statsmodels' `anova_oneway`."""
    rng = np.random.default_rng(5)
    rows = [rng.normal(m, s, n) for m, s, n in ((0, 1, 5), (0.5, 2, 7), (1.5, 1, 4), (0.2, 3, 6))]
    v = np.array([y.var(ddof=1) / y.size for y in rows])
    x = Differences(np.array([y.mean() for y in rows]), v, np.array([y.size - 1.0 for y in rows]), 0 * v, 1 + 0 * v)
    ratio, p = heterogeneity(x)
    other = anova_oneway(rows, use_var="unequal", welch_correction=True)
    assert (float(ratio), float(p)) == pytest.approx((other.statistic, other.pvalue), rel=1e-10)


def test_one_more_group_is_the_prediction_interval_of_a_normal_sample():
    """mean +- t sd sqrt(1 + 1/n): 1.0, 2.0, 4.0, 5.0 by hand, t(0.90; 3) = 1.6377 (Student's table, 4 digits)."""
    low, high = predict(np.array([1.0, 2.0, 4.0, 5.0]), 0.80)
    half = 1.6377 * np.sqrt(10 / 3) * np.sqrt(1.25)
    assert (low, high) == pytest.approx((3 - half, 3 + half), abs=2e-4)


def test_the_park():
    """Demo data, invented: losses of 7 configurations are drawn at 4 to 20 % (data/README.md)."""
    joint = lt.compare_table(LOG, margin=0.9).joint
    assert str(joint) == (
        "Over these 7 configurations shock takes about 12 % (8 to 16); at least 5 of the 7 are weaker under shock; "
        "four in five further configurations would keep 77 to 101 %."
    )
    assert 0.881 <= joint.ratio <= 0.884 and joint.weaker == 5 and joint.stronger == 0
    assert joint.confidence_interval().low == joint.ratio_low < joint.ratio < joint.ratio_high < 1
    assert set(joint.weaker_named) <= set(joint.groups) and len(joint.weaker_named) <= joint.weaker
    total = joint.sets[joint.sets["value"] == "all"].iloc[0]
    assert total["weaker"] == 5 and total["n_groups"] == 7
    per_item = joint.sets[joint.sets["column"] == "item"]
    assert per_item["n_groups"].sum() == 7 and per_item["weaker"].sum() <= 5


def test_order_and_unit_change_nothing():
    table = LOG.table.sample(frac=1, random_state=1)
    shuffled = lt.compare_table(table, margin=0.9).joint
    scaled = lt.compare_table(LOG.table.assign(load_kN=LOG.table["load_kN"] * 1000), margin=0.9).joint
    plain = lt.compare_table(LOG, margin=0.9).joint
    for other in (shuffled, scaled):
        assert other.weaker == plain.weaker and set(other.weaker_named) == set(plain.weaker_named)
        assert other.ratio == pytest.approx(plain.ratio, rel=1e-6)
        assert (other.ratio_low, other.ratio_high) == pytest.approx((plain.ratio_low, plain.ratio_high), rel=1e-5)


def test_a_part_of_the_rows_is_joined_alone():
    table = lt.compare_table(LOG)
    sling = table[table["item"] == "sewn sling"]
    assert sling.joint.n_groups == 2 and np.isnan(sling.joint.next_low)
    assert sling.joint.groups == tuple(sling.loc[sling["ratio"].notna(), "group"])


def make(rows):
    return lt.check_breaks(
        pd.DataFrame(rows, columns=["specimen", "item", "method", "batch", "load [kN]"]).assign(outcome="broke")
    )


def test_what_cannot_be_joined_says_why():
    one = [
        (f"{m}{i}", "sling", m, f"b{i}", 20.0 + i + (m == "shock")) for m in ("slow pull", "shock") for i in range(4)
    ]
    table = lt.compare_table(make(one))
    with pytest.raises(lt.NoAnswerError, match="at least 2 configurations with both arms, got 1"):
        _ = table.joint
    two = one + [(f"c{s}", "cord", m, b, x / 3) for s, _, m, b, x in one]
    with pytest.raises(lt.NoAnswerError, match="over pairs or blocks is not given"):
        _ = lt.compare_table(make(two), pair="batch").joint
    many = [(f"{k}{s}", f"item {k}", m, b, x) for k in range(17) for s, _, m, b, x in one]
    with pytest.raises(lt.NoAnswerError, match=r"at most 16 configurations \(17 given\)"):
        _ = lt.compare_table(make(many)).joint
    three = two + [(f"h{s}", i, "heat", b, x) for s, i, m, b, x in two if m == "shock"]
    with pytest.raises(lt.NoAnswerError, match=r"here are 2 \(shock, heat\)"):
        _ = lt.compare_table(make(three)).joint
