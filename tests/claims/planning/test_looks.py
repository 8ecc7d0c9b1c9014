import numpy as np
import pytest
from scipy import special

import lowtail as lt
from lowtail import InputError, NoAnswerError
from lowtail.claims.planning.core.judge import normal_factor_confidence
from lowtail.claims.planning.look_levels import look_levels

FIVE = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="steel oval")


@pytest.mark.parametrize("family", ["normal", "weibull"])
def test_looks_keep_the_total_error(family: str) -> None:
    """Fresh series whose true 10 % strength is the claim, judged by the exact engine at each look."""
    level, naive = lt.plan.look_confidence(family, "B-basis", 5, 5, 2, rng=3)
    rng = np.random.default_rng(12)
    law = lt.NORMAL if family == "normal" else lt.WEIBULL
    y = law.standard.ppf(rng.random((2500, 15)))
    load, claim = (y + 60, law.quantile(0.1) + 60) if family == "normal" else (np.exp(y), np.exp(law.quantile(0.1)))
    seen = np.column_stack([lt.many.confidence_that(load[:, :n], None, family, claim, 0.1) for n in (5, 10, 15)]).max(
        axis=1
    )
    assert np.mean(seen >= level) == pytest.approx(0.05, abs=0.015)
    assert np.mean(seen >= 0.95) == pytest.approx(naive, abs=0.025)
    assert naive > 0.085


def test_one_look_needs_no_higher_level() -> None:
    plan = lt.plan.looks(FIVE, 19, "B-basis", every=3, family="normal", judge="one distribution")
    assert plan.n == 0
    assert "no further look is needed" in str(plan)


def test_plan_with_looks() -> None:
    plan = lt.plan.looks(FIVE, 20.3, "B-basis", every=5, family="normal", judge="one distribution")
    assert plan.n is not None
    assert plan.n % 5 == 0
    assert plan.chance >= 0.8 > plan.chance_before
    assert plan.mc_error < 0.005
    assert plan.curve["chance"].is_monotonic_increasing
    assert plan.curve["n"].tolist() == list(range(0, plan.n + 1, 5))
    assert "used on average" in str(plan)
    once = lt.plan.more_samples(FIVE, 20.3, "B-basis", family="normal", judge="one distribution")
    assert once.n is not None
    assert once.n <= plan.n  # looking is paid for
    assert plan.curve.equals(
        lt.plan.looks(FIVE, 20.3, "B-basis", every=5, family="normal", judge="one distribution").curve
    )


def test_not_enough_looks() -> None:
    plan = lt.plan.looks(FIVE, 20.3, "B-basis", every=2, max_looks=2)
    assert plan.n is None
    assert "only" in str(plan)
    assert any("of series, not 5 %" in text for text in plan.changes)


def test_survivors() -> None:
    sample = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9], [True, True, True, False, True])
    for family in ("weibull", "normal"):
        plan = lt.plan.looks(sample, 20, "B-basis", every=4, max_looks=2, family=family)
        assert "20 % of the further specimens hold" in plan.assumptions[2]
        assert 0 < plan.chance < 1


def test_normal_table_is_the_engine_s_confidence() -> None:
    load = np.array([24.0, 25.0, 26.5, 25.5])
    got = float(normal_factor_confidence(load[None], 21.0, 0.1)[0])
    assert got == pytest.approx(lt.many.confidence_that(load[None], None, "normal", 21.0, 0.1)[0], abs=1e-4)


def test_refusals() -> None:
    with pytest.raises(InputError, match="at most 12"):
        lt.plan.looks(FIVE, 20, every=2, max_looks=40)
    with pytest.raises(InputError, match="whole number of at least 1"):
        lt.plan.looks(FIVE, 20, every=0)
    with pytest.raises(InputError, match="Looks need a basis with a confidence"):
        lt.plan.looks(FIVE, 20, "mean - 3 s", every=2)
    with pytest.raises(NoAnswerError, match="at least 2 different loads"):
        lt.plan.looks(lt.Sample([20.0, 21.0], [True, False]), 18, every=2)


# Published constants for 5 equal looks at a one-sided error of 0.025, as normal scores (from memory): Pocock 2.413
# (Jennison and Turnbull 2000, table 2.1); Lan and DeMets with O'Brien-Fleming spending 4.877, 3.357, 2.680, 2.290 and
# 2.031
@pytest.mark.parametrize(
    ("boundary", "scores"), [("equal", [2.413] * 5), ("early strict", [4.877, 3.357, 2.680, 2.290, 2.031])]
)
def test_levels_are_the_published_boundaries(boundary: str, scores: list[float]) -> None:
    rng = np.random.default_rng(0)
    walk = np.cumsum(rng.standard_normal((300_000, 5)), axis=1) / np.sqrt(np.arange(1, 6))
    levels = look_levels(special.ndtr(walk), np.arange(1, 6), 0.975, boundary)
    assert special.ndtri(levels) == pytest.approx(scores, abs=0.02)
    assert np.mean((special.ndtr(walk) >= levels).any(axis=1)) == pytest.approx(0.025, abs=3e-4)


def test_early_strict_spends_the_error_late() -> None:
    early = lt.plan.looks(FIVE, 20, "B-basis", every=5, boundary="early strict", judge="one distribution")
    equal = lt.plan.looks(FIVE, 20, "B-basis", every=5, judge="one distribution")
    assert early.n is not None
    assert equal.n is not None
    assert early.n <= equal.n  # most of the error is kept for the end
    assert early.chance >= 0.8 > early.chance_before
    assert early.mc_error < 0.005
    assert "at the looks in turn" in str(early)
    with pytest.raises(InputError, match="'equal' or 'early strict', got 'late'"):
        lt.plan.looks(FIVE, 20, every=2, boundary="late", judge="one distribution")
