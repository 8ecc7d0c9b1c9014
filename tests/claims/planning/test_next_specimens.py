from itertools import product

import numpy as np
import pytest

import lowtail as lt
from lowtail import InputError
from lowtail.claims.planning.core.arms import ComparisonAim
from lowtail.claims.planning.core.experiments import ComparedArms
from lowtail.claims.planning.core.populations import ArmPopulations
from lowtail.claims.planning.next_joint import best_allocation, even_allocation

FIRST = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="major axis")
SECOND = lt.Sample([22.1, 22.3, 21.8, 22.9], label="gate open")


def test_best_allocation_by_trying_every_one() -> None:
    rng = np.random.default_rng(0)
    for _ in range(20):
        curves = [np.sort(rng.random(7)).tolist() for _ in range(3)]
        curves[1][4] = curves[1][3] - 0.1  # a chance may fall
        prices = rng.integers(1, 4, 3).astype(float).tolist()
        best = best_allocation(curves, prices, 6.0)
        every = [m for m in product(range(7), repeat=3) if np.dot(m, prices) <= 6]
        most = max(np.prod([c[i] for c, i in zip(curves, m, strict=True)]) for m in every)
        assert np.prod([c[i] for c, i in zip(curves, best, strict=True)]) == pytest.approx(most, rel=1e-12)


def test_even_allocation() -> None:
    assert even_allocation([1, 1, 1], [10, 10, 10], 7) == (3, 2, 2)
    assert even_allocation([1, 3], [6, 2], 6) == (3, 1)


def test_answer_speaks_and_beats_even() -> None:
    plan = lt.plan.next_specimens([FIRST, SECOND], [20.3, 20.2], "B-basis", budget=10, family="normal")
    assert sum(plan.allocation) <= 10
    assert plan.chance >= plan.chance_even
    assert plan.chance == pytest.approx(plan.table["chance"].prod())
    assert plan.mc_error < 0.006
    assert plan.table["n_now"].tolist() == [5, 4]
    assert str(plan).startswith("Of the next ")
    assert plan.to_frame().loc[0, "groups"] == "major axis; gate open"


def test_a_backed_group_is_left_alone() -> None:
    plan = lt.plan.next_specimens([FIRST, SECOND], [20.3, 18], "B-basis", budget=6, family="normal")
    assert plan.allocation[1] == 0
    assert bool(plan.table["backed_now"].iloc[1])
    done = lt.plan.next_specimens([FIRST, SECOND], 15, "B-basis", budget=4, family="normal")
    assert done.allocation == (0, 0)
    assert done.chance == done.chance_now == 1
    assert "No further specimen" in str(done)


def test_hopeless_groups_are_named() -> None:
    plan = lt.plan.next_specimens([FIRST, SECOND], [24.5, 20], "B-basis", budget=4, family="normal")
    assert "probably not help: major axis" in plan.notes[1]


def test_refusals() -> None:
    with pytest.raises(InputError, match="at least 2 groups"):
        lt.plan.next_specimens([FIRST], 20, budget=5)
    with pytest.raises(InputError, match="one entry for each of 2 groups, got 3"):
        lt.plan.next_specimens([FIRST, SECOND], [20, 20, 20], budget=5)
    with pytest.raises(InputError, match="at most 40"):
        lt.plan.next_specimens([FIRST, SECOND], 20, budget=50)
    with pytest.raises(InputError, match="a cost per specimen"):
        lt.plan.next_specimens([FIRST, SECOND], 20, budget=5, cost=[1, 0])


SLOW = lt.Sample([24.1, 25.3, 23.2, 26.0, 24.4], label="slow pull")
SHOCK = lt.Sample([22.8, 24.9, 23.9, 25.1], label="shock")
KEEPS = lt.plan.Claim(keeps=0.93)


def test_comparison_by_trying_every_allocation() -> None:
    """Chances of all pairs within the budget, by `more_comparison`'s populations."""
    plan = lt.plan.next_specimens([SLOW, SHOCK], [None, KEEPS], budget=6)
    arms = ArmPopulations.draw((SLOW, SHOCK), np.random.default_rng(5), (6, 6))
    aim = ComparisonAim("no worse than", 0.93, 0.95)
    pair = ComparedArms(arms, 1, aim)
    every = {(m, k): np.mean([pair.won((m, k), b) for b in range(4)]) for m in range(7) for k in range(7 - m)}
    assert every[plan.allocation] >= max(every.values()) - 0.015
    assert plan.chance == pytest.approx(every[plan.allocation], abs=0.015)
    assert plan.chance >= plan.chance_even
    assert plan.chance_now == 0
    assert plan.mc_error < 0.005
    assert plan.table["claim"][0] == "reference of the comparisons"
    assert plan.table["chance"][1] == pytest.approx(plan.chance)
    assert "not multiplied" in plan.notes[0]


def test_comparison_and_strength_claims_share_a_budget() -> None:
    wet = lt.Sample([23.5, 24.1, 25.0], label="wet")
    plan = lt.plan.next_specimens([SLOW, SHOCK, wet], [None, KEEPS, 20.5], "B-basis", budget=9, cost=[1, 2, 1])
    assert plan.cost <= 9
    assert plan.chance == pytest.approx(
        plan.table["chance"].prod(), rel=1e-6
    )  # one comparison: independent of the rest
    both = lt.plan.next_specimens([SLOW, SHOCK, wet], [None, KEEPS, KEEPS], budget=6)
    product = both.table["chance"].prod()
    assert product < both.chance < both.table["chance"].min()  # a weak reference helps both


def test_comparison_with_survivors() -> None:
    held = lt.Sample([22.8, 24.9, 23.9, 25.1, 24.0], [True, True, True, False, True], label="aged")
    plan = lt.plan.next_specimens([SLOW, held], [None, lt.plan.Claim(keeps=0.94)], budget=2)
    assert sum(plan.allocation) <= 2
    assert 0 < plan.chance < 1


def test_refusals_of_comparisons() -> None:
    with pytest.raises(InputError, match="give None as the first of `claims`"):
        lt.plan.next_specimens([SLOW, SHOCK], [20, KEEPS], budget=5)
    with pytest.raises(InputError, match="None for group 2"):
        lt.plan.next_specimens([SLOW, SHOCK, FIRST], [None, None, KEEPS], budget=5)
    with pytest.raises(InputError, match="None for group 1"):
        lt.plan.next_specimens([SLOW, SHOCK], [None, 20], budget=5)
    with pytest.raises(InputError, match="got a precision claim"):
        lt.plan.next_specimens([SLOW, SHOCK], [lt.plan.Claim(within=0.05), 20], budget=5)
