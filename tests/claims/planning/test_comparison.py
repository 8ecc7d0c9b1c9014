import joblib
import numpy as np
import pytest
from scipy import stats

import lowtail as lt
from lowtail import InputError
from lowtail.claims.planning.core.arms import ComparisonAim
from lowtail.claims.planning.core.chances import behrens_fisher_reach, chance_two_arms
from lowtail.claims.planning.core.experiments import NamedTestPairs
from lowtail.claims.planning.core.simulate import standard_series
from lowtail.claims.planning.core.trials import Trials
from lowtail.models.distributions.families import log_sd_of
from lowtail.models.series.weibull_ratio import _by_draws, ratio_confidence, take
from lowtail.models.two_samples.t_tests import behrens_fisher


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
    by_number = lt.plan.comparison(1.0, 0.06, margin=0.9)
    by_claim = lt.plan.comparison(1.0, 0.06, margin=lt.plan.Claim(keeps=0.9))
    assert by_number.arms == by_claim.arms
    assert by_number.sentence == by_claim.sentence
    agree = lt.plan.comparison(1.0, 0.06, margin=lt.plan.Claim(same_within=0.9))
    assert agree.arms == lt.plan.comparison(1.0, 0.06, margin=0.9, goal="equivalence").arms
    assert agree.n is not None
    assert by_claim.n is not None
    assert agree.n >= by_claim.n


def test_one_fewer_in_any_arm_falls_short() -> None:
    plan = lt.plan.comparison(0.95, 0.08, cost=(1.0, 4.0))
    a, b = plan.arms
    assert a > b  # the dear arm is the smaller
    assert plan.chance >= 0.8 > plan.chance_before
    equal = lt.plan.comparison(0.95, 0.08)
    assert plan.cost == a + 4 * b
    assert plan.cost < 5 * equal.arms[0]


def test_unequal_scatter_and_ratio_of_arms() -> None:
    plan = lt.plan.comparison(0.9, (0.03, 0.09), n_ratio=2.0)
    assert plan.arms[1] == 2 * plan.arms[0]
    assert plan.chance >= 0.8 > plan.chance_before


def test_max_n_too_small_says_so() -> None:
    plan = lt.plan.comparison(0.99, 0.1, max_n=30)
    assert plan.n is None
    assert "do not show" in str(plan)


@pytest.mark.parametrize(
    ("ratio", "more", "words"),
    [
        (1.0, {}, "at `ratio` 1 there is no difference"),
        (0.9, {"alternative": "greater"}, "looks the other way"),
        (0.9, {"margin": 0.9}, "not above the margin"),
        (1.2, {"margin": 0.9, "goal": "equivalence"}, "not below 1/margin"),
        (0.8, {"margin": 0.9, "goal": "no worse than"}, "not above the margin"),
        (0.9, {"power": 1.0}, "No series of tests is certain"),
        (0.9, {"cv": 0.0}, "`cv` must be"),
        (-0.9, {}, "`ratio` must be"),
        (0.9, {"goal": "sameness"}, "`goal` must be one of"),
        (0.9, {"goal": "equivalence"}, "needs `margin`"),
        (0.9, {"goal": "difference", "margin": 0.8}, "plays no part"),
        (0.9, {"margin": lt.plan.Claim(strength=22)}, "Claim with `keeps`"),
        (0.99, {"margin": lt.plan.Claim(keeps=0.9), "goal": "equivalence"}, "does not fit the claim"),
        (0.9, {"test": "z"}, "`test` must be 'auto' or one of"),
        (0.9, {"alternative": "up"}, "`alternative` must be"),
        (0.9, {"cost": 3}, "`cost` must be a pair of numbers or None, got 3"),
        (0.9, {"cv": (0.05, 0.1), "test": "pooled t on log load"}, "one scatter for both arms"),
        (0.9, {"survivors": 0.2, "test": "permutation Welch"}, "no place for survivors"),
        (0.95, {"margin": 0.9, "test": "Mann-Whitney"}, "judged by an interval"),
    ],
)
def test_impossible_and_absurd_requests(ratio: float, more: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        lt.plan.comparison(ratio, **{"cv": 0.06, **more})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("goal", "alternative"),
    [("difference", "two-sided"), ("difference", "less"), ("no worse than", "two-sided"), ("equivalence", "two-sided")],
)
@pytest.mark.parametrize(("n_1", "n_2"), [(4, 4), (3, 9)])
def test_power_of_the_default_is_what_its_rule_shows_in_simulated_series(
    goal: str, alternative: str, n_1: int, n_2: int
) -> None:
    rng = np.random.default_rng(4)
    size, shift, margin = 40_000, -0.12 if goal == "difference" else 0.0, 0.84
    x, y = rng.normal(0, 0.06, (size, n_1)), rng.normal(shift, 0.09, (size, n_2))
    aim = ComparisonAim(goal, 1.0 if goal == "difference" else margin, 0.95, alternative)
    power = chance_two_arms(
        n_1,
        n_2,
        shift=shift,
        spread=(0.06, 0.09),
        confidence=0.95,
        goal=goal,
        margin=-np.log(margin),
        method="half and half",
        alternative=alternative,
    )
    assert 0.05 < power < 0.95
    assert aim.reached_complete(x, y).mean() == pytest.approx(power, abs=3 * np.sqrt(0.25 / size))


