import time
from functools import partial

import joblib
import numpy as np
import pytest

import lowtail as lt
from lowtail import NORMAL, InputError, NoAnswerError
from lowtail.claims.planning.core.judge import StrengthAim
from lowtail.claims.planning.core.populations import draw_populations
from lowtail.claims.planning.core.trials import CURVE, Trials

one_distribution = partial(
    lt.plan.more_samples, judge="one distribution"
)  # judged by the family alone: closed forms to be held to

FIVE = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="steel oval, major axis")
HELD = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9, 25.0], [True, True, True, False, True, False], label="sling")


def exact_five() -> lt.Sample:
    """Five loads with mean 25 and standard deviation 1.2 to the last digit."""
    x = np.array([-1.3, -0.4, 0.1, 0.5, 1.1])
    x = (x - x.mean()) / x.std(ddof=1)
    return lt.Sample(25 + 1.2 * x)


def test_normal_curve_and_ceiling() -> None:
    """Mean 25, s 1.2, n = 5, 1 % at 95 %, claim 20: the ceiling is a noncentral t, scipy.stats.nct.cdf."""
    from scipy import stats

    plan = one_distribution(exact_five(), 20, "A-basis", family="normal")
    ceiling = stats.nct.cdf(5 / 1.2 * 5**0.5, 4, 2.3263478740408408 * 5**0.5)
    assert plan.ceiling == pytest.approx(ceiling, abs=1e-6)
    assert plan.n is None
    chance = plan.curve.set_index("n")["chance"]
    # an earlier simulation of the same predictive curve with other code (4,000 to 20,000 populations)
    for m, want in {2: 0.33, 3: 0.45, 5: 0.55, 8: 0.62}.items():
        assert chance[m] == pytest.approx(want, abs=0.02)
    assert chance[0] == chance[1] == 0
    assert chance.max() <= plan.ceiling + 0.05
    assert plan.curve["mc_error"].max() < 0.005


def test_already_backed_and_what_testing_on_risks() -> None:
    plan = one_distribution(exact_five(), 20, "B-basis", family="normal")
    assert plan.n == 0
    assert plan.chance == 1
    assert "already reach" in str(plan)
    assert plan.curve.set_index("n")["chance"][1] < 0.95
    assert any("can lose" in note for note in plan.notes)


def test_smallest_number_is_checked_with_one_fewer() -> None:
    plan = one_distribution(FIVE, 20.5, "B-basis", family="normal")
    assert plan.n is not None
    assert plan.n > 0
    assert plan.chance >= 0.8 > plan.chance_before


def test_false_claim_is_told_plainly() -> None:
    plan = one_distribution(FIVE, 23.5, "B-basis")
    assert plan.n is None
    assert "testing more will probably not help" in str(plan)
    assert plan.ceiling < 0.5
    assert plan.unusable


@pytest.mark.parametrize("family", ["weibull", "normal"])
def test_survivors_in_hand(family: str) -> None:
    plan = one_distribution(HELD, 20, "B-basis", family=family, max_n=3)
    assert "33.3 % of the further specimens hold" in plan.assumptions[2]
    assert plan.group == "sling"
    assert plan.n_now == 6
    fewer = one_distribution(HELD, 20, "B-basis", family=family, max_n=3, survivors=0.0)
    assert fewer.curve["chance"].iloc[-1] > plan.curve["chance"].iloc[-1] - 0.02


def test_same_digits_on_one_or_two_workers_and_from_the_same_seed() -> None:
    one = one_distribution(FIVE, 20, "B-basis", max_n=3)
    with joblib.parallel_config(backend="threading"):
        two = one_distribution(FIVE, 20, "B-basis", max_n=3, n_jobs=2)
    assert one.curve.equals(two.curve)
    other = one_distribution(FIVE, 20, "B-basis", max_n=3, rng=1)
    assert not one.curve.equals(other.curve)
    assert one.curve["chance"].to_numpy() == pytest.approx(other.curve["chance"].to_numpy(), abs=0.025)


def test_stratified_populations_keep_the_distribution() -> None:
    law = lt.confidence_distribution(exact_five(), "normal")
    drawn = draw_populations(law, StrengthAim(22.0, lt.BASES["B-basis"], NORMAL), np.random.default_rng(0))
    want = law.confidence_that(22.0, 0.1)
    assert (drawn.margin >= 0).mean() == pytest.approx(want, abs=0.004)
    assert np.mean(drawn.location) == pytest.approx(25.0, abs=0.03)


