"""How many specimens a comparison of two arms takes: a difference, no worse than, or equivalence."""

from __future__ import annotations

import math
from typing import cast

from lowtail._shared.checks import door
from lowtail._shared.choices import NamedTest, TestOrAuto
from lowtail._shared.parallel import Seed, as_rng
from lowtail.claims.comparison.named_tests import HALF_AND_HALF, TESTS
from lowtail.claims.planning.core.arms import ComparisonAim, Goal, Split, check_costs, make_aim, split_arms
from lowtail.claims.planning.core.chances import chance_two_arms
from lowtail.claims.planning.core.claim import Claim, check_assurance, check_cv, check_share, check_whole, positive
from lowtail.claims.planning.core.experiments import FreshPairs, NamedTestPairs
from lowtail.claims.planning.core.plan import Plan, count, percent
from lowtail.claims.planning.core.trials import Chances, ExactChances, Trials
from lowtail.errors import InputError
from lowtail.models.distributions.families import log_sd_of
from lowtail.models.two_samples.permutation import Alternative

__all__ = ["comparison"]

MOST_SIMULATED = 1000  # specimens in an arm, where whole series are simulated
EXACT = {
    HALF_AND_HALF: "half and half",
    "Welch on log load": "welch",
    "Behrens-Fisher on log load": "behrens-fisher",
    "pooled t on log load": "pooled t",
}


@door
def comparison(
    ratio: float,
    cv: float | tuple[float, float],
    *,
    power: float = 0.8,
    margin: float | Claim | None = None,
    goal: Goal | None = None,
    n_ratio: float = 1.0,
    survivors: float | tuple[float, float] = 0.0,
    confidence: float = 0.95,
    alternative: Alternative = "two-sided",
    test: TestOrAuto = "auto",
    cost: tuple[float, float] | None = None,
    max_n: int = 1000,
    rng: Seed = 0,
    n_jobs: int = 1,
) -> Plan:
    """Specimens in each arm for a comparison of typical strengths to succeed with a stated power.

    Every specimen breaks: lognormal loads, and the power is an integral over the sample variances of both arms, judged
    as `compare` judges. With survivors: Weibull loads, whole series simulated, each judged as `compare` judges it
    (ratio of medians from the two confidence distributions; on one side by lognormal ones too). The answer is checked
    with one specimen fewer.

    Parameters
    ----------
    ratio : float
        True ratio of typical strengths, other / reference, greater than 0 (0.9: shock is 10 % weaker).
    cv : float or (float, float)
        Coefficient of variation of the loads, a fraction of at most 2 (cycles of a fatigue test may well have 1); a
        pair gives reference and other.
    power : float
        Chance of success asked for, 0.5 to 0.99.
    margin : float or Claim, optional
        For "no worse than": the share to be kept (0.9); for "equivalence": the ratio must lie between margin and
        1/margin. Or a Claim with ``keeps`` or ``same_within``.
    goal : {"difference", "no worse than", "equivalence"}, optional
        Default: a difference without ``margin``, no worse than with one.
    n_ratio : float
        Specimens of the other arm for each of the reference; not used with ``cost``.
    survivors : float or (float, float)
        Share of specimens expected to hold, from 0 to below 1; a pair gives reference and other.
    confidence : float
        Confidence of the statement: two-sided for a two-sided difference, one-sided on each side otherwise.
    alternative : {"two-sided", "less", "greater"}
        For a difference: of the other arm against the reference.
    test : str
        "auto": the interval that `compare` gives (half-and-half Behrens-Fisher, the two confidence distributions with
        survivors). Or the name of a test of `compare`, for a difference; names other than the four computed ones are
        simulated, one pair of series at a time (error below 0.5 points; up to 10,400 pairs where the answer depends on
        it, so that permutation and likelihood tests take minutes).
    cost : (float, float), optional
        Cost of a specimen in the reference and in the other arm, each greater than 0: the cheapest split is sought.
    max_n : int
        Largest number in one arm; at most 1,000 where whole series are simulated.
    rng : int or Generator
        Seed, where series are simulated.
    n_jobs : int
        Worker processes for simulation; the answer does not depend on it.

    Returns
    -------
    Plan
        ``n`` is the number in the reference arm, ``arms`` both numbers.

    Raises
    ------
    InputError
        If an argument is out of range, or no number of specimens can succeed (a difference at ratio 1, equivalence
        with the ratio at or outside the margin), with the reason.

    See Also
    --------
    compare : the comparison itself.
    plan.more_comparison : with series in hand.
    plan.grid : the chance over a grid.

    Examples
    --------
    >>> comparison(0.8, 0.05).arms
    (4, 4)
    >>> comparison(1.0, 0.03, margin=0.9, goal="equivalence").arms
    (4, 4)
    """
    true = positive(ratio, "ratio", "the ratio of typical strengths, other / reference")
    both = (cv[0], cv[1]) if isinstance(cv, (tuple, list)) else (cv, cv)
    cvs = tuple(check_cv(c, on_log=True) for c in both)
    pair = survivors if isinstance(survivors, (tuple, list)) else (survivors, survivors)
    held = (check_share(pair[0], "survivors"), check_share(pair[1], "survivors"))
    target = check_assurance(power, "power")
    aim = make_aim(goal, margin, confidence, alternative)
    aim.check_ratio(true)
    share = positive(n_ratio, "n_ratio", "specimens of the other arm for each of the reference")
    costs = check_costs(cost)
    most = check_whole(max_n, "max_n", 2)
    chosen = _choose(test, aim, cvs, held)
    if most > MOST_SIMULATED and chosen not in EXACT and chosen != "auto":
        raise InputError(
            f"`max_n` must be at most {MOST_SIMULATED:,} specimens in an arm where whole series are simulated "
            f"(survivors, or the test named), got {most:,}. With every specimen broken, test='auto' goes further."
        )
    seed = int(as_rng(rng).integers(2**31))
    chances = _chances(chosen, true, cvs, held, aim, seed, target, n_jobs)
    spread = (log_sd_of(cvs[0]), log_sd_of(cvs[1]))
    split = split_arms(chances, target, most, share, spread, costs)
    return _plan(aim, true, cvs, held, target, chosen, split, costs, most)


