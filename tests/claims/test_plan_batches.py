import numpy as np
import pytest

import lowtail as lt
from lowtail.claims.planning.plan_batches import batch_confidence
from lowtail.errors import InputError
from lowtail.models.batch_law import batch_sums, pivotal_low


@pytest.mark.parametrize(("number", "size"), [(3, 4), (5, 2), (2, 5)])
def test_confidence_is_the_one_behind_the_bound_across_batches(number: int, size: int) -> None:
    rng = np.random.default_rng(3)
    groups = [25 + rng.normal(0, 0.8) + rng.normal(0, 1, size) for _ in range(number)]
    sums = batch_sums(groups)
    low = pivotal_low(sums, 0.1, 0.9)
    got = batch_confidence(
        np.array([sums.mean - low]), np.array([sums.between]), np.array([sums.within]), number, size, 0.1
    )
    assert got[0] == pytest.approx(0.9, abs=2e-3)


def test_number_is_checked_and_the_ceiling_stands_above() -> None:
    plan = lt.plan_batches(20.5, "B-basis", mean=25, cv=0.06, batches=5, between=0.3)
    assert plan.n is not None
    assert plan.arms == (plan.n // 5,) * 5
    assert plan.chance >= 0.8
    assert not plan.chance_before >= 0.8
    assert plan.ceiling >= plan.chance - 0.02
    assert plan.mc_error < 0.005


def test_without_differences_it_costs_at_least_the_plain_plan() -> None:
    plain = lt.plan_bound(21, "B-basis", mean=25, cv=0.06, family="lognormal")
    batched = lt.plan_batches(21, "B-basis", mean=25, cv=0.06, batches=5, between=0.0)
    assert batched.n is not None
    assert plain.n is not None
    assert batched.n >= plain.n - 4


def test_too_few_batches_say_so() -> None:
    plan = lt.plan_batches(20.5, "A-basis", mean=25, cv=0.06, batches=2, between=0.5, max_n=10)
    assert plan.n is None
    assert "take more batches" in str(plan)
    assert plan.ceiling < 0.8


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"batches": 1}, "`batches` must be a whole number of at least 2"),
        ({"between": 1.0}, "`between` must be a share"),
        ({"family": "weibull"}, "rests on the normal law"),
        ({"basis": "mean - 3 s"}, "needs a tolerance basis"),
        ({"mean": 20}, "cannot be backed with any number"),
    ],
)
def test_refusals(arguments: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        lt.plan_batches(20, **{"mean": 25, "cv": 0.06, "batches": 3, "between": 0.2, **arguments})  # type: ignore[arg-type]
