"""One grid: chances over populations, the power of a comparison over its designs, and a plan for every group."""

from __future__ import annotations

from functools import partial

import joblib
import numpy as np
import pandas as pd
import pytest
from scipy import stats

import lowtail as lt
from lowtail import InputError, Sample, compare
from lowtail.claims.planning.core.arms import ComparisonAim
from lowtail.claims.planning.core.chances import chance_two_arms
from lowtail.plan import grid

power = partial(grid, n=[3], n_other=[3], ratio=[0.9], cv=[0.05])


@pytest.mark.parametrize("family", ["weibull", "normal"])
def test_table_agrees_with_the_plans(family: str) -> None:
    plan = lt.plan.new_series(20, "B-basis", mean=25, cv=0.06, family=family)
    assert plan.n is not None
    table = grid(20, "B-basis", mean=[25, 26], cv=[0.06, 0.12], n=[plan.n - 1, plan.n], family=family)
    assert len(table) == 8
    one = table[(table["mean"] == 25) & (table["cv"] == 0.06)].set_index("n")
    assert one.loc[plan.n, "chance"] == plan.chance
    assert bool(one.loc[plan.n, "enough"])
    assert not bool(one.loc[plan.n - 1, "enough"])
    wide = table[(table["mean"] == 25) & (table["cv"] == 0.12)]
    assert (wide["low_strength"] < 21.5).all()
    assert (table.groupby(["cv", "n"])["chance"].diff().dropna() > 0).all()  # a higher mean helps


def test_impossible_rows_are_marked() -> None:
    table = grid(24, "B-basis", mean=25, cv=[0.02, 0.1], n=6, family="normal")
    assert table["possible"].tolist() == [True, False]
    assert not table["enough"].iloc[1]
    assert table["chance"].iloc[1] < 0.05


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"mean": []}, "at least one value"),
        ({"cv": [0.05, 5]}, "6 % is 0.06"),
        ({"n": [1]}, "at least 2"),
        ({"basis": "mean - 3 s"}, "needs a tolerance basis"),
        ({"ratio": 0.9}, "sweeps one of .* got `mean` and `ratio`"),
        ({"mean": None}, "got none of them"),
        ({"cv": None}, "over `mean` needs `cv`"),
        ({"size": 400}, "`size` plays no part in a grid over `mean`"),
    ],
)
def test_refused_populations(arguments: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        grid(20, **{"mean": 25, "cv": 0.05, **arguments})  # type: ignore[arg-type]


def test_claims_and_bases_are_swept_too() -> None:
    both = grid([19, lt.plan.Claim(strength=20)], ["B-basis", "A-basis"], mean=25, cv=0.05, n=[8, 12])
    assert both["strength"].tolist() == [19.0] * 4 + [20.0] * 4
    assert both["basis"].tolist() == ["B-basis", "B-basis", "A-basis", "A-basis"] * 2
    for (claim, basis), part in both.groupby(["strength", "basis"]):
        alone = grid(claim, basis, mean=25, cv=0.05, n=[8, 12])
        assert alone["chance"].tolist() == part["chance"].tolist()


GROUPS = [
    Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="a"),
    Sample([24.0, 25.0], [True, False], label="b"),
    Sample([22.1, 22.3, 21.8, 22.9], label="c"),
]


def test_a_row_a_group_and_reasons_kept() -> None:
    table = grid([20.3, 20, 15], "B-basis", samples=GROUPS, family="normal")
    assert table["group"].tolist() == ["a", "b", "c"]
    assert table["n"].isna().tolist() == [False, True, False]
    assert "at least 2 different loads" in table["sentence"].iloc[1]
    assert table["n"].iloc[2] == 0
    alone = grid(20.3, "B-basis", samples=GROUPS[:1], family="normal")
    assert alone["chance"].iloc[0] == table["chance"].iloc[0]
    with joblib.parallel_config(backend="threading"):
        assert grid([20.3, 20, 15], "B-basis", samples=GROUPS, family="normal", n_jobs=2).equals(table)


def test_refused_groups() -> None:
    with pytest.raises(InputError, match="each of 3 groups, got 2"):
        grid([20, 20], samples=GROUPS)
    with pytest.raises(InputError, match="`claim` must be a strength"):
        grid(-1, samples=GROUPS)


def test_progress_bar_goes_to_standard_error(capsys: pytest.CaptureFixture[str]) -> None:
    grid(15, "B-basis", samples=GROUPS, family="normal", progress=True)
    seen = capsys.readouterr()
    assert "plans" in seen.err
    assert seen.out == ""


def test_workers_do_not_change_the_answer() -> None:
    design = partial(grid, n=[3, 5], n_other=[3, 7], ratio=[0.9, 1.0], cv=[0.05], size=200)
    one = design(n_jobs=1, progress=True)
    two = design(n_jobs=2)
    pd.testing.assert_frame_equal(one, two)


def test_rows_are_what_compare_shows() -> None:
    rng = np.random.default_rng(3)
    for n, m in ((4, 4), (3, 7)):
        x, y = rng.normal(0, 0.05, (5, n)), rng.normal(-0.1, 0.08, (5, m))
        shown = [
            compare(Sample(np.exp(a)), Sample(np.exp(b))).difference != "no difference shown"
            for a, b in zip(x, y, strict=True)
        ]
        assert list(ComparisonAim("difference", 1.0, 0.95).reached_complete(x, y)) == shown


def test_power_of_equal_arms_is_what_the_plan_works_out_and_its_price() -> None:
    # 10 against 10 at one standard deviation: 0.56 printed for the pooled t test (EnvStats documentation, two-sample t
    # test); to hold its level whatever the scatter and the skew costs 8 points
    cv = 0.05
    spread = float(np.sqrt(np.log1p(cv**2)))
    chance = grid(n=10, ratio=float(np.exp(-spread)), cv=cv, size=20_000)["chance"][0]
    worked = chance_two_arms(
        10, 10, shift=-spread, spread=(spread, spread), confidence=0.95, goal="difference", method="half and half"
    )
    assert chance == pytest.approx(worked, abs=3 * np.sqrt(0.25 / 20_000))
    assert 0.46 < worked < 0.56


def test_nothing_to_find_is_seldom_found() -> None:
    table = power(n_other=[3, 10], ratio=[1.0], cv_ratio=[0.5, 1.0], family="weibull", size=4000)
    assert (table["chance"] < 0.06).all()


def test_bad_grids() -> None:
    with pytest.raises(InputError, match="Every arm needs 2 specimens or more"):
        power(n=[1])
    with pytest.raises(InputError, match="'lognormal' or 'weibull' here"):
        power(family="normal")
    with pytest.raises(InputError, match="at least 100 simulated series"):
        power(size=10)


@pytest.mark.slow
def test_five_thousand_cells() -> None:
    n = range(3, 13)
    ratios, cvs = list(np.linspace(0.75, 0.99, 10)), [0.04, 0.08, 0.12, 0.16, 0.20]
    table = grid(n=n, n_other=n, ratio=ratios, cv=cvs, size=200, n_jobs=2)
    assert len(table) == 5000
    rows = (table["ratio"] == 0.75) & (table["cv"] == 0.04) & (table["n_reference"] == 12) & (table["n_other"] == 12)
    small = table[rows]
    assert small["chance"].iloc[0] == 1
    assert stats.spearmanr(table["ratio"], table["chance"]).statistic < 0
