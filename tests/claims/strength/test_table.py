"""The strength table, the rating check, equal spread and the gain of sharing."""

from __future__ import annotations

import numpy as np
import pytest

from lowtail import (
    InputError,
    NoAnswerError,
    Sample,
    check_breaks,
    confidence_distribution,
    governing,
    lower_bound,
    rating_check,
    strength_table,
)
from lowtail.checks import equal_scale, shared_gain
from lowtail.claims.strength.answer import floor3
from lowtail.many import confidence_that as confidence_many
from lowtail.many import lower_bound as low_many


def log(rows, rated=None):
    import pandas as pd

    frame = pd.DataFrame(rows, columns=["specimen", "item", "method", "load [kN]", "outcome"])
    if rated is not None:
        frame["rated [kN]"] = rated
    return check_breaks(frame)


def rows(item, loads, outcome="broke", method="slow pull"):
    return [(f"{item}-{method}-{i}", item, method, load, outcome) for i, load in enumerate(loads)]


STEEL = [24.1, 25.3, 22.8, 26.0, 23.9]
CORD = [6.1, 5.8, 6.6, 5.2]


def test_one_row_a_group_with_own_and_borrowed_bounds():
    table = strength_table(log(rows("steel oval", STEEL) + rows("cord", CORD)), by=("item", "method"), borrow="method")
    assert list(table["group"]) == ["steel oval, slow pull", "cord, slow pull"]
    first = table.iloc[0]
    sample = Sample(STEEL, label="steel oval, slow pull")
    found = governing(sample, "B-basis")
    assert first["B-basis [kN]"] == found.low and first["B-basis, governed by"] == found.governed_by
    assert first["B-basis, Weibull [kN]"] == lower_bound(sample, "B-basis").low
    assert first["B-basis, normal [kN]"] == lower_bound(sample, "B-basis", family="normal").low
    assert first["mean_kN"] == pytest.approx(np.mean(STEEL))
    assert first["s_kN"] == pytest.approx(np.std(STEEL, ddof=1))
    assert first["mean_minus_3s_kN"] == pytest.approx(np.mean(STEEL) - 3 * np.std(STEEL, ddof=1))
    assert first["three_s_shows"] == pytest.approx(0.862, abs=5e-4)
    lent = lower_bound(sample, "B-basis", siblings=[sample, Sample(CORD)]).low
    assert first["B-basis, borrowed scatter [kN]"] == pytest.approx(lent, rel=1e-12)
    assert table.asked.rating_basis == "B-basis"


def test_groups_that_cannot_answer_stay_in_the_table_with_the_reason():
    rows_in = rows("steel oval", STEEL) + rows("single", [20.0]) + rows("all held", [20.0, 21.0], "held")
    rows_in += rows("all equal", [18.0, 18.0, 18.0])
    table = strength_table(log(rows_in), by="item").set_index("group")
    assert table["n"].sum() == len(rows_in)
    assert np.isnan(table.loc["single", "B-basis [kN]"]) and "1 of 1 specimens broke" in table.loc["single", "notes"]
    assert "none of 2 specimens broke" in table.loc["all held", "notes"]
    assert "all at one load" in table.loc["all equal", "notes"]
    assert np.isfinite(table.loc["steel oval", "B-basis [kN]"])


def test_rating_is_judged_on_the_lower_law_and_in_words():
    data = rows("backed", STEEL) + rows("short", STEEL, method="shock") + rows("weak", CORD)
    data += rows("between", STEEL)
    rated = [15.0] * 5 + [22.0] * 5 + [5.5] * 4 + [18.0] * 5
    found = rating_check(log(data, rated=rated), by=("item", "method")).set_index("group")
    words = found["sentence"]
    low = governing(Sample(STEEL), "B-basis").low
    shown = floor3(low)
    assert words["backed, slow pull"] == (
        f"batch not recorded: backed for specimens like these: B-basis {shown} kN (governed by cautious bound) "
        "reaches 15 kN"
    )
    assert words["short, shock"].startswith(
        f"not shown: B-basis {shown} kN (governed by cautious bound) is under 22 kN (demonstrated for specimens like "
        "these with "
    )
    assert words["weak, slow pull"] == "broke below its rating: 1 of 4 broke under 5.5 kN"
    assert words["between, slow pull"] == (
        "backed only if strength is Weibull down to the 10th percentile: Weibull 19.1 kN reaches 18 kN, "
        f"B-basis {shown} kN does not"
    )
    assert found.loc["backed, slow pull", "low_kN"] == low
    assert 0.95 <= found.loc["backed, slow pull", "confidence"] < 1


def test_rating_edges():
    data = rows("mixed", STEEL) + rows("none", CORD) + rows("held", [20.0, 21.0], "held")
    found = rating_check(log(data, rated=[18.0, 18.0, 20.0, 18.0, 18.0] + [np.nan] * 4 + [15.0] * 2), by="item")
    words = found.set_index("group")["sentence"]
    assert words["mixed"].startswith("several ratings in this group (18, 20 kN)")
    assert "none" not in words
    assert words["held"].startswith("cannot be judged: ")
    with pytest.raises(InputError, match="no rating"):
        rating_check(log(data), by="item")


