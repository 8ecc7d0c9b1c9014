import numpy as np
import pytest

import lowtail as lt
from lowtail import InputError, NoAnswerError
from lowtail.claims.planning.core.arms import ComparisonAim

SLOW = lt.Sample([24.1, 25.3, 23.2, 26.0, 24.4], label="slow pull")
SHOCK = lt.Sample([22.8, 24.9, 23.9, 25.1], label="shock")
HELD = lt.Sample([22.8, 24.9, 23.9, 25.1, 24.0], [True, True, True, False, True], label="shock")


@pytest.mark.parametrize("sizes", [(5, 5), (3, 7)])
@pytest.mark.parametrize("goal", ["difference", "no worse than", "equivalence"])
def test_judged_as_compare_judges(sizes: tuple[int, int], goal: str) -> None:
    rng = np.random.default_rng(9)
    x, y = rng.normal(3.2, 0.05, (8, sizes[0])), rng.normal(3.15, 0.07, (8, sizes[1]))
    aim = ComparisonAim(goal, 1.0 if goal == "difference" else 0.88, 0.95)
    got = aim.reached_complete(x, y)
    for row in range(8):
        arms = lt.Sample(np.exp(x[row])), lt.Sample(np.exp(y[row]))
        found = lt.compare(*arms, margin=None if goal == "difference" else 0.88)
        want = {
            "difference": found.difference != "no difference shown",
            "no worse than": found.verdict == "shown",
            "equivalence": found.equivalence == "shown",
        }[goal]
        assert got[row] == want


def test_smallest_number_and_ceiling() -> None:
    plan = lt.plan.more_comparison(SLOW, SHOCK, lt.plan.Claim(keeps=0.93))
    assert plan.n is not None
    assert plan.n > 0
    assert plan.chance >= 0.8 > plan.chance_before
    assert plan.arms == (plan.n, plan.n)
    assert plan.mc_error < 0.005
    assert 0.8 < plan.ceiling < 1
    assert plan.n_now == 9
    assert plan.group == "slow pull against shock"


def test_hopeless_claim_is_told_plainly() -> None:
    plan = lt.plan.more_comparison(SLOW, SHOCK, lt.plan.Claim(keeps=0.99), max_n=20)
    assert plan.n is None
    assert "probably not help" in str(plan)
    assert plan.ceiling < 0.5


def test_survivors_use_weibull_laws() -> None:
    plan = lt.plan.more_comparison(SLOW, HELD, lt.plan.Claim(keeps=0.93), max_n=3)
    assert plan.family == "weibull"
    assert plan.curve["chance"].iloc[-1] > plan.curve["chance"].iloc[0]


def test_arms_in_hand_have_one_answer() -> None:
    """With nothing added there is nothing to draw: backed or not, as `compare` says."""
    for keeps, shown in ((0.92, True), (0.93, False)):
        plan = lt.plan.more_comparison(SLOW, HELD, lt.plan.Claim(keeps=keeps), max_n=1)
        assert plan.curve["chance"].iloc[0] == (1.0 if shown else 0.0)
        assert (lt.compare(SLOW, HELD, margin=keeps).verdict == "shown") is shown


def test_equal_means_no_difference_in_hand() -> None:
    plan = lt.plan.more_comparison(SLOW, SLOW, alternative="less", max_n=10)
    assert plan.ceiling == pytest.approx(0.5, abs=0.02)
    assert plan.n is None


def test_refusals() -> None:
    with pytest.raises(InputError, match="at most 60"):
        lt.plan.more_comparison(SLOW, SHOCK, max_n=100)
    with pytest.raises(InputError, match="Claim with `keeps`"):
        lt.plan.more_comparison(SLOW, SHOCK, lt.plan.Claim(strength=20))
    with pytest.raises(NoAnswerError, match="at least 2 different loads"):
        lt.plan.more_comparison(SLOW, lt.Sample([20.0, 21.0], [True, False]))
