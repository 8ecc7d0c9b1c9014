"""Pooling: published statistics, calibrated p-values, a verdict with its power."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from lowtail import InputError, NoAnswerError, Sample
from lowtail.checks import pooling
from lowtail.models.batches.k_sample import k_sample_ad, ksample_ad_p, levene_statistic, permutation_labels, smallest_p
from lowtail.models.distributions.families import get_family
from lowtail.models.regression.batch_tests import Batches, location_ratio, simulate, simulated_p, spread_ratio

# NIST public data library, NATR326.DAT (Natrella 1963, NBS Handbook 91, p. 3-26): concrete by two methods, psi
CONCRETE = [
    [3128.0, 3219, 3244, 3073],
    [1939.0, 1697, 3030, 2424, 2020, 2909, 1815, 2020, 2310],
]


@pytest.mark.parametrize(
    # R 4.2.2, survival 3.5.3: 2 * (loglik(~g) - loglik(~1)) of survreg
    ("family", "place"),
    [("weibull", 6.946862159), ("lognormal", 9.744200464)],
)
def test_place_ratio_against_r(family: str, place: float) -> None:
    load, label = np.concatenate(CONCRETE), np.repeat([0, 1], [4, 9])
    batches = Batches(load, np.ones(13, dtype=bool), label)
    assert location_ratio(load[None], batches.broke[None], batches, get_family(family))[0] == pytest.approx(
        place, rel=1e-8
    )


def test_spread_ratio_against_r() -> None:
    # R 4.2.2, survival 3.5.3: 2 * (loglik(~g + strata(g)) - loglik(~g)), lognormal
    load, label = np.concatenate(CONCRETE), np.repeat([0, 1], [4, 9])
    batches = Batches(load, np.ones(13, dtype=bool), label)
    found = spread_ratio(load[None], batches.broke[None], batches, get_family("lognormal"))[0]
    assert found == pytest.approx(12.64094183, rel=1e-8)


def test_levene_and_anderson_darling_against_r() -> None:
    # R 4.2.2 aov(abs(y - group median) ~ g); kSamples 1.2.9 ad.test, version 1
    answer = pooling([Sample(c) for c in CONCRETE], family="normal", power=False, size=400)
    table = answer.table.set_index("test")
    assert table.loc["Levene, median-centred", "statistic"] == pytest.approx(2.390984358, rel=1e-9)
    assert table.loc["Levene, median-centred", "p_published"] == pytest.approx(0.15030622, rel=1e-7)
    assert k_sample_ad(CONCRETE).raw == pytest.approx(4.6889, abs=5e-5)
    assert answer.anderson_darling_scaled == pytest.approx(answer.anderson_darling, rel=1e-12)  # k - 1 = 1


def test_bartlett_stands_beside_and_decides_nothing() -> None:
    # R 4.2.2 stats: bartlett.test on NATR326.DAT by method
    answer = pooling([Sample(c) for c in CONCRETE], family="normal", power=False, size=400)
    assert answer.bartlett == pytest.approx(6.487752813, rel=1e-9)
    assert answer.bartlett_p == pytest.approx(0.01086201992, rel=1e-9)
    assert not answer.table["test"].str.contains("Bartlett").any()
    assert any("Bartlett" in n and "comparison only" in n for n in answer.notes)
    held = [Sample(CONCRETE[0], [1, 1, 1, 0]), Sample(CONCRETE[1])]
    assert np.isnan(pooling(held, family="normal", power=False, size=400).bartlett)


def test_bartlett_would_alarm_at_sound_weibull_batches() -> None:
    # why it decides nothing: log loads of one Weibull distribution have skewness -1.14 and kurtosis 5.4 (NIST/SEMATECH
    # e-Handbook 1.3.5.7: Bartlett's test is sensitive to departures from normality)
    rng = np.random.default_rng(4)
    alarms = [stats.bartlett(*np.log(rng.standard_exponential((3, 10))))[1] <= 0.05 for _ in range(1500)]
    assert np.mean(alarms) > 0.10


def test_permutation_is_complete_where_it_can_be() -> None:
    labels, complete = permutation_labels([3, 3], np.random.default_rng(0))
    assert complete and labels.shape == (20, 6) and len({tuple(r) for r in labels}) == 20
    groups = [[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]]
    right, mid, used, complete = ksample_ad_p(groups, np.random.default_rng(0))
    assert (used, complete) == (20, True)
    assert right == mid == pytest.approx(0.1) == smallest_p([3, 3])  # the two extreme deals of 20


def test_permutation_p_with_ties_is_exact() -> None:
    # all permutations of tied loads: P(p <= x) <= x for every reachable x, by definition
    from itertools import permutations

    pooled = np.array([1.0, 1.0, 2.0, 2.0, 3.0])
    deals = sorted(set(permutations([0, 0, 1, 1, 1])))
    p = [ksample_ad_p([pooled[np.array(d) == 0], pooled[np.array(d) == 1]], np.random.default_rng(0))[1] for d in deals]
    for level in sorted(set(p)):
        assert np.mean(np.array(p) <= level + 1e-12) <= level + 1e-12


def test_levene_batch_equals_scipy() -> None:
    rng = np.random.default_rng(3)
    y, label = rng.normal(size=(5, 12)), np.repeat([0, 1, 2], 4)
    ours = levene_statistic(y, label, 3)
    theirs = [stats.levene(*(row[label == g] for g in range(3)), center="median").statistic for row in y]
    assert ours == pytest.approx(theirs, rel=1e-10)


def test_far_batches_differ_and_the_sentence_says_so() -> None:
    answer = pooling([Sample([24.1, 25.3, 24.8, 26.0]), Sample([18.2, 17.9, 18.8, 19.1])], power=False, size=400)
    assert answer.verdict == "differ"
    assert "do not pool them, use the between-batch bound" in str(answer)
    assert answer.batch_share > 0.8


def test_alike_batches_are_not_called_alike() -> None:
    rng = np.random.default_rng(11)
    sample = Sample(25 * np.exp(0.06 * np.log(rng.exponential(size=15))), batch=np.repeat(["P", "Q", "R"], 5))
    answer = pooling(sample, size=400)
    assert answer.verdict == "no difference seen"
    assert 0.05 < answer.smallest_effect < 0.5
    assert "keep the between-batch bound beside the pooled one" in str(answer)
    assert answer.group == "batch P, batch Q, batch R"
    assert answer.table["p_adjusted"].ge(answer.table["p_value"]).all()
    assert any("no proof of alikeness" in n for n in answer.notes)


def test_survivors_leave_only_the_likelihood_ratios() -> None:
    a, b = Sample([24.1, 25.3, 24.8, 26.0], [1, 1, 1, 0]), Sample([23.2, 25.9, 24.4, 25.1])
    answer = pooling([a, b], power=False, size=400)
    assert list(answer.table["test"]) == ["likelihood ratio, equal spread", "likelihood ratio, equal location"]
    assert np.isnan(answer.anderson_darling) and np.isnan(answer.variance_ratio)
    assert any("left out" in n for n in answer.notes)


def test_ratios_are_reckoned_as_in_the_study() -> None:
    # tests/truth/checks_survivors.py counts false alarms of the ratios from the arrays
    parts = [Sample([20.1, 22.5, 21.7, 24.0], [1, 1, 1, 0]), Sample([25.0, 23.2, 24.4, 26.3], [1, 1, 0, 1])]
    load, broke = (np.concatenate([getattr(part, what) for part in parts]) for what in ("load", "broke"))
    whole, law, rng = Batches(load, broke, np.repeat([0, 1], 4)), get_family("weibull"), np.random.default_rng(5)
    expected = [
        simulated_p(
            float(ratio(load[None], broke[None], whole, law)[0]),
            ratio(*simulate(whole, law, 400, rng, own_place=own), whole, law),
        )
        for ratio, own in ((spread_ratio, True), (location_ratio, False))
    ]
    found = pooling(parts, family=law, size=400, power=False, rng=5).table["p_value"]
    assert list(found) == pytest.approx(expected)


def test_order_and_unit_do_not_matter() -> None:
    a, b = Sample([24.1, 25.3, 24.8, 26.0]), Sample([23.2, 25.9, 24.4, 25.1])
    one = pooling([a, b], power=False, size=400)
    two = pooling([Sample(b.load * 224.8), Sample(a.load * 224.8)], power=False, size=400)
    assert two.table["statistic"].to_numpy() == pytest.approx(one.table["statistic"].to_numpy(), rel=1e-6)


def test_refusals() -> None:
    with pytest.raises(InputError, match="at least 2 batches, got 1"):
        pooling([Sample([1.0, 2.0])])
    with pytest.raises(InputError, match="has no batch labels"):
        pooling(Sample([1.0, 2.0]))
    with pytest.raises(InputError, match="some specimens have no batch label"):
        pooling(Sample([1.0, 2.0, 3.0], batch=["P", "", "Q"]))
    with pytest.raises(NoAnswerError, match="Batch 2: a batch needs at least 2 different loads at break"):
        pooling([Sample([1.0, 2.0]), Sample([2.0, 3.0], [True, False])])
