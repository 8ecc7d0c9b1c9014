"""The committed studies of error rates and coverage say what the documentation says of them; short reruns."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lowtail.claims.comparison.power_grid import rejects

TRUTH = Path(__file__).parents[1] / "truth"


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(TRUTH / name)


def test_default_of_complete_samples_keeps_its_level() -> None:
    # 10,000 repetitions a cell, 3 to 10 an arm, scatter ratio up to 2, three truths
    study = table("compare_type1.csv")
    default = study[study["test"] == "default"]
    assert (default["repetitions"] == 10_000).all()
    assert len(default) == 90
    assert default["rejected"].max() <= 0.06
    others = study.groupby("test")["rejected"].max()
    assert others["Welch on log load"] > 0.08  # what the default avoids where 3 meet 10
    assert others["pooled t on log load"] > 0.15
    assert others["Mann-Whitney"] > 0.10


@pytest.mark.parametrize(("n", "m", "spreads"), [(3, 10, (2.0, 1.0)), (5, 5, (1.0, 2.0)), (5, 10, (2.0, 1.0))])
def test_short_rerun_of_the_default(n: int, m: int, spreads: tuple[float, float]) -> None:
    rng = np.random.default_rng(11)
    x, y = (
        s / 15 * (np.log(rng.exponential(size=(4000, k))) + np.euler_gamma)
        for k, s in zip((n, m), spreads, strict=True)
    )
    assert rejects(x, y).mean() <= 0.06 + 2 * np.sqrt(0.06 * 0.94 / 4000)


def test_loss_that_would_have_shown_with_survivors_is_shown_as_often_as_said() -> None:
    # 500 series at a true ratio of 1 give the law of the upper bound; a true loss only shifts it. The loss that single
    # series say they would have shown (8 times in 10) is then shown that often, on average over the series
    from lowtail.claims.comparison.law_batch import detectable_from_laws, draw_laws
    from lowtail.claims.comparison.weibull_arms import Arm, usable

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
    study = table("compare_intervals.csv")
    worst = study.groupby(["ratio_of", "held_other"])["coverage"].min()
    assert worst["median"].min() >= 0.94
    assert worst["10 % strength"].min() >= 0.94
    assert worst["1 % strength", 0.0] >= 0.94
    assert worst["scatter", 0.0] >= 0.94
    # with 4 in 10 held the 1 % ratio and the scatter fall to 0.93 in single cells (3 specimens, 2 or 3 breaks)
    assert worst.min() >= 0.925


def test_drop_study_says_what_is_said_of_it() -> None:
    study = table("compare_drops.csv")
    assert (study["coverage"] >= 0.95 - 2.5 * np.sqrt(0.05 * 0.95 / 250)).all()
    small = study[(study["plan"] == "ladder") & (study["n"] == 12) & (study["fraction_broken"] == 0.01)]
    assert small["no_lower_limit"].iloc[0] > 0.2  # twelve drops often give the 1 % severity no lower limit at all
