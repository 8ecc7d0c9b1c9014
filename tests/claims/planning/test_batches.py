import numpy as np
import pytest

import lowtail as lt
from lowtail import InputError
from lowtail.claims.planning.core.population import Population
from lowtail.models.batches.many import normal_batch_confidence, weibull_batch_confidence
from lowtail.models.batches.normal_batches import batch_sums, pivotal_low
from lowtail.models.batches.weibull_batches import weibull_batches


@pytest.mark.parametrize(("number", "size"), [(3, 4), (5, 2), (2, 5)])
def test_confidence_is_the_one_behind_the_bound_across_batches(number: int, size: int) -> None:
    rng = np.random.default_rng(3)
    groups = [25 + rng.normal(0, 0.8) + rng.normal(0, 1, size) for _ in range(number)]
    sums = batch_sums(groups)
    low = pivotal_low(sums, 0.1, 0.9)
    squares = np.array([sums.between]), np.array([sums.within])
    got = normal_batch_confidence(np.array([sums.mean - low]), *squares, number, 1 / size, number * (size - 1), 0.1)
    assert got[0] == pytest.approx(0.9, abs=2e-3)


def test_number_is_checked_and_the_ceiling_stands_above() -> None:
    plan = lt.plan.batches(20.5, "B-basis", mean=25, cv=0.06, batches=5, between=0.3)
    assert plan.n is not None
    assert plan.arms == (plan.n // 5,) * 5
    assert plan.chance >= 0.8
    assert not plan.chance_before >= 0.8
    assert plan.ceiling >= plan.chance - 0.02
    assert plan.mc_error < 0.005


def test_without_differences_it_costs_at_least_the_plain_plan() -> None:
    plain = lt.plan.new_series(21, "B-basis", mean=25, cv=0.06, family="lognormal", judge="one distribution")
    batched = lt.plan.batches(21, "B-basis", mean=25, cv=0.06, batches=5, between=0.0)
    assert batched.n is not None
    assert plain.n is not None
    assert batched.n >= plain.n - 4


def test_too_few_batches_say_so() -> None:
    plan = lt.plan.batches(20.5, "A-basis", mean=25, cv=0.06, batches=2, between=0.5, max_n=10)
    assert plan.n is None
    assert "take more batches" in str(plan)
    assert plan.ceiling < 0.8


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"batches": 1}, "`batches` must be a whole number of at least 2"),
        ({"between": 1.0}, "`between` must be a share"),
        ({"survivors": 0.2}, "takes breaks only"),
        ({"family": "weibull", "mean": 20}, "over all batches is"),
        ({"basis": "mean - 3 s"}, "needs a tolerance basis"),
        ({"mean": 20}, "cannot be backed with any number"),
    ],
)
def test_refusals(arguments: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        lt.plan.batches(20, **{"mean": 25, "cv": 0.06, "batches": 3, "between": 0.2, **arguments})  # type: ignore[arg-type]


@pytest.mark.parametrize(("number", "size", "held"), [(3, 4, 0.0), (5, 3, 0.3), (6, 8, 0.3)])
def test_weibull_confidence_is_the_one_behind_the_bound(number: int, size: int, held: float) -> None:
    """Of many simulated sets at once, against the engine of `batch_bound`, one by one."""
    population = Population.of_batches(25, 0.06, 0.4, held)
    y, broke = population.batches(number, size, 3000, np.random.SeedSequence(2))
    claim = population.low(0.1) - population.location - 0.03
    got = weibull_batch_confidence(y, broke, claim, 0.1)
    batch, gaps = np.repeat(np.arange(number), size), []
    for i in range(60):
        r = broke[i].sum(axis=1)
        if (r > 0).all() and (r > 1).any():
            gaps.append(got[i] - 1 + weibull_batches(y[i].ravel(), broke[i].ravel(), batch).below(claim, 0.1))
        else:
            assert got[i] == 0
    assert len(gaps) > 30
    assert np.abs(gaps).max() < 0.02
    assert abs(np.mean(gaps)) < 0.002


def test_population_of_batches_has_the_mean_the_cv_and_the_survivors() -> None:
    population = Population.of_batches(25, 0.08, 0.3, 0.25)
    rng = np.random.default_rng(1)
    lots = population.between * rng.standard_normal(400_000)
    log_load = population.location + lots + population.spread * np.log(rng.standard_exponential(400_000))
    load = np.exp(log_load)
    assert load.mean() == pytest.approx(25, rel=1e-3)
    assert load.std() / load.mean() == pytest.approx(0.08, rel=5e-3)
    assert lots.var() / log_load.var() == pytest.approx(0.3, abs=5e-3)
    assert np.mean(log_load < population.low(0.1)) == pytest.approx(0.1, abs=2e-3)
    _, broke = population.batches(6, 5, 3000, np.random.SeedSequence(1))
    assert 1 - broke.mean() == pytest.approx(0.25, abs=0.01)


def test_weibull_batches_with_survivors() -> None:
    none = lt.plan.batches(18, "B-basis", mean=25, cv=0.06, batches=5, between=0.3, family="weibull")
    some = lt.plan.batches(18, "B-basis", mean=25, cv=0.06, batches=5, between=0.3, family="weibull", survivors=0.3)
    assert none.n is not None
    assert some.n is not None
    assert some.n > none.n
    assert some.chance >= 0.8 > some.chance_before
    assert some.mc_error < 0.005
    assert "30 % of the specimens hold" in some.assumptions[1]
    assert some.ceiling >= some.chance
    few = lt.plan.batches(20.5, "A-basis", mean=25, cv=0.05, batches=2, between=0.6, family="weibull", max_n=10)
    assert few.n is None
    assert few.ceiling < 0.8