def _choose(test: str, aim: ComparisonAim, cvs: tuple[float, ...], held: tuple[float, float]) -> str:
    """Check the test against the goal and the survivors, and name what judges each pair of series."""
    if test == "auto":
        return "confidence distributions" if max(held) > 0 else "auto"
    if test not in TESTS:
        raise InputError(f"`test` must be 'auto' or one of {', '.join(map(repr, TESTS))}, got {test!r}.")
    if max(held) > 0 and not TESTS[test].survivors:
        raise InputError(
            f"The test {test!r} has no place for survivors. Use test='auto' or a log-rank or likelihood-ratio test."
        )
    if aim.goal != "difference" and test not in EXACT:
        raise InputError(f"A margin is judged by an interval, not by {test!r}: leave `test` at 'auto'.")
    if test == "pooled t on log load" and cvs[0] != cvs[1]:
        raise InputError("The pooled t test assumes one scatter for both arms; leave `test` at 'auto' for two.")
    return test


def _chances(
    chosen: str,
    ratio: float,
    cvs: tuple[float, ...],
    held: tuple[float, float],
    aim: ComparisonAim,
    seed: int,
    target: float,
    n_jobs: int,
) -> Chances[tuple[int, int]]:
    """Power by the numbers in both arms."""
    if chosen == "confidence distributions":
        return Trials(FreshPairs(ratio, cvs, held, aim, seed), target, n_jobs)
    if chosen not in EXACT and chosen != "auto":
        return Trials(NamedTestPairs(ratio, cvs, held, aim, seed, cast("NamedTest", chosen)), target, n_jobs)

    def exact(n: tuple[int, int]) -> tuple[float, float]:
        method = EXACT.get(chosen, "half and half")
        power = chance_two_arms(
            *n,
            shift=math.log(ratio),
            spread=(log_sd_of(cvs[0]), log_sd_of(cvs[1])),
            confidence=aim.confidence,
            goal=aim.goal,
            margin=-math.log(aim.margin),
            method=method,
            alternative=aim.alternative,
        )
        return power, 0.0

    return ExactChances(exact)


def _plan(
    aim: ComparisonAim,
    ratio: float,
    cvs: tuple[float, ...],
    held: tuple[float, float],
    target: float,
    chosen: str,
    split: Split,
    cost: tuple[float, float] | None,
    most: int,
) -> Plan:
    arms, answer = split.arms, split.answer
    given = f"the true ratio is {ratio:g} and {_both('CV', cvs)}" + (f", {_both('held', held)}" if max(held) else "")
    if arms is None:
        sentence = (
            f"Up to {most} specimens in an arm do not show {aim.words} with a chance of {percent(target)}, if {given}."
        )
    else:
        each = (
            f"{count(arms[0])} in each arm"
            if arms[0] == arms[1]
            else f"{arms[0]} reference and {arms[1]} other specimens"
        )
        sentence = f"{each} show {aim.words} with a chance of {percent(answer.chance)}, if {given}."
    return answer.plan(
        question="comparison",
        claim=f"{aim.words.removeprefix('that ')} ({100 * aim.confidence:g} % confidence)",
        family="weibull" if max(held) else "lognormal",
        arms=arms or (),
        assurance=target,
        cost=math.nan if cost is None or arms is None else arms[0] * cost[0] + arms[1] * cost[1],
        sentence=sentence,
        assumptions=(f"{'Weibull' if max(held) else 'Lognormal'} loads; {given}.", _judge(chosen)),
        notes=_notes(aim, split),
    )


def _both(name: str, values: tuple[float, ...]) -> str:
    if values[0] == values[1]:
        return f"{name} {100 * values[0]:g} %"
    return f"{name} {100 * values[0]:g} % (reference) and {100 * values[1]:g} %"


def _judge(chosen: str) -> str:
    if chosen == "auto":
        return "Judged as `compare` judges: half-and-half Behrens-Fisher on log load, its farther limit on one side."
    if chosen == "confidence distributions":
        rule = "ratio of medians by the Weibull confidence distributions, on one side by lognormal too"
        return f"Judged as `compare` does: {rule}."
    return f"Judged by the test '{chosen}'."


def _notes(aim: ComparisonAim, split: Split) -> tuple[str, ...]:
    if aim.goal == "difference":
        first = (
            "A power is a chance before testing, not a promise; finding no difference does not show that there is none."
        )
    else:
        first = "Without success nothing is shown either way: the series was inconclusive."
    if split.arms is not None and min(split.arms) < 4:
        return (
            first,
            "With fewer than 4 in an arm one odd specimen decides; a permutation test may not reach 5 %.",
        )
    return (first,)
