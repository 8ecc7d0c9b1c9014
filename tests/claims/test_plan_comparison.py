import numpy as np
import pytest
from scipy import stats

import lowtail as lt
from lowtail.claims.plan_chances import chance_two_arms
from lowtail.claims.plan_comparison import log_spread
from lowtail.errors import InputError


@pytest.mark.parametrize(("n_1", "n_2", "second"), [(3, 3, 1.0), (5, 5, 1.0), (3, 10, 2.0)])
def test_welch_power_is_what_simulation_gives(n_1: int, n_2: int, second: float) -> None:
    rng = np.random.default_rng(2)
    x, y = rng.normal(0, 1, (60_000, n_1)), rng.normal(2, second, (60_000, n_2))
    p = stats.ttest_ind(y, x, axis=1, equal_var=False).pvalue
    power = chance_two_arms(n_1, n_2, shift=2.0, spread=(1.0, second), confidence=0.95, goal="difference")
    assert (p < 0.05).mean() == pytest.approx(power, abs=0.008)


@pytest.mark.parametrize("goal", ["no worse than", "equivalence"])
def test_welch_margins_by_simulation(goal: str) -> None:
    rng = np.random.default_rng(2)
    n, margin, shift = 6, 1.5, -0.2
    x, y = rng.normal(0, 1, (60_000, n)), rng.normal(shift, 1, (60_000, n))
    result = stats.ttest_ind(y, x, axis=1, equal_var=False)
    interval = result.confidence_interval(0.90)
    won = interval.low > -margin
    if goal == "equivalence":
        won &= interval.high < margin
    power = chance_two_arms(n, n, shift=shift, spread=(1.0, 1.0), confidence=0.95, goal=goal, margin=margin)
    assert won.mean() == pytest.approx(power, abs=0.008)


def test_goals_and_claims_speak_one_language() -> None:
    by_number = lt.plan_comparison(1.0, 0.06, margin=0.9, goal="no worse than")
    by_claim = lt.plan_comparison(1.0, 0.06, margin=lt.Claim(keeps=0.9))
    assert by_number.arms == by_claim.arms
    assert by_number.sentence == by_claim.sentence
    agree = lt.plan_comparison(1.0, 0.06, margin=lt.Claim(same_within=0.9))
    assert agree.arms == lt.plan_comparison(1.0, 0.06, margin=0.9).arms
    assert agree.n is not None
    assert by_claim.n is not None
    assert agree.n >= by_claim.n


def test_one_fewer_in_any_arm_falls_short() -> None:
    plan = lt.plan_comparison(0.95, 0.08, cost=(1.0, 4.0))
    a, b = plan.arms
    assert a > b  # the dear arm is the smaller
    assert plan.chance >= 0.8 > plan.chance_before
    equal = lt.plan_comparison(0.95, 0.08)
    assert plan.cost == a + 4 * b
    assert plan.cost < 5 * equal.arms[0]


def test_unequal_scatter_and_ratio_of_arms() -> None:
    plan = lt.plan_comparison(0.9, (0.03, 0.09), n_ratio=2.0)
    assert plan.arms[1] == 2 * plan.arms[0]
    assert plan.chance >= 0.8 > plan.chance_before


def test_max_n_too_small_says_so() -> None:
    plan = lt.plan_comparison(0.99, 0.1, max_n=30)
    assert plan.n is None
    assert "do not reach" in str(plan)


@pytest.mark.parametrize(
    ("ratio", "more", "words"),
    [
        (1.0, {}, "at `ratio` 1 there is no difference"),
        (0.9, {"alternative": "greater"}, "looks the other way"),
        (0.9, {"margin": 0.9}, "not above the margin"),
        (1.2, {"margin": 0.9}, "not below 1/margin"),
        (0.8, {"margin": 0.9, "goal": "no worse than"}, "not above the margin"),
        (0.9, {"power": 1.0}, "No series of tests is certain"),
        (0.9, {"cv": 0.0}, "`cv` must be"),
        (-0.9, {}, "`ratio` must be"),
        (0.9, {"goal": "sameness"}, "`goal` must be one of"),
        (0.9, {"goal": "equivalence"}, "needs `margin`"),
        (0.9, {"goal": "difference", "margin": 0.8}, "plays no part"),
        (0.9, {"margin": lt.Claim(strength=22)}, "Claim with `keeps`"),
        (0.99, {"margin": lt.Claim(keeps=0.9), "goal": "equivalence"}, "does not fit the claim"),
        (0.9, {"test": "z"}, "`test` must be one of"),
        (0.9, {"alternative": "up"}, "`alternative` must be"),
        (0.9, {"cost": 3}, "`cost` must hold two numbers"),
        (0.9, {"cv": (0.05, 0.1), "test": "pooled t"}, "one scatter for both arms"),
    ],
)
def test_impossible_and_absurd_requests(ratio: float, more: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        lt.plan_comparison(ratio, **{"cv": 0.06, **more})  # type: ignore[arg-type]


def test_log_spread_of_a_cv() -> None:
    assert stats.lognorm(log_spread(0.12)).std() / stats.lognorm(log_spread(0.12)).mean() == pytest.approx(0.12)
