from functools import partial

import joblib
import numpy as np
import pytest

import lowtail as lt
from lowtail import FAMILIES, NORMAL, WEIBULL, InputError
from lowtail.claims.planning.core.experiments import FreshSeries, fresh_chances
from lowtail.claims.planning.core.judge import ONE, StrengthAim
from lowtail.claims.planning.core.population import Population
from lowtail.claims.planning.core.trials import Trials
from lowtail.many import confidence_that as confidence_many
from lowtail.many import lower_bound as low_many
from lowtail.models.series.normal_pivot import normal_confidence
from lowtail.models.series.weibull_pivot import weibull_confidence, weibull_pivot

one_distribution = partial(
    lt.plan.new_series, judge="one distribution"
)  # judged by the family alone: closed forms to be held to


@pytest.mark.parametrize("family", list(FAMILIES))
def test_population_has_the_mean_and_cv_asked_for(family: str) -> None:
    population = Population.of(family, 25.0, 0.08)
    u = (np.arange(200_000) + 0.5) / 200_000
    load = population.family.inverse(population.location + population.spread * population.family.quantile(u))
    assert load.mean() == pytest.approx(25.0, rel=1e-4)
    assert load.std() / load.mean() == pytest.approx(0.08, rel=1e-3)


def test_weibull_chance_at_the_truth_is_one_minus_confidence() -> None:
    """Defining property of the bound: it passes the true percentile with probability 1 - confidence."""
    for n in (2, 3, 5, 12, 40):
        pivot = weibull_pivot(n, 3)
        truth = float(np.log(-np.log1p(-0.10)))
        assert pivot.chance(truth, pivot.bound(0.10, 0.95))[0] == pytest.approx(0.05, abs=1e-6)


def test_weibull_pivot_bounds_are_the_engine_s() -> None:
    pivot = weibull_pivot(6, 3)
    draw = np.random.default_rng(np.random.SeedSequence([3, 77])).standard_exponential((6, 800)).T[:60]
    low = np.log(low_many(draw / draw.max(axis=1, keepdims=True), None, "weibull", 0.05, 0.9))
    assert pivot.bound(0.05, 0.9)[:60] == pytest.approx(low, rel=2e-3)


def test_weibull_chance_agrees_with_plain_simulation() -> None:
    population, aim = Population.of("weibull", 25.0, 0.06), StrengthAim(20.5, lt.BASES["B-basis"], WEIBULL, ONE)
    quick, error = fresh_chances(population, aim, 5).full(9)
    plain, plain_error = Trials(FreshSeries.of(population, aim, 8)).full(9)
    assert error < 0.005
    assert quick == pytest.approx(plain, abs=4 * np.hypot(error, plain_error))


def test_normal_chance_agrees_with_plain_simulation() -> None:
    population, aim = Population.of("normal", 25.0, 0.06), StrengthAim(20.5, lt.BASES["B-basis"], NORMAL, ONE)
    exact, error = fresh_chances(population, aim, 5).full(9)
    plain, plain_error = Trials(FreshSeries.of(population, aim, 8)).full(9)
    assert error == 0.0
    assert exact == pytest.approx(plain, abs=4 * plain_error)


@pytest.mark.parametrize("held", [0.0, 0.3])
def test_quick_weibull_confidence_follows_the_engine(held: float) -> None:
    rng = np.random.default_rng(4)
    load = 25 * rng.weibull(15, size=(150, 7))
    broke = rng.random(load.shape) >= held
    want = np.nan_to_num(confidence_many(load, broke, "weibull", 18.0, 0.05, calibrated=False))
    got = weibull_confidence(np.log(load), broke, np.log(18.0), 0.05)
    assert np.abs(got - want).max() < 1e-3


def test_quick_normal_confidence_follows_the_engine_near_the_level() -> None:
    rng = np.random.default_rng(4)
    load = rng.normal(25, 1.2, size=(250, 6))
    broke = rng.random(load.shape) >= 0.3
    want = np.nan_to_num(confidence_many(load, broke, "normal", 22.0, 0.10, calibrated=False))
    got = normal_confidence(load, broke, 22.0, 0.10, 0.95)
    near = np.abs(want - 0.95) < 0.03
    assert near.sum() > 10
    assert np.abs(got - want)[near].max() < 0.01
    assert np.mean((got >= 0.95) != (want >= 0.95)) <= 0.01


