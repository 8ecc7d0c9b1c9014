"""Retention: bound at an age, limits of extrapolation, where the bound meets the rating."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lowtail import InputError, NoAnswerError
from lowtail.claims.strength.answer import floor3
from lowtail.trend import Retention, retention, retention_table

LOAD = [25.1013, 24.3979, 24.9007, 23.2019, 23.7989, 22.1004, 22.5983, 21.9023]  # read far finer than they scatter
AGE = [1.0, 1, 2, 4, 4, 7, 7, 9]


def table(**columns: object) -> pd.DataFrame:
    rows = {
        "specimen": list("ABCDEFGH"),
        "item": "sling",
        "load_kN": LOAD,
        "broke": True,
        "used": True,
        "age_years": AGE,
    }
    return pd.DataFrame({**rows, **columns})


def ask(log: pd.DataFrame, on: str = "age_years", **options: object) -> Retention:
    return retention(log, on, **{"by": "item", "power": False, "size": 400, **options})  # type: ignore[arg-type]


def test_complete_lognormal_by_hand() -> None:
    # the textbook bound: line - k s, k from the noncentral t with the leverage of the age asked for
    from scipy import stats

    answer = ask(table(), family="lognormal", at=9.0)
    x = np.column_stack([np.ones(8), AGE])
    y = np.log(LOAD)
    b, rss = np.linalg.lstsq(x, y)[:2]
    s, h = np.sqrt(rss[0] / 6), np.sqrt(np.array([1, 9]) @ np.linalg.inv(x.T @ x) @ np.array([1, 9]))
    low = np.exp(np.array([1, 9]) @ b - h * s * stats.nct.ppf(0.95, 6, -stats.norm.ppf(0.1) / h))
    assert answer.low == pytest.approx(low, rel=1e-9)
    assert answer.change == pytest.approx(np.expm1(b[1]))


@pytest.mark.parametrize("family", ["weibull", "normal", "lognormal"])
def test_survivors_are_taken_and_the_bound_moves_with_age(family: str) -> None:
    answer = ask(table(broke=[True] * 6 + [False, True]), family=family)
    assert (answer.n, answer.n_broken) == (8, 7)
    assert answer.low < answer.estimate < answer.estimate_at(1.0)
    assert answer.low_at(9.0) == pytest.approx(answer.low)
    assert answer.low_at(9.0, confidence=0.75) > answer.low
    assert answer.change_low < answer.change < answer.change_high < 0
    assert answer.p_value < 0.05


def test_no_statement_outside_what_was_tested() -> None:
    answer = ask(table())
    with pytest.raises(InputError, match="no specimen has age_years above 9"):
        answer.low_at(10.0)
    with pytest.raises(InputError, match="no specimen has age_years below 1"):
        ask(table(), at=0.5)
    far = ask(table(), at=12.0, extrapolate=True)
    assert far.low < answer.low
    assert any("Extrapolated" in note for note in far.notes)
    assert answer.tested == "age from 1 to 9 years" and answer.tested in str(answer)


def test_age_at_which_the_bound_meets_the_rating() -> None:
    answer = ask(table(), rating=21.5)
    assert answer.low_at(answer.reaches_low) == pytest.approx(21.5, abs=2e-3)
    assert answer.estimate_at(answer.reaches) == pytest.approx(21.5, abs=2e-3)
    assert answer.reaches_low < answer.reaches
    assert np.isnan(answer.reaches_high) and any("upper bound stays at or above 21.5" in n for n in answer.notes)
    low = ask(table(), rating=30.0)
    assert np.isnan(low.reaches_low) and any("lies below 30 kN at every age_years tested" in n for n in low.notes)
    assert ask(table(rated_kN=21.5)).rating_kN == 21.5
    assert np.isnan(ask(table(rated_kN=[21.5] * 7 + [22.0])).rating_kN)


def test_two_words() -> None:
    answer = ask(table(state=["dry", "dry", "dry", "dry", "wet", "wet", "wet", "wet"]), "state")
    assert (answer.axis, answer.at_value, answer.tested) == ("levels", "wet", "dry and wet")
    assert answer.change < 0 and "'wet' against 'dry': " in str(answer)
    assert answer.low_at("dry") > answer.low_at("wet")
    with pytest.raises(InputError, match=r"`at` must be one of 'dry', 'wet'"):
        answer.low_at("damp")
    with pytest.raises(InputError, match="exactly two words, got 3"):
        ask(table(state=["dry", "wet", "damp"] + ["dry"] * 5), "state")


def test_log_axis_is_a_power() -> None:
    size = np.array([4.0, 4, 5, 5, 6, 6, 8, 8])
    rng = np.random.default_rng(3)
    load = 0.4 * size**1.8 * np.exp(0.02 * rng.standard_normal(8))
    answer = ask(table(load_kN=load, diameter_mm=size), "diameter_mm", axis="log", family="lognormal")
    assert answer.change == pytest.approx(2**1.8 - 1, rel=0.05)  # per doubling
    assert "per doubling of diameter" in str(answer)
    with pytest.raises(InputError, match="must be above 0 on a log axis"):
        ask(table(cycles=[0, 1, 2, 3, 4, 5, 6, 7]), "cycles", axis="log")


def test_text_numbers_of_extra_columns_are_read() -> None:
    answer = ask(table(cycles=[str(10 * i) for i in range(8)]), "cycles")
    assert answer.tested == "cycles from 0 to 70"


def test_batches_at_random() -> None:
    answer = ask(table(batch=list("PQPQPQRR")))
    assert 0 <= answer.batch_low < answer.low
    assert any("3 batches" in n for n in answer.notes)
    assert f"For a batch yet to come the bound is {floor3(answer.batch_low)} kN" in str(answer)
    held = ask(table(batch=list("PQPQPQRR"), broke=[True] * 7 + [False]))
    assert 0 <= held.batch_low < held.low and 0 <= held.batch_share <= 1
    one = ask(table(batch=list("PPPPPPQQ"), broke=[True] * 6 + [False] * 2))
    assert np.isnan(one.batch_low) and any("1 batch with breaks and the trend are confounded" in n for n in one.notes)
    assert "No bound for a batch yet to come: This group: 1 batch with breaks" in str(one)
    some = ask(table(batch=["P", "", "Q", "P", "Q", "P", "Q", "Q"]))
    assert np.isnan(some.batch_low) and str(some).endswith(
        "No bound for a batch yet to come: some specimens have no batch label."
    )
    assert "batch" not in str(ask(table()))


def test_power_is_stated() -> None:
    few = retention(table(), by="item", size=400)
    many = retention(pd.concat([table()] * 3, ignore_index=True), by="item", size=400)
    assert 0 < many.smallest_change < few.smallest_change < 0.5


def test_unit_scales_loads_only() -> None:
    a, b = ask(table()), ask(table(load_kN=np.array(LOAD) * 4.4482216))
    assert b.low == pytest.approx(4.4482216 * a.low, rel=1e-6)
    assert b.change == pytest.approx(a.change, rel=1e-6)


def test_groups() -> None:
    two = pd.concat([table(), table(item="oval")], ignore_index=True)
    with pytest.raises(InputError, match="2 groups by item; name one: group='sling'"):
        ask(two)
    with pytest.raises(InputError, match=r"`group` 'rope' is not in the log. Groups: sling; oval"):
        ask(two, group="rope")
    few = pd.concat([table(), table(item="oval").head(2)], ignore_index=True)
    rows = retention_table(few, by="item", power=False, size=400)
    assert rows["group"].tolist() == ["sling", "oval"]
    assert rows["low"].notna().tolist() == [True, False]
    assert "every specimen has age_years = 1" in rows["notes"].iloc[1]


def test_refusals() -> None:
    with pytest.raises(InputError, match="`on` names 'wear'"):
        ask(table(), "wear")
    with pytest.raises(InputError, match=r"1 of 8 specimens have no 'age_years' \(first: C\)"):
        ask(table(age_years=[1, 1, np.nan, 4, 4, 7, 7, 9]))
    with pytest.raises(NoAnswerError, match="every specimen has age_years = 3"):
        ask(table(age_years=3.0))
    with pytest.raises(InputError, match="`axis` must be 'plain' or 'log'"):
        ask(table(), axis="sqrt")
    with pytest.raises(NoAnswerError, match="at least 3 breaks"):
        ask(table(broke=[True, True] + [False] * 6))
    with pytest.raises(InputError, match="at least 400"):
        ask(table(), size=10)


def test_a_further_column_by_hand() -> None:
    # the same textbook bound with a third column, wet specimens counted 1
    from scipy import stats

    wet = np.array([0, 1, 0, 1, 0, 1, 0, 1.0])
    log = table(condition=np.where(wet > 0, "wet", "dry"))
    answer = ask(log, family="lognormal", at=9.0, others={"condition": "wet"})
    x, at = np.column_stack([np.ones(8), AGE, wet]), np.array([1, 9, 1.0])
    y = np.log(LOAD)
    b, rss = np.linalg.lstsq(x, y)[:2]
    s, h = np.sqrt(rss[0] / 5), np.sqrt(at @ np.linalg.inv(x.T @ x) @ at)
    low = np.exp(at @ b - h * s * stats.nct.ppf(0.95, 5, -stats.norm.ppf(0.1) / h))
    assert answer.low == pytest.approx(low, rel=1e-9)
    assert answer.change == pytest.approx(np.expm1(b[1]))
    assert answer.estimate_at(9.0) != pytest.approx(ask(log, family="lognormal", at=9.0).estimate)
    assert str(answer).startswith(
        "sling: at age 9 years, condition = wet, with 95 % confidence, at least 90 % are stronger than "
    )


@pytest.mark.parametrize("family", ["weibull", "normal", "lognormal"])
def test_two_numbers_with_survivors_against_the_regression(family: str) -> None:
    from lowtail.models.regression.fit import fit_regression

    size, broke = np.array([10, 11, 10, 11, 12, 10, 12, 11.0]), np.array([1, 1, 1, 1, 1, 1, 0, 1], dtype=bool)
    log = table(broke=broke, diameter_mm=size)
    answer = ask(log, family=family, at=4.0, others={"diameter_mm": 11.0}, power=True)
    fit = fit_regression(LOAD, broke, np.column_stack([np.ones(8), AGE, size]), family)
    assert answer.law.fit.coef == pytest.approx(fit.coef, rel=1e-6)
    assert answer.low < answer.estimate and 0 < answer.p_value < 0.2 and answer.smallest_change > 0


def test_further_columns_are_refused_in_words() -> None:
    log = table(condition=["dry", "wet"] * 4, twice=2 * np.array(AGE))
    for others, words in (
        ({"age_years": 4.0}, "which is `on` already"),
        ({"twice": 4.0}, "effects cannot be told apart"),
        ({"condition": "damp"}, "must be one of 'dry', 'wet'"),
        ({"nothing": 1.0}, "which the log does not have"),
    ):
        with pytest.raises(InputError, match=words):
            ask(log, others=others)
    with pytest.raises(NoAnswerError, match="no trend can be seen"):
        ask(table(condition="dry"), others={"condition": "dry"})


def test_early_holds_are_calibrated_and_named() -> None:
    held = [True, True, False, False, False, True, False, True]
    loads = [25.1, 24.4, 21.0, 21.0, 21.0, 22.1, 20.0, 21.9]
    answer = ask(table(broke=held, load_kN=loads), at=9.0)
    x = np.array([1.0, 9.0])
    plain = answer.law.plain_low(x, 0.1, 0.95)
    assert answer.law.held_early and answer.low <= plain
    assert answer.law.confidence_that(answer.low, x, 0.1) == pytest.approx(0.95, abs=0.002)
    said = " ".join(answer.notes)
    assert ("lowered to" in said) == (answer.low < plain) and "low loads" in said
    assert "interval of the change is not calibrated for early holds" in said
    assert "low loads" not in " ".join(ask(table()).notes)
    with pytest.raises(NoAnswerError, match=r"can tell a confidence up to 0\.992"):
        answer.low_at(9.0, confidence=0.999)
