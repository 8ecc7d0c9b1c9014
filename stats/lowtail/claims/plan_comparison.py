"""How many specimens a comparison of two arms takes: a difference, no worse than, or equivalence."""

from __future__ import annotations

import math
from collections.abc import Callable

from lowtail.claims.basis import check_fraction
from lowtail.claims.plan import (
    Claim,
    Plan,
    check_assurance,
    check_cv,
    check_whole,
    count,
    curve_points,
    make_curve,
    percent,
    positive,
    smallest_n,
)
from lowtail.claims.plan_chances import chance_two_arms
from lowtail.errors import InputError

__all__ = ["plan_comparison"]

GOALS = ("difference", "no worse than", "equivalence")
TESTS = ("welch", "pooled t")


def log_spread(cv: float) -> float:
    """Standard deviation of the log of a lognormal load from its coefficient of variation."""
    return math.sqrt(math.log1p(cv * cv))


def plan_comparison(
    ratio: float,
    cv: float | tuple[float, float],
    *,
    power: float = 0.8,
    margin: float | Claim | None = None,
    goal: str | None = None,
    n_ratio: float = 1.0,
    confidence: float = 0.95,
    alternative: str = "two-sided",
    test: str = "welch",
    cost: tuple[float, float] | None = None,
    max_n: int = 2000,
) -> Plan:
    """Specimens in each arm for a comparison of typical strengths to succeed with a stated power.

    Loads are lognormal; the test is Welch's t on log load (or the pooled t). The power is exact: an integral over the
    sample variances of both arms. The answer never falls below the stated power and is checked with one specimen
    fewer in an arm.

    Parameters
    ----------
    ratio : float
        True ratio of typical strengths, other / reference, greater than 0 (0.9: shock is 10 % weaker).
    cv : float or (float, float)
        Coefficient of variation of the loads, a fraction; a pair gives reference and other.
    power : float
        Chance of success asked for, 0.5 to 0.99.
    margin : float or Claim, optional
        For "no worse than": the share to be kept (0.9); for "equivalence": the ratio must lie between margin and
        1/margin. Or a Claim with ``keeps`` or ``same_within``.
    goal : {"difference", "no worse than", "equivalence"}, optional
        Default: a difference without ``margin``; equivalence with a number as ``margin``.
    n_ratio : float
        Specimens of the other arm for each of the reference; ignored with ``cost``.
    confidence : float
        Confidence of the statement: two-sided for a two-sided difference, one-sided on each side otherwise.
    alternative : {"two-sided", "less", "greater"}
        For a difference: of the other arm against the reference.
    test : {"welch", "pooled t"}
        "pooled t" only where equal scatter is known beforehand.
    cost : (float, float), optional
        Cost of a specimen in the reference and in the other arm, each greater than 0: the cheapest split is sought.
    max_n : int
        Largest number in one arm.

    Returns
    -------
    Plan
        ``n`` is the number in the reference arm, ``arms`` both numbers.

    Raises
    ------
    InputError
        If an argument is out of range, or no number of specimens can succeed (a difference at ratio 1, equivalence
        with the ratio at or outside the margin), with the reason.

    Examples
    --------
    >>> plan_comparison(0.9, 0.05).arms
    (5, 5)
    >>> plan_comparison(1.0, 0.05, margin=0.9).arms
    (5, 5)
    """
    ratio = positive(ratio, "ratio", "the ratio of typical strengths, other / reference")
    cvs = (check_cv(cv[0]), check_cv(cv[1])) if isinstance(cv, (tuple, list)) else (check_cv(cv),) * 2
    target = check_assurance(power, "power")
    goal, edge, level = _goal(goal, margin, check_fraction(confidence, "confidence"))
    _possible(goal, ratio, edge, alternative, test)
    most = check_whole(max_n, "max_n", 2)
    share = positive(n_ratio, "n_ratio", "specimens of the other arm for each of the reference")
    spread = (log_spread(cvs[0]), log_spread(cvs[1]))

    def chance(n_reference: int, n_other: int) -> float:
        return chance_two_arms(
            n_reference,
            n_other,
            shift=math.log(ratio),
            spread=spread,
            confidence=level,
            goal=goal,
            margin=-math.log(edge),
            pooled=test == "pooled t",
            alternative=alternative,
        )

    arms, rows, before = _split(chance, target, most, share, spread, _costs(cost))
    return _plan(goal, ratio, cvs, edge, level, target, test, alternative, arms, rows, before, chance, cost, most)


