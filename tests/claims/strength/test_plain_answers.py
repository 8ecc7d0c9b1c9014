"""Answers that a user can act on: advice that works, reasons for what is refused, and no statement without its if."""

from __future__ import annotations

import numpy as np
import pytest

import lowtail as lt
from lowtail import InputError, NoAnswerError
from lowtail._shared.numbers import times_in_ten

ONE_BREAK = lt.Sample([24.0, 25, 25, 25, 25], [True, False, False, False, False], label="sling")


@pytest.mark.parametrize(("family", "advice"), [("weibull", "shape"), ("normal", "cv"), ("lognormal", "cv")])
def test_advice_for_one_break_can_be_followed(family: str, advice: str) -> None:
    with pytest.raises(NoAnswerError, match="but 1 of 5 specimens broke") as refusal:
        lt.lower_bound(ONE_BREAK, family=family)
    text = str(refusal.value)
    other = {"shape": "cv", "cv": "shape"}[advice]
    assert f"Give `{advice}=` from an earlier series" in text
    assert f"`{other}=`" not in text
    followed: dict[str, float] = {"shape": {"shape": 15.0}, "cv": {"cv": 0.08}}[advice]
    assert 15 < lt.lower_bound(ONE_BREAK, family=family, **followed).low < 24  # type: ignore[arg-type]
    with pytest.raises(InputError, match="does not fit"):
        lt.lower_bound(ONE_BREAK, family=family, **{"shape": {"cv": 0.08}, "cv": {"shape": 15.0}}[advice])  # type: ignore[arg-type]


def test_a_cv_of_one_is_planned_and_a_percentage_is_refused_with_the_reason() -> None:
    plan = lt.plan.comparison(1.5, 1.0)
    assert plan.n is not None
    assert plan.n >= (lt.plan.comparison(1.5, 0.99).n or 0)
    assert "CV 100 %" in str(plan)
    for wrong in (6, (0.06, 2.5)):
        with pytest.raises(InputError, match=r"at most 2 .* a percentage is more likely meant\. 6 % is 0\.06"):
            lt.plan.comparison(1.5, wrong)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="`cv` must be a fraction below 1"):
        lt.plan.new_series(20, "B-basis", mean=25, cv=1.0)


def test_choice_of_law_does_not_advise_a_contradicted_one() -> None:
    # invented loads, of a lognormal population shifted by 20: the lowest bound is the normal's
    cycles = lt.Sample([43.0, 67, 145, 52, 48, 40, 39, 68, 76, 57, 63, 59, 59, 37], label="cord")
    answer = lt.checks.sensitivity(cycles)
    assert answer.contradicted == lt.checks.goodness_of_fit(cycles).contradicted == ("weibull", "normal")
    assert "use the lowest" not in str(answer)
    assert "only lognormal is not contradicted and gives 27.2 kN, which so few breaks do not prove right" in str(answer)
    # nothing contradicted, and the lowest is 0: said plainly
    wide = lt.Sample([30.0, 2, 45, 60, 28, 90, 75, 33])
    assert "normal is the lowest and gives 0 kN" in str(lt.checks.sensitivity(wide))
    assert str(lt.checks.sensitivity(wide)).endswith("a bound of 0 backs no load.")
    # all contradicted
    two_kinds = lt.Sample([24.0, 24.5, 25, 24.8, 60, 110, 24.2, 24.4])
    assert "none of these bounds stands" in str(lt.checks.sensitivity(two_kinds))
    # too few to test a distribution: the old advice
    assert "use the lowest unless one distribution is known" in str(
        lt.checks.sensitivity(lt.Sample([20.0, 25.0, 33.0]))
    )


def test_no_zero_times_and_no_one_times() -> None:
    said = [times_in_ten(share) for share in np.linspace(0, 1, 101)]
    assert not any(text.startswith(("0 times", "1 times", "10 times")) for text in said)
    assert len(dict.fromkeys(said)) == 11
    # a minority of half the specimens, 70 % weaker, is hardly ever missed at n = 20
    loads = 25 * (-np.log((np.arange(20) + 0.5) / 20)) ** (1 / 15)
    text = str(lt.checks.goodness_of_fit(lt.Sample(loads), weak_share=0.3, weak_loss=0.7, size=400))
    assert "0 times in 10" not in text
    assert "1 times in 10" not in text


def test_zero_failures_at_a_higher_load_say_what_they_assume() -> None:
    text = str(lt.plan.zero_failure(0.90, 0.95, load_ratio=1.2, shape=15))
    assert text.endswith("than the stated load, if strength follows a Weibull distribution of shape 15 or more.")
    assert str(lt.plan.zero_failure(0.90, 0.95, load_ratio=1.2, shape=15, max_n=1)).endswith("of shape 15 or more.")
    assert str(lt.plan.zero_failure(0.90, 0.95)).endswith("than the stated load.")


def test_a_reading_before_the_loading_stands_in_the_printed_peak() -> None:
    time = np.arange(0, 0.2, 0.0001)
    noise = np.random.default_rng(0).normal(0, 0.01, time.size)
    pulse = np.where((time > 0.1) & (time < 0.12), 20 * np.sin(np.pi * (time - 0.1) / 0.02), 0) + noise
    offset = lt.trace.peak_load(lt.trace.check_trace(pulse + 1.5, time))
    assert offset.before_kN == pytest.approx(1.5, abs=0.01)
    assert "peak 21.5 kN (the cell read 1.5 kN before the loading: preload or zero offset, not subtracted)" in str(
        offset
    )
    for clean in (lt.trace.check_trace(pulse, time), lt.trace.check_trace(pulse + 1.5, time, zero="quiet")):
        assert "before the loading" not in str(lt.trace.peak_load(clean))