def test_table_arguments():
    data = log(rows("steel oval", STEEL))
    with pytest.raises(InputError, match="`bases` takes tolerance bases"):
        strength_table(data, by="item", bases="mean - 3 s")
    with pytest.raises(InputError, match="`borrow` names 'batch'"):
        strength_table(data, by="item", borrow="batch")
    with pytest.raises(InputError, match="`by` names 'colour'"):
        strength_table(data, by="colour")


def test_equal_spread_holds_its_error_rate_and_sees_a_big_difference():
    """False alarms at 5 %: 30 repetitions, at most 6 (99.9 % binomial); an eightfold spread is always noticed."""
    rng = np.random.default_rng(4)
    alarms = 0
    for _ in range(30):
        groups = [Sample(20 * np.exp(-0.05 * rng.gumbel(size=5))) for _ in range(3)]
        alarms += equal_scale(groups, size=200, rng=rng).p_value < 0.05
    assert alarms <= 6
    wide = Sample(20 * np.exp(-0.4 * rng.gumbel(size=8)), label="wide")
    narrow = [Sample(20 * np.exp(-0.05 * rng.gumbel(size=8))) for _ in range(3)]
    found = equal_scale([*narrow, wide], size=300)
    assert found.p_value < 0.05 and 0 < found.power <= 1
    assert "speak against one scatter for 4 groups" in str(found)


def test_equal_spread_leaves_out_by_name_and_refuses():
    groups = [Sample(STEEL, label="a"), Sample(CORD, label="b"), Sample([20.0, 20.0], label="tied")]
    found = equal_scale(groups, size=200)
    assert found.groups == 2 and found.left_out == ("tied",) and "Left out: tied" in str(found)
    with pytest.raises(NoAnswerError, match="at least 2 groups"):
        equal_scale(groups[:1])
    with pytest.raises(InputError, match="at least 200"):
        equal_scale(groups, size=10)


def test_gain_of_sharing_is_one_sentence():
    groups = [Sample(STEEL), Sample(CORD)]
    gain = shared_gain(groups)
    assert str(gain).startswith(
        "2 groups with 9 breaks borrow scatter from each other: the A-basis bound of the middle group rises from "
    )
    lows = [lower_bound(one, "A-basis", siblings=groups).low for one in groups]
    assert gain.borrowed == np.median(lows) > gain.own and gain.refused == 0
    with pytest.raises(NoAnswerError, match="No group has both"):
        shared_gain([Sample([20.0, 20.0])])


@pytest.mark.parametrize("family", ["weibull", "lognormal"])
def test_equal_scatter_coverage(family):
    """Coverage where the scatter of 4 groups of 3 is indeed one: 4 Monte-Carlo errors at 3,000 repetitions."""
    rng = np.random.default_rng(12)
    size = 3000
    z = np.log(rng.exponential(size=(4, size, 3))) if family == "weibull" else rng.normal(size=(4, size, 3))
    groups = [(scale * np.exp(part / 15), None) for scale, part in zip((1.0, 2.0, 0.5, 7.0), z, strict=True)]
    quantile = np.log(-np.log1p(-0.01)) if family == "weibull" else -2.3263478740408408  # normal 1 % point
    shown = confidence_many(
        *groups[0], family, float(np.exp(quantile / 15)), 0.01, siblings=groups[1:], method="equal scatter"
    )
    assert (shown <= 0.95).mean() == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / size))
    series = [Sample(g[0][0]) for g in groups]
    own = confidence_distribution(Sample(groups[0][0][0]), family, equal_scatter=series)
    many = low_many(
        groups[0][0][:1],
        None,
        family,
        0.05,
        0.9,
        siblings=[(g[0][:1], None) for g in groups[1:]],
        method="equal scatter",
    )
    assert own.low(0.05, 0.9) == pytest.approx(many[0], rel=1e-7)  # the same group read twice counts once


def test_early_holds_are_said_by_basis() -> None:
    tested = rows("bolt", [24.1, 26.3, 25.2, 23.9]) + rows("bolt", [20.5] * 16, outcome="held")
    table = strength_table(log([(f"b{i}", *row[1:]) for i, row in enumerate(tested)]))
    sample = Sample([24.1, 26.3, 25.2, 23.9, *[20.5] * 16], [1] * 4 + [0] * 16)
    for name in ("A-basis", "B-basis", "5 % characteristic, 75 %"):
        found = lower_bound(sample, name)
        assert table[f"{name}, Weibull [kN]"][0] == found.low and f"{name}: {found.notes[0]}" in table["notes"][0]
    assert "lowered to" in table["notes"][0]
    one = ("x", "cord", "slow pull", 24.0, "held")
    few = strength_table(log([*rows("cord", [24.1, 25.3, 22.8, 26.0, 23.9]), one]))["notes"][0]
    assert "A-basis, 5 % characteristic, 75 %: Some specimens held at low loads; checked by simulation" in few