@pytest.mark.parametrize("family", list(FAMILIES))
def test_n_is_checked_at_n_and_one_fewer(family: str) -> None:
    plan = one_distribution(21, "B-basis", mean=25, cv=0.06, family=family)
    assert plan.n is not None
    assert plan.chance >= 0.8 > plan.chance_before
    assert plan.arms == (plan.n,)
    assert plan.mc_error < 0.005
    at = plan.curve.set_index("n")["chance"]
    assert at[plan.n] == plan.chance
    assert at[plan.n - 1] == plan.chance_before


def test_survivors_cost_specimens() -> None:
    none = one_distribution(20, "B-basis", mean=25, cv=0.05)
    some = one_distribution(20, "B-basis", mean=25, cv=0.05, survivors=0.3, max_n=30)
    assert none.n is not None
    assert some.n is not None
    assert some.n > none.n
    assert some.mc_error < 0.005


def test_same_digits_on_one_or_two_workers() -> None:
    aim = StrengthAim(20.0, lt.BASES["B-basis"], WEIBULL)
    series = FreshSeries.of(Population(WEIBULL, 3.2, 0.05, 0.2), aim, 11)
    one = Trials(series).full(6)
    with joblib.parallel_config(backend="threading"):
        two = Trials(series, n_jobs=2).full(6)
    assert one == two


@pytest.mark.parametrize("unit", [1.0, 224.809, 1000.0])
def test_unit_changes_nothing(unit: float) -> None:
    plan = one_distribution(20 * unit, "B-basis", mean=25 * unit, cv=0.05)
    assert plan.n == one_distribution(20, "B-basis", mean=25, cv=0.05).n


def test_harder_claims_need_more() -> None:
    sizes = [one_distribution(c, "A-basis", mean=25, cv=0.04, family="normal").n for c in (19, 20, 21)]
    assert sizes == sorted(sizes)
    assert sizes[0] < sizes[-1]
    surer = [
        one_distribution(20, "A-basis", mean=25, cv=0.05, family="normal", assurance=a).n for a in (0.5, 0.8, 0.99)
    ]
    assert surer == sorted(surer)


def test_max_n_too_small_says_so() -> None:
    plan = one_distribution(23, "B-basis", mean=25, cv=0.05, family="normal", max_n=20)
    assert plan.n is None
    assert plan.arms == ()
    assert plan.unusable
    assert "only" in str(plan)
    assert plan.chance < 0.8


def test_custom_bases_use_mean_and_s() -> None:
    plan = one_distribution(20, "EN 1990 prediction", mean=25, cv=0.05, family="weibull")
    assert plan.n is not None
    assert "mean - k s" in plan.assumptions[0]
    with pytest.raises(InputError, match="not defined with survivors"):
        one_distribution(20, "EN 1990 prediction", mean=25, cv=0.05, survivors=0.2)


@pytest.mark.parametrize(
    ("claim", "more", "words"),
    [
        (26, {}, "lies above the mean"),
        (23.9, {}, "cannot be backed with any number of specimens"),
        (-3, {}, "`claim` must be a strength in kN"),
        (float("nan"), {}, "`claim` must be a strength in kN"),
        (20, {"cv": 0}, "`cv` must be a coefficient of variation"),
        (20, {"cv": 6}, "6 % is 0.06"),
        (20, {"mean": -1}, "`mean` must be the expected mean load"),
        (20, {"assurance": 1}, "No series of tests is certain"),
        (20, {"assurance": 0.2}, "between 0.5 and 0.99"),
        (20, {"survivors": 1}, "`survivors` must be a share"),
        (20, {"max_n": 1}, "whole number of at least 2"),
        (20, {"max_n": 10.5}, "must be a whole number such as 5, got 10.5"),
        (20, {"cost": 0}, "the cost of one specimen"),
        (lt.plan.Claim(keeps=0.9), {}, "use `plan.comparison`"),
    ],
)
def test_impossible_and_absurd_requests(claim: object, more: dict[str, object], words: str) -> None:
    arguments = {"mean": 25, "cv": 0.05, "family": "normal", **more}
    with pytest.raises(InputError, match=words):
        one_distribution(claim, "B-basis", **arguments)  # type: ignore[arg-type]


def test_record_speaks() -> None:
    plan = one_distribution(lt.plan.Claim(strength=20, basis="A-basis"), mean=25, cv=0.05, family="normal", cost=40)
    assert str(plan) == (
        "16 specimens demonstrate 20 kN on A-basis (99 % stronger, 95 % confidence) with a chance of 81 %, if the "
        "mean is 25 kN and the CV 5 % (normal distribution)."
    )
    assert plan.cost == 640
    assert len(plan.changes) == 3
    assert plan.to_frame().loc[0, "n"] == 16
    assert "16 specimens" in plan._repr_html_()