def test_survivors_on_one_side_are_judged_by_both_families() -> None:
    # series whose verdict is clear by `compare`'s own limits (more than 0.01 from the edge) are judged alike
    rng = np.random.default_rng(8)
    y = [rng.normal(shift, 0.06, (25, 6)) for shift in (0.0, 0.03)]
    broke = [(rng.random((25, 6)) > 0.25) | (np.arange(6) < 2) for _ in range(2)]
    quick = ComparisonAim("no worse than", 0.93, 0.95).reached((y[0], broke[0]), (y[1], broke[1]))
    clear = 0
    for i in range(25):
        arms = [lt.Sample(np.exp(y[a][i]), broke[a][i]) for a in (0, 1)]
        low = lt.compare(arms[0], arms[1], margin=0.93).keeps_low
        if abs(np.log(low / 0.93)) > 0.01:
            clear += 1
            assert quick[i] == (low > 0.93)
    assert clear > 15
    assert 3 < quick.sum() < 22


def test_log_spread_of_a_cv() -> None:
    assert stats.lognorm(log_sd_of(0.12)).std() / stats.lognorm(log_sd_of(0.12)).mean() == pytest.approx(0.12)


@pytest.mark.parametrize(("n_1", "n_2"), [(3, 10), (5, 8)])
def test_behrens_fisher_power_by_simulation(n_1: int, n_2: int) -> None:
    rng = np.random.default_rng(3)
    x, y = rng.normal(0, 1, (150, n_1)), rng.normal(1.5, 1.5, (150, n_2))
    won = np.mean([behrens_fisher(a, b).p_value < 0.05 for a, b in zip(x, y, strict=True)])
    power = chance_two_arms(
        n_1, n_2, shift=1.5, spread=(1.0, 1.5), confidence=0.95, goal="difference", method="behrens-fisher"
    )
    assert won == pytest.approx(power, abs=0.11)


def test_behrens_fisher_reach_is_the_test_s_own() -> None:
    x, y = np.array([0.0, 1.0, 2.5]), np.array([0.3, 0.9, 1.7, 2.2, 4.0, 4.4])
    found = behrens_fisher(x, y)
    a, b = x.var(ddof=1) / 3, y.var(ddof=1) / 6
    angle, reach = behrens_fisher_reach(2, 5, 0.025)
    got = np.interp(np.arctan2(np.sqrt(a), np.sqrt(b)), angle, reach) * np.sqrt(a + b)
    assert got == pytest.approx((found.high - found.low) / 2, rel=2e-3)


def test_survivors_are_judged_as_compare_judges_them() -> None:
    rng = np.random.default_rng(5)
    size, n = 60, 8
    logs = [shift + 0.06 * np.log(rng.standard_exponential((size, n))) for shift in (0.0, -0.09)]
    broke = [(rng.random((size, n)) > 0.25) | (np.arange(n) < 2) for _ in range(2)]
    quick = ComparisonAim("difference", 1.0, 0.95).reached((logs[0], broke[0]), (logs[1], broke[1]))
    median = np.log(np.log(2.0))
    slow = []
    for i in range(size):
        first, second = (
            lt.confidence_distribution(lt.Sample(np.exp(logs[a][i]), broke[a][i])).draws(20_000, a) for a in range(2)
        )
        above = np.mean(second[0] + median * second[1] > first[0] + median * first[1])
        slow.append(above >= 0.975 or above <= 0.025)
    assert 10 < np.sum(slow) < 50
    assert np.mean(quick != np.array(slow)) <= 0.07  # only series on the edge may differ