def test_quick_enough() -> None:
    began = time.process_time()
    one_distribution(FIVE, 21, "B-basis")
    assert time.process_time() - began < 6  # about 1 s on an idle core


def test_custom_basis() -> None:
    plan = one_distribution(FIVE, 20, "mean - 3 s", family="normal", max_n=10)
    assert 0 < plan.ceiling < 1
    with pytest.raises(InputError, match="not defined with survivors"):
        one_distribution(HELD, 20, "mean - 3 s", max_n=5)


def test_refusals() -> None:
    with pytest.raises(NoAnswerError, match="at least 2 different loads"):
        one_distribution(lt.Sample([22.0, 23.0], [True, False], label="cord"), 20)
    with pytest.raises(InputError, match="at most 200"):
        one_distribution(FIVE, 20, max_n=500)
    with pytest.raises(InputError, match=r"between 0\.5 and 0\.99"):
        one_distribution(FIVE, 20, assurance=1.2)
    with pytest.raises(InputError, match="`claim` must be a strength"):
        one_distribution(FIVE, 0)


def test_trials_spend_blocks_only_where_the_answer_hangs_on_them() -> None:
    rng = np.random.default_rng(1)
    asked: list[tuple[int, int]] = []

    class Drawn:
        blocks = 4

        def won(self, size: int, block: int) -> np.ndarray:
            asked.append((size, block))
            return rng.random(2500) < {1: 0.2, 2: 0.81}[size]

    trials: Trials[int] = Trials(Drawn(), 0.8)
    assert trials.chance(1)[0] < 0.3
    assert asked == [(1, 0)]
    share, error = trials.chance(2)
    assert [block for size, block in asked if size == 2] == [0, 1, 2, 3]
    assert trials.full(2) == (share, error)
    assert error == pytest.approx(np.sqrt(share * (1 - share) / 10_000), rel=0.05)
    assert trials.chance(1, CURVE)[1] < CURVE


def test_normal_draws_with_survivors_follow_the_law() -> None:
    """Draws (a table of quantiles) against the distribution's own integral."""
    law = lt.confidence_distribution(HELD, "normal")
    location, spread = law.draws(60_000, 3)
    for fraction, level in ((0.1, 0.95), (0.5, 0.2), (0.01, 0.5)):
        quantile = location + float(NORMAL.quantile(fraction)) * spread
        assert np.mean(quantile >= law.low(fraction, level)) == pytest.approx(level, abs=0.006)


PROOF = lt.Sample([24.1, 26.3, 25.2, 23.9, *[20.5] * 20], [1, 1, 1, 1, *[0] * 20], label="bolt")  # most held early


@pytest.mark.parametrize("family", ["weibull", "normal"])
def test_with_early_holds_the_plan_judges_as_the_bound_does(family: str) -> None:
    law = lt.confidence_distribution(PROOF, family)
    low, usual = law.low(0.1, 0.95), law.plain_low(0.1, 0.95)
    assert low < usual
    back = one_distribution(PROOF, low - 0.02, "B-basis", family=family, max_n=1, survivors=0.0)
    assert back.n == 0  # what the bound backs needs no further specimen
    plan = one_distribution(PROOF, (low + usual) / 2, "B-basis", family=family, max_n=3, survivors=0.0)
    assert plan.n != 0 and plan.curve["chance"].iloc[0] == 0.0
    assert plan.ceiling == law.confidence_that((low + usual) / 2, 0.1)
    assert any("calibrated for that by simulation" in words for words in plan.assumptions)


def test_populations_follow_the_calibrated_confidences() -> None:
    law = lt.confidence_distribution(PROOF)
    for strength in (law.low(0.1, 0.9), law.low(0.1, 0.7)):
        aim = StrengthAim(strength, lt.BASES["B-basis"], law.family)
        drawn = draw_populations(law, aim, np.random.default_rng(0))
        share = float((drawn.margin >= 0).mean())
        assert share == pytest.approx(law.confidence_that(strength, 0.1), abs=0.012)
        assert share < law.plain_confidence_that(strength, 0.1) - 0.005
