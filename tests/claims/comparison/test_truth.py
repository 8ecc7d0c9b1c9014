"""The committed studies of error rates and coverage say what the documentation says of them; short reruns."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lowtail.claims.comparison.deciding import ends_of, shown
from lowtail.claims.comparison.named_tests import HALF_AND_HALF, TESTS
from lowtail.models.two_samples.half_and_half import Arms

TRUTH = Path(__file__).parents[2] / "truth"


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(TRUTH / name)


def test_default_of_complete_samples_keeps_its_level() -> None:
    # 10,000 repetitions a cell, 3 to 10 an arm, scatter ratio up to 2, three truths
    study = table("compare_type1.csv")
    default = study[study["test"] == HALF_AND_HALF]
    assert (default["repetitions"] == 10_000).all()
    assert len(default) == 90
    assert default["rejected"].max() <= 0.05
    others = study.groupby("test")["rejected"].max()
    assert others["Welch on log load"] > 0.08  # what the default avoids where 3 meet 10
    assert others["pooled t on log load"] > 0.15
    assert others["Mann-Whitney"] > 0.10
    assert others["Behrens-Fisher on log load"] <= 0.06


def test_every_named_test_of_complete_samples_has_its_study() -> None:
    study = table("compare_type1.csv")
    assert (study["repetitions"] == 10_000).all()
    complete = {name for name, test in TESTS.items() if not test.survivors and not name.endswith("table")}
    assert complete <= set(study["test"])
    # permutation tests are exact where the arms are alike, and only there
    alike = study[(study["spread_reference"] == study["spread_other"])]
    permuted = ["permutation Welch", "permutation of means", "Mann-Whitney", "Brunner-Munzel"]
    exact = alike[alike["test"].isin(permuted)]
    assert (exact["rejected"] <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 10_000)).all()
    worst = study.groupby("test")["rejected"].max()
    assert worst["permutation Welch"] < worst["permutation of means"]
    assert (worst[permuted] > 0.10).all()


@pytest.mark.parametrize(("n", "m", "spreads"), [(3, 10, (2.0, 1.0)), (5, 5, (1.0, 2.0)), (5, 10, (2.0, 1.0))])
def test_short_rerun_of_the_default(n: int, m: int, spreads: tuple[float, float]) -> None:
    rng = np.random.default_rng(11)
    x, y = (
        s / 15 * (np.log(rng.exponential(size=(4000, k))) + np.euler_gamma)
        for k, s in zip((n, m), spreads, strict=True)
    )
    assert shown(ends_of(Arms.of(x, y), 0.95), "difference").mean() <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / 4000)


SIX = ["lognormal 1:1", "lognormal 1:3", "lognormal 3:1", "Weibull 15, 15", "Weibull 20, 7", "Weibull 7, 20"]


def test_margin_study_says_what_is_said_of_it() -> None:
    study = table("compare_margins.csv")
    nominal = study["level"].map({"0.05": 0.05, "0.05 / 7": 0.05 / 7, "0.05 / 10": 0.05 / 10})
    kept = study["said"] <= nominal + 2 * study["mc_error"]
    ours = study["statement"].isin(["difference", "keeps", "fails", "difference in any of 7, Holm"])
    complete = (study["held_other"] == 0) & study["truth"].isin(SIX)
    assert set(study.loc[complete, "truth"]) == set(SIX)
    assert len(study[complete & (study["statement"] == "difference")]) == 6 * 7 * 3
    assert (study.loc[complete, "repetitions"] >= 14_000).all()
    # every specimen broke: differences at all three levels, families of 7, "keeps" and "fails" hold in every cell ...
    assert kept[complete & ours].all()
    # ... and so the two-sided 95 % interval covers at least 95 %, if not with equal tails
    sides = study[complete & study["statement"].isin(["interval above", "interval below"])]
    assert sides.groupby(["truth", "n_reference", "n_other"])["said"].sum().max() <= 0.05
    # what they are held against: Welch's interval
    worst = study[complete].groupby(["statement", "level"])["said"].max()
    assert worst["Welch: keeps", "0.05"] > 0.10
    assert worst["Welch: difference", "0.05"] > 0.08
    assert worst["Welch: difference", "0.05 / 7"] > 0.03
    # what breaks it: log loads skewed to the right
    mirrored = study[study["truth"] == "right-skewed 20, 7"].groupby(["statement", "level"])["said"].max()
    assert 0.07 < mirrored["fails", "0.05"] < 0.09
    assert mirrored["difference", "0.05"] < 0.065
    # some held: at most 5 % of the series planned say what is not so; of those with an answer up to 6.2 % where 3 that
    # scatter three times as much meet 10
    held = study[study["held_other"] > 0]
    assert (held["said"] * (1 - held["no_answer"]) <= 0.05 + 2 * held["mc_error"]).all()
    assert held["said"].max() <= 0.0635
    assert kept[(study["held_other"] > 0) & (study[["n_reference", "n_other"]].min(axis=1) > 3)].all()


@pytest.mark.parametrize(("n", "m", "shapes"), [(6, 6, (20, 7)), (8, 3, (20, 7)), (3, 3, (15, 15))])
def test_short_rerun_of_the_margin_study(n: int, m: int, shapes: tuple[float, float]) -> None:
    rng = np.random.default_rng(17)
    x, y = (
        (np.log(rng.standard_exponential((20_000, k))) + np.euler_gamma) / shape
        for k, shape in zip((n, m), shapes, strict=True)
    )
    arms = Arms.of(x, y)
    slack = 2 * np.sqrt(0.05 * 0.95 / 20_000)
    for goal, alternative in (("no worse than", "two-sided"), ("difference", "greater"), ("difference", "two-sided")):
        assert np.mean(shown(ends_of(arms, 0.95), goal, 1.0, alternative)) <= 0.05 + slack
    assert np.mean(shown(ends_of(arms, 1 - 0.05 / 7), "difference")) <= 0.05 / 7 + slack / 3


def test_loss_that_would_have_shown_with_survivors_is_shown_as_often_as_said() -> None:
    # 500 series at a true ratio of 1 give the distribution of the upper bound; a true loss only shifts it. The loss
    # that single series say they would have shown (8 times in 10) is then shown that often, on average over the series
    from lowtail.models.series.weibull_design import detectable_from_laws, draw_laws
    from lowtail.models.two_samples.weibull_arms import Arm, usable

    rng = np.random.default_rng(5)
    w = float(np.log(np.log(2.0)))

    def series(size: int) -> tuple[Arm, Arm]:
        first, second, limit = ((np.log(rng.exponential(size=(size, 8))) - w) / 15 for _ in range(3))
        limit = limit + 0.06
        return Arm(first, np.ones(first.shape, dtype=bool)), Arm(np.minimum(second, limit), second <= limit)

    first, second = series(500)
    good = usable(first) & usable(second)
    (m1, s1), (m2, s2) = (draw_laws(arm.rows(good), 300, rng) for arm in (first, second))
    bound = np.quantile((m2 + w * s2) - (m1 + w * s1), 0.975, axis=1)
    chance = []
    for i in np.flatnonzero(good)[:14]:
        row = np.arange(good.size) == i
        said = detectable_from_laws((first.rows(row), second.rows(row)), 0.975, 0.8, rng)
        chance.append(float((bound < -np.log(max(said, 1e-9))).sum()) / good.size)
    assert 0.68 < np.mean(chance) < 0.92


def test_interval_study_says_what_is_said_of_it() -> None:
    # nominal 95 %: never below 94 %, 0 to 40 % held in one arm or both, 10,000 repetitions a cell (less those with
    # fewer than 2 breaks in an arm)
    study = table("compare_intervals.csv")
    assert len(study) == 5 * 3 * 6 * 3 * 4
    assert (study["repetitions"] == np.rint(10_000 * (1 - study["no_interval"]))).all()
    assert study["coverage"].min() >= 0.94
    # why the safer tails are used: with the full ones the 1 % ratio and the scatter fall below 94 %
    plain = study.groupby("ratio_of")["coverage_plain"].min()
    assert plain["1 % strength"] < 0.94
    assert plain["scatter"] < 0.94
    assert plain[["median", "10 % strength", "5 % strength"]].min() >= 0.94


def test_survivor_study_says_what_is_said_of_it() -> None:
    study = table("compare_survivors.csv")
    assert (study["repetitions"] == np.rint(4_000 * (1 - study["no_answer"]))).all()
    worst = study.groupby("test")["rejected"].max()
    assert worst["default"] <= 0.06
    assert worst["confidence distributions"] <= 0.06
    assert worst["likelihood ratio, own shapes"] > 0.07  # where 3 meet 10: why the default there is the other
    assert worst["likelihood ratio, one shape"] > 0.10
    assert worst["chi-square table"] > 0.15
    same = (study["spread_reference"] == study["spread_other"]) & (study["held_reference"] == study["held_other"])
    rank = study.loc[same & (study["test"] == "permutation log-rank"), "rejected"]
    assert rank.max() <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 2_500)  # exact where scatter and loads held are alike


def test_design_study_says_what_is_said_of_it() -> None:
    # pairs and blocks with survivors: interval at least 94 % and so its test at most 6 %, wherever levels lie
    study = table("compare_designs.csv")
    assert set(study["plan"].str.split().str[0]) == {"2", "3", "5", "7", "10"}
    assert study["coverage"].min() >= 0.94
    assert study["coverage_law"].min() < 0.93  # why each end is the farther of two
    pairs = study[study["plan"].str.endswith("pairs") & (study["spread_reference"] == study["spread_other"])]
    assert (pairs["rejected_within"] <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 1_000)).all()


def test_drop_study_says_what_is_said_of_it() -> None:
    study = table("compare_drops.csv")
    assert study["repetitions"].min() >= 2_000
    assert study["coverage"].min() >= 0.94
    small = study[(study["plan"] == "ladder") & (study["n"] == 12) & (study["fraction_broken"] == 0.01)]
    assert small["no_lower_limit"].iloc[0] > 0.2  # twelve drops often give the 1 % severity no lower limit at all
