import joblib
import pytest

import lowtail as lt
from lowtail import InputError

GROUPS = [
    lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="a"),
    lt.Sample([24.0, 25.0], [True, False], label="b"),
    lt.Sample([22.1, 22.3, 21.8, 22.9], label="c"),
]


def test_a_row_a_group_and_reasons_kept() -> None:
    table = lt.plan.table(GROUPS, [20.3, 20, 15], "B-basis", family="normal")
    assert table["group"].tolist() == ["a", "b", "c"]
    assert table["n"].isna().tolist() == [False, True, False]
    assert "at least 2 different loads" in table["sentence"].iloc[1]
    assert table["n"].iloc[2] == 0
    alone = lt.plan.table(GROUPS[:1], 20.3, "B-basis", family="normal")
    assert alone["chance"].iloc[0] == table["chance"].iloc[0]
    with joblib.parallel_config(backend="threading"):
        assert lt.plan.table(GROUPS, [20.3, 20, 15], "B-basis", family="normal", n_jobs=2).equals(table)


def test_refusals() -> None:
    with pytest.raises(InputError, match="each of 3 groups, got 2"):
        lt.plan.table(GROUPS, [20, 20])
    with pytest.raises(InputError, match="`claim` must be a strength"):
        lt.plan.table(GROUPS, -1)


def test_progress_bar_goes_to_standard_error(capsys: pytest.CaptureFixture[str]) -> None:
    lt.plan.table(GROUPS, 15, "B-basis", family="normal", progress=True)
    seen = capsys.readouterr()
    assert "plans" in seen.err
    assert seen.out == ""
