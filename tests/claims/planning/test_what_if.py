import pytest

import lowtail as lt
from lowtail import InputError


@pytest.mark.parametrize("family", ["weibull", "normal"])
def test_table_agrees_with_the_plans(family: str) -> None:
    plan = lt.plan.new_series(20, "B-basis", mean=25, cv=0.06, family=family)
    assert plan.n is not None
    table = lt.plan.what_if(20, "B-basis", mean=[25, 26], cv=[0.06, 0.12], n=[plan.n - 1, plan.n], family=family)
    assert len(table) == 8
    one = table[(table["mean"] == 25) & (table["cv"] == 0.06)].set_index("n")
    assert one.loc[plan.n, "chance"] == plan.chance
    assert bool(one.loc[plan.n, "enough"])
    assert not bool(one.loc[plan.n - 1, "enough"])
    wide = table[(table["mean"] == 25) & (table["cv"] == 0.12)]
    assert (wide["low_strength"] < 21.5).all()
    assert (table.groupby(["cv", "n"])["chance"].diff().dropna() > 0).all()  # a higher mean helps


def test_impossible_rows_are_marked() -> None:
    table = lt.plan.what_if(24, "B-basis", mean=25, cv=[0.02, 0.1], n=6, family="normal")
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
    ],
)
def test_refusals(arguments: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        lt.plan.what_if(20, **{"mean": 25, "cv": 0.05, **arguments})  # type: ignore[arg-type]
