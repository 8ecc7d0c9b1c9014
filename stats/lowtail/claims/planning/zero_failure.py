"""How many specimens must all hold a proof load to back a reliability at a confidence."""

from __future__ import annotations

import math

from scipy import special

from lowtail._shared.checks import door
from lowtail.claims.basis import check_fraction
from lowtail.claims.planning.core.claim import check_whole, positive
from lowtail.claims.planning.core.plan import Plan, count, make_curve, percent
from lowtail.claims.planning.core.trials import smallest_n
from lowtail.errors import InputError

__all__ = ["zero_failure"]


@door
def zero_failure(
    reliability: float,
    confidence: float = 0.95,
    *,
    failures: int = 0,
    load_ratio: float = 1.0,
    shape: float | None = None,
    max_n: int = 100_000,
) -> Plan:
    """Specimens that must hold the stated load (none breaking, or at most ``failures``) to back a reliability.

    The attribute statement: with at most f breaks among n, the confidence is 1 - P(Binomial(n, 1 - R) <= f). It
    assumes no strength distribution. Tested at ``load_ratio`` times the stated load, a Weibull strength of known
    ``shape`` turns R into R**(load_ratio**shape), so fewer specimens do.

    Parameters
    ----------
    reliability : float
        Share of the population that must be stronger than the stated load, between 0 and 1.
    confidence : float
        One-sided confidence, between 0 and 1.
    failures : int
        Breaks allowed, 0 or more.
    load_ratio : float
        Test load / stated load, at least 1. Above 1 it needs ``shape``.
    shape : float, optional
        Weibull shape, greater than 0. Take a *low* value from earlier series: too high a shape overstates.
    max_n : int
        Largest series considered.

    Returns
    -------
    Plan
        ``chance`` and ``curve`` hold the confidence demonstrated.

    Raises
    ------
    InputError
        If an argument lies outside its range, or ``load_ratio`` above 1 comes without ``shape``.

    See Also
    --------
    plan.new_series : specimens that break.
    drops.drop_proportion : what such a test has shown.

    References
    ----------
    Success-run theorem (from memory): n = ln(1 - confidence) / ln(reliability).

    Examples
    --------
    >>> zero_failure(0.99, 0.95).n
    299
    >>> print(zero_failure(0.90, 0.95, load_ratio=1.2, shape=15))
    2 specimens must all hold 1.2 times the stated load to show, with 95 % confidence, that at least 90 % of the
    population is stronger than the stated load, if strength follows a Weibull distribution of shape 15 or more.
    """
    share = check_fraction(reliability, "reliability")
    level = check_fraction(confidence, "confidence")
    allowed = check_whole(failures, "failures", 0)
    most = check_whole(max_n, "max_n", 1)
    ratio = positive(load_ratio, "load_ratio", "the test load divided by the stated load")
    if ratio < 1:
        raise InputError(
            f"`load_ratio` must be at least 1, got {ratio:g}: a lower load than stated shows nothing about it."
        )
    if ratio > 1 and shape is None:
        raise InputError(
            f"`load_ratio` {ratio:g} needs `shape`: what a higher load shows about the stated one depends on the "
            "Weibull shape. Give a low value from earlier series of the same kind."
        )
    power = 1.0 if shape is None else ratio ** positive(shape, "shape", "a Weibull shape")
    broken = -math.expm1(power * math.log(share))  # chance that one specimen breaks, at the edge of the claim

    def shown(n: int) -> float:
        if allowed == 0:
            return -math.expm1(n * power * math.log(share))
        return float(1 - special.bdtr(allowed, n, broken)) if n > allowed else 0.0

    n = smallest_n(shown, level, allowed + 1, most)
    last = most if n is None else n
    points = sorted({max(1, last * k // 20) for k in range(1, 31)} | {last, max(1, last - 1)})
    what = "hold the stated load" if ratio == 1 else f"hold {ratio:g} times the stated load"
    means = f"to show, with {100 * level:g} % confidence, that at least {100 * share:g} % of the population is stronger"
    means += " than the stated load"
    means += "." if ratio == 1 else f", if strength follows a Weibull distribution of shape {shape:g} or more."
    if n is None:
        sentence = f"More than {most} specimens would have to {what} {means}"
    elif allowed == 0:
        sentence = f"{count(n)} must all {what} {means}"
    else:
        sentence = f"Of {count(n)} at most {allowed} may fail to {what} {means}"
    return Plan(
        question="zero failure",
        claim=f"{100 * share:g} % of the population stronger than the stated load, {100 * level:g} % confidence",
        n=n,
        arms=() if n is None else (n,),
        assurance=level,
        chance=shown(last),
        chance_before=shown(last - 1) if last > 1 else math.nan,
        mc_error=0.0,
        ceiling=1.0,
        curve=make_curve([(k, shown(k), 0.0) for k in points]),
        sentence=sentence,
        assumptions=_assumptions(ratio, shape),
        changes=_changes(share, level, allowed, most, shown, n),
        notes=_notes(share, n, power, allowed),
    )


def _assumptions(ratio: float, shape: float | None) -> tuple[str, ...]:
    drawn = "The specimens are a random sample of the population; no strength distribution is assumed."
    if ratio == 1:
        return (drawn,)
    return (
        "The specimens are a random sample of the population.",
        f"Strength follows a Weibull distribution of known shape {shape:g}; a lower one makes the statement too bold.",
    )


def _changes(share: float, level: float, allowed: int, most: int, shown: object, n: int | None) -> tuple[str, ...]:
    if n is None or allowed:
        return ()
    softer = (
        smallest_n(lambda k: -math.expm1(k * math.log1p(-2 * (1 - share))), level, 1, most) if share > 0.5 else None
    )
    parts = []
    if softer is not None:
        parts.append(
            f"Content {100 * (1 - 2 * (1 - share)):g} % instead of {100 * share:g} %, at the stated load: "
            f"{count(softer)}."
        )
    return tuple(parts)


def _notes(share: float, n: int | None, power: float, allowed: int) -> tuple[str, ...]:
    if n is None or allowed:
        return ()
    better = 1 - (1 - share) / 10
    passes = math.exp(n * power * math.log(better))
    return (
        "One break ends the series without the claim.",
        f"If the true share stronger is {100 * better:g} % the series passes with a chance of {percent(passes)}.",
    )