def _goal(goal: str | None, margin: float | Claim | None, confidence: float) -> tuple[str, float, float]:
    """Goal, margin (1 where it plays no part) and confidence, from what was given."""
    if isinstance(margin, Claim):
        if margin.kind != "comparison":
            raise InputError(f"`margin` must be a number or a Claim with `keeps` or `same_within`, got: {margin}.")
        found = "no worse than" if margin.keeps is not None else "equivalence"
        if goal not in (None, found):
            raise InputError(f"`goal` {goal!r} does not fit the claim ({margin}); leave `goal` out.")
        edge = margin.keeps if margin.keeps is not None else margin.same_within
        return found, float(edge or 0.0), margin.confidence
    chosen = goal if goal is not None else ("difference" if margin is None else "equivalence")
    if chosen not in GOALS:
        raise InputError(f"`goal` must be one of {', '.join(map(repr, GOALS))}, got {goal!r}.")
    if chosen == "difference":
        if margin is not None:
            raise InputError('`margin` plays no part in a difference; leave it out, or set `goal` to "no worse than".')
        return chosen, 1.0, confidence
    if margin is None:
        raise InputError(f"`goal` {chosen!r} needs `margin`, e.g. margin=0.9.")
    return chosen, check_fraction(margin, "margin"), confidence


def _possible(goal: str, ratio: float, edge: float, alternative: str, test: str) -> None:
    """Raise where no number of specimens can succeed."""
    if test not in TESTS:
        raise InputError(f"`test` must be one of {', '.join(map(repr, TESTS))}, got {test!r}.")
    if alternative not in ("two-sided", "less", "greater"):
        raise InputError(f'`alternative` must be "two-sided", "less" or "greater", got {alternative!r}.')
    never = "This cannot succeed with any number of specimens"
    if goal == "difference":
        if ratio == 1:
            raise InputError(
                f"{never}: at `ratio` 1 there is no difference to find. Give the smallest ratio worth finding, or "
                "`margin` to show that the arms agree."
            )
        if (alternative == "less" and ratio > 1) or (alternative == "greater" and ratio < 1):
            raise InputError(f"{never}: `alternative` {alternative!r} looks the other way from `ratio` {ratio:g}.")
    elif ratio <= edge:
        raise InputError(f"{never}: the true ratio {ratio:g} is not above the margin {edge:g}.")
    elif goal == "equivalence" and ratio >= 1 / edge:
        raise InputError(f"{never}: the true ratio {ratio:g} is not below 1/margin = {1 / edge:.4g}.")


def _costs(cost: tuple[float, float] | None) -> tuple[float, float] | None:
    if cost is None:
        return None
    if not isinstance(cost, (tuple, list)) or len(cost) != 2:
        raise InputError(
            f"`cost` must hold two numbers, for a specimen of the reference and of the other arm, got {cost!r}."
        )
    return positive(cost[0], "cost", "a cost per specimen"), positive(cost[1], "cost", "a cost per specimen")