def test_survivors_cost_specimens() -> None:
    plan = lt.plan.comparison(0.85, 0.06, survivors=(0.0, 0.3), max_n=30)
    assert plan.family == "weibull"
    assert plan.n is not None
    assert plan.n > (lt.plan.comparison(0.85, 0.06).n or 0)
    assert plan.chance >= 0.8 > plan.chance_before
    assert plan.mc_error < 0.005


def test_named_test_by_simulation() -> None:
    """Mann-Whitney cannot reach 5 % with 3 against 3: smallest p 2 / C(6, 3) = 0.1."""
    aim = ComparisonAim("difference", 1.0, 0.95)
    trials = Trials(NamedTestPairs(0.5, (0.05, 0.05), (0.0, 0.0), aim, 1, "Mann-Whitney"))
    assert trials.full((3, 3)) == (0.0, 0.0)
    plan = lt.plan.comparison(0.8, 0.06, test="Mann-Whitney", max_n=12)
    assert plan.n == 4
    assert plan.chance_before == 0


def test_cheapest_split_by_trying_every_pair() -> None:
    plan = lt.plan.comparison(0.9, (0.03, 0.08), cost=(1.0, 2.0), test="Welch on log load")
    best = min(
        a + 2 * b
        for a in range(2, 25)
        for b in range(2, 25)
        if chance_two_arms(
            a, b, shift=np.log(0.9), spread=(log_sd_of(0.03), log_sd_of(0.08)), confidence=0.95, goal="difference"
        )
        >= 0.8
    )
    assert plan.cost == best


@pytest.mark.parametrize("tails", [0.05, 0.025])
def test_behrens_fisher_reach_of_two_cauchy_laws(tails: float) -> None:
    """One degree of freedom is the Cauchy distribution; a sin + b cos of two is Cauchy with scale a + b (from
    memory)."""
    angle, reach = behrens_fisher_reach(1, 1, tails)
    assert reach == pytest.approx((np.sin(angle) + np.cos(angle)) * stats.cauchy.isf(tails), rel=2e-5)
    angle, reach = behrens_fisher_reach(4, 7, tails)
    assert (reach[0], reach[-1]) == pytest.approx((stats.t.isf(tails, 7), stats.t.isf(tails, 4)), rel=1e-9)


@pytest.mark.parametrize(("n_1", "n_2", "held"), [(4, 4, 0.2), (6, 12, 0.3), (20, 20, 0.3)])
def test_quick_ratio_confidence_follows_draws(n_1: int, n_2: int, held: float) -> None:
    """Against the average over 8 times as many draws, near the levels asked for."""
    size, edge = 900, -0.1 * np.sqrt(1 / n_1 + 1 / n_2)
    pairs = [
        standard_series(lt.WEIBULL, n, size, held, np.random.SeedSequence(n + i)) for i, n in enumerate((n_1, n_2))
    ]
    reference, other = ((0.05 * z, broke) for z, broke in pairs)
    order = [np.random.default_rng(i).permutation(size) for i in range(8)]
    each = np.empty((8, size))
    for i, rows in enumerate(order):
        each[i, rows] = _by_draws(take(reference, rows), take(other, rows), edge)
    want = each.mean(axis=0)
    got = ratio_confidence(reference, other, edge, (0.95,))
    assert np.isnan(got).sum() == np.isnan(want).sum()
    near = np.abs(want - 0.95) < 0.02
    assert near.sum() > 20
    assert np.abs(got - want)[near].max() < 0.03
    assert abs(np.nanmean((got >= 0.95).astype(float) - (want >= 0.95))) < 0.006


def test_same_digits_on_one_or_two_workers() -> None:
    one = lt.plan.comparison(0.85, 0.06, survivors=0.2)
    with joblib.parallel_config(backend="threading"):
        two = lt.plan.comparison(0.85, 0.06, survivors=0.2, n_jobs=2)
    assert one.arms == two.arms
    assert one.curve.equals(two.curve)