def _split(
    chance: Callable[[int, int], float],
    target: float,
    most: int,
    share: float,
    spread: tuple[float, float],
    costs: tuple[float, float] | None,
) -> tuple[tuple[int, int] | None, list[tuple[int, float, float]], float]:
    """Find the arms; also the curve along the split and the best chance with one specimen fewer."""
    if costs is not None:
        share = math.sqrt(costs[0] / costs[1]) * spread[1] / spread[0]

    def pair(n: int) -> tuple[int, int]:
        return n, max(2, math.ceil(share * n - 1e-9))

    def along(n: int) -> float:
        return chance(*pair(n))

    cap = most if share <= 1 else max(2, math.floor(most / share))
    first = smallest_n(along, target, 2, cap)
    arms = None if first is None else pair(first)
    if arms is not None and costs is not None:
        arms = _cheapest(chance, target, most, arms, costs)
    rows = [(k, along(k), 0.0) for k in curve_points(first, 2, cap)]
    if arms is None:
        return None, rows, math.nan
    if costs is None:
        before = along(arms[0] - 1) if arms[0] > 2 else math.nan
    else:
        fewer = [(arms[0] - 1, arms[1]), (arms[0], arms[1] - 1)]
        before = max([chance(*f) for f in fewer if min(f) >= 2], default=math.nan)
    return arms, rows, before


def _cheapest(
    chance: Callable[[int, int], float], target: float, most: int, start: tuple[int, int], costs: tuple[float, float]
) -> tuple[int, int]:
    """Cheapest pair that reaches the target: for each reference number the smallest other number."""
    best, price = start, start[0] * costs[0] + start[1] * costs[1]
    for way in (-1, 1):
        n, misses = start[0], 0
        while misses < 6:
            n += way
            room = min(most, math.floor((price - n * costs[0]) / costs[1]))
            if n < 2 or n > most or room < 2:
                break
            other = smallest_n(lambda k, n=n: chance(n, k), target, 2, room)  # type: ignore[misc]
            if other is None or n * costs[0] + other * costs[1] >= price:
                misses += 1
                continue
            best, price, misses = (n, other), n * costs[0] + other * costs[1], 0
    return best


def _plan(
    goal: str,
    ratio: float,
    cvs: tuple[float, ...],
    edge: float,
    level: float,
    target: float,
    test: str,
    alternative: str,
    arms: tuple[int, int] | None,
    rows: list[tuple[int, float, float]],
    before: float,
    chance: Callable[[int, int], float],
    cost: tuple[float, float] | None,
    most: int,
) -> Plan:
    claim = {
        "difference": "a difference of typical strengths" + ("" if alternative == "two-sided" else f" ({alternative})"),
        "no worse than": f"the other arm keeps at least {100 * edge:g} % of the reference's typical strength",
        "equivalence": f"the ratio of typical strengths lies between {edge:g} and {1 / edge:.4g}",
    }[goal]
    scatter = f"CV {100 * cvs[0]:g} %" if cvs[0] == cvs[1] else f"CV {100 * cvs[0]:g} % and {100 * cvs[1]:g} %"
    if arms is None:
        reached = max(r[1] for r in rows)
        sentence = (
            f"Up to {most} specimens in an arm do not reach a power of {percent(target)} for {claim} (true ratio "
            f"{ratio:g}, {scatter})."
        )
    else:
        reached = chance(*arms)
        each = (
            f"{count(arms[0])} in each arm"
            if arms[0] == arms[1]
            else f"{arms[0]} reference and {arms[1]} other specimens"
        )
        sentence = (
            f"{each} show {claim} with a chance of {percent(reached)}, if the true ratio is {ratio:g} and {scatter}."
        )
    return Plan(
        question="comparison",
        claim=f"{claim} ({100 * level:g} % confidence)",
        family="lognormal",
        n=None if arms is None else arms[0],
        arms=arms or (),
        assurance=target,
        chance=reached,
        chance_before=before,
        mc_error=0.0,
        ceiling=1.0,
        curve=make_curve(rows),
        cost=math.nan if cost is None or arms is None else arms[0] * cost[0] + arms[1] * cost[1],
        sentence=sentence,
        assumptions=(
            f"Lognormal loads, {scatter}, true ratio {ratio:g}; all specimens break.",
            "Welch's t test on log load."
            if test == "welch"
            else "Pooled t test on log load: equal scatter known beforehand.",
        ),
        notes=("A power is a chance before testing, not a promise; a comparison without a finding is not equivalence.",)
        if goal == "difference"
        else ("Without success the arms are not shown to differ: the series was inconclusive.",),
    )
