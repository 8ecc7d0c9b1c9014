"""How many specimens a new series needs so that its lower bound reaches a claimed strength."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from lowtail._shared.checks import door
from lowtail._shared.parallel import Seed, as_rng
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.answer import Answer, Chances, between_looks, looks_at
from lowtail.claims.planning.core.answer import answer as find
from lowtail.claims.planning.core.chances import chance_bound
from lowtail.claims.planning.core.endless import endless_limit
from lowtail.claims.planning.core.judge import GOVERNING, ONE, Judge, check_judge
from lowtail.claims.planning.core.plan import (
    Claim,
    Plan,
    check_assurance,
    check_cv,
    check_share,
    check_whole,
    count,
    percent,
    positive,
    smallest_n,
    strength_claim,
)
from lowtail.claims.planning.core.simulate import fresh_trials, judged_words
from lowtail.claims.planning.core.trials import ExactChances
from lowtail.claims.planning.core.words import shows
from lowtail.claims.strength.governing import NAMES
from lowtail.errors import InputError
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.series.weibull_pivot import weibull_pivot

__all__ = ["new_series"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class World:
    """A population assumed for planning: distribution of y, and what share of it the rig will not break."""

    family: Family
    location: float
    spread: float
    survivors: float = 0.0

    def distance(self, strength: float) -> float:
        """(y of the strength - location) / spread."""
        return (float(self.family.transform(strength)) - self.location) / self.spread


def make_world(family: str | Family, mean: float, cv: float, survivors: float = 0.0) -> World:
    """Distribution of a family with a given mean (kN) and coefficient of variation of the load."""
    law = get_family(family)
    if law.name == "normal":
        return World(law, mean, cv * mean, survivors)
    if law.name == "lognormal":
        spread = math.sqrt(math.log1p(cv * cv))
        return World(law, math.log(mean) - spread**2 / 2, spread, survivors)

    def gap(log_shape: float) -> float:
        inverse = math.exp(-log_shape)
        return float(special.gammaln(1 + 2 * inverse) - 2 * special.gammaln(1 + inverse)) - math.log1p(cv * cv)

    spread = math.exp(-optimize.brentq(gap, math.log(0.5), math.log(1e6), xtol=1e-12))
    return World(law, math.log(mean) - float(special.gammaln(1 + spread)), spread, survivors)


@door
def new_series(
    claim: float | Claim,
    basis: str | Basis | None = None,
    *,
    mean: float,
    cv: float,
    family: str | Family = "weibull",
    judge: Judge = GOVERNING,
    assurance: float = 0.8,
    survivors: float = 0.0,
    cost: float | None = None,
    max_n: int = 500,
    rng: Seed = 0,
    n_jobs: int = 1,
) -> Plan:
    """Specimens of a new series so that the bound that judges it reaches the claim with a stated chance.

    Whole series are simulated from the population assumed, and each is judged by the rule of `governing`: the lowest of
    the Weibull, the normal and the cautious bound (Monte-Carlo error at most 0.5 points). With ``judge="one
    distribution"`` the bound of ``family`` alone judges: normal and lognormal then exact, P(mean - k s >= claim) by the
    noncentral t; Weibull by the pivot of its bound over standard samples (error about 0.1 points).

    Parameters
    ----------
    claim : float or Claim
        Strength in kN, or ``Claim(strength=...)``.
    basis : str or Basis, optional
        Content and confidence of the lower bound; default that of the Claim, else "B-basis".
    mean, cv : float
        Mean load in kN and coefficient of variation (a fraction, 0.06) expected of the population.
    family : str or Family
        Distribution of the population: "weibull" (default), "normal" or "lognormal".
    judge : str
        "governing" (default): the rule that judges real series. "one distribution": the bound of ``family`` alone.
    assurance : float
        Chance of success asked for, 0.5 to 0.99.
    survivors : float
        Share of specimens expected to hold (the rig fails first), from 0 to below 1. Rig strength is taken to scatter
        like the specimens.
    cost : float, optional
        Cost of one specimen, greater than 0.
    max_n : int
        Largest series considered.
    rng : int or Generator
        Seed.
    n_jobs : int
        Worker processes for simulation; the answer does not depend on it.

    Returns
    -------
    Plan
        ``n`` is the first number found whose chance reaches the assurance while n - 1 does not; None where ``max_n`` is
        not enough. By the governing rule the chance may fall again at some larger numbers: see ``curve``.

    Raises
    ------
    InputError
        If an argument is out of range, or the claim lies at or above the true low strength, so that no number of
        specimens can back it; the message says by how much.

    See Also
    --------
    plan.more_samples : with a series in hand.
    plan.zero_failure : specimens that must hold.
    plan.precision : a narrow interval instead of a claim.
    plan.what_if : the chance over a grid.

    References
    ----------
    Faulkenberry and Weeks (1968) Technometrics 10:343-348, sample size for tolerance limits (from memory).

    Examples
    --------
    >>> new_series(20, "A-basis", mean=25, cv=0.05, family="normal", judge="one distribution").n
    16
    >>> new_series(16, "B-basis", mean=25, cv=0.04).n
    5
    """
    strength, found, stated = strength_claim(claim, basis)
    mean = positive(mean, "mean", "the expected mean load in kN")
    world = make_world(family, mean, check_cv(cv), check_share(survivors, "survivors"))
    target = check_assurance(assurance)
    most = check_whole(max_n, "max_n", 2)
    price = None if cost is None else positive(cost, "cost", "the cost of one specimen")
    by = check_judge(judge)
    check_possible(world, strength, found, mean, cv, by)
    seed = int(as_rng(rng).integers(2**31))
    chances = chances_of(world, strength, found, seed, target, n_jobs, by)
    answer = _find(chances, target, most, found, exact(world, found, by), by)
    given = f"if the mean is {mean:.4g} kN and the CV {100 * cv:.3g} % ({NAMES[world.family.name]} distribution)"
    only = "" if answer.n is not None else " only"
    verb = "demonstrate" if found.tolerance else "reach"
    return answer.plan(
        question="bound",
        claim=str(stated),
        family=world.family.name,
        basis=found.name,
        assurance=target,
        price=price,
        sentence=(
            f"{count(answer.last)} {verb} {shows(strength, found)} with a chance of{only} {percent(answer.chance)}, "
            f"{given}."
        ),
        assumptions=_assumptions(world, mean, cv, found, by),
        changes=_changes(strength, found, world, mean, cv, target, seed, min(most, 200), by),
        notes=_notes(answer, target),
    )


def _find(chances: Chances, target: float, most: int, basis: Basis, computed: bool, judge: str) -> Answer:
    if not basis.tolerance or judge == ONE:
        return find(chances, target, 2, most, 24 if computed else 8)
    return between_looks(chances, target, looks_at(2, most, basis), points=12)


def _notes(answer: Answer, target: float) -> tuple[str, ...]:
    out = ["The mean and scatter are assumed, not known: with breaks in hand use `more_samples`."]
    later = [(m, chance) for m, chance, _ in answer.rows if answer.n is not None and m > answer.n and chance < target]
    if later:
        m, chance = min(later, key=lambda row: row[1])
        out.append(f"More is not always better: with {count(m)} the chance is {percent(chance)}.")
    return tuple(out)


def exact(world: World, basis: Basis, judge: str = GOVERNING) -> bool:
    """True where the chance needs no simulation of whole series."""
    if not basis.tolerance:
        return world.survivors == 0 and world.family.name == "normal"
    return world.survivors == 0 and judge == ONE


def chances_of(
    world: World,
    strength: float,
    basis: Basis,
    seed: int,
    target: float | None = None,
    n_jobs: int = 1,
    judge: str = GOVERNING,
) -> Chances:
    """Chances that the judging bound of n specimens reaches the strength."""
    claim = world.distance(strength)
    if not exact(world, basis, judge):
        return fresh_trials(
            world.family, world.location, world.spread, strength, basis, world.survivors, seed, target, n_jobs, judge
        )
    if world.family.name == "weibull":
        return ExactChances(
            lambda n: weibull_pivot(n, seed).chance(
                claim, _pivot_bound(n, seed, basis.fraction_below, basis.confidence)
            )
        )
    return ExactChances(lambda n: (chance_bound(n, -claim, basis.factor(n)), 0.0))


@lru_cache(maxsize=1024)
def _pivot_bound(n: int, seed: int, fraction_below: float, confidence: float) -> Array:
    return weibull_pivot(n, seed).bound(fraction_below, confidence)


def true_low(world: World, basis: Basis, judge: str = GOVERNING) -> tuple[float, float]:
    """True strength at the content of the basis, and what an endless series would show of it, kN."""
    quantile = float(world.family.quantile(basis.fraction_below)) if basis.tolerance else 0.0
    low = float(world.family.inverse(world.location + quantile * world.spread))
    if basis.tolerance and judge == ONE:
        return low, low
    limit = endless_limit(world.family, np.array([world.location]), np.array([world.spread]), basis)
    return low, float(world.family.inverse(limit)[0])


def check_possible(world: World, strength: float, basis: Basis, mean: float, cv: float, judge: str = GOVERNING) -> None:
    """Raise where the claim lies at or above what an endless series could show."""
    low, limit = true_low(world, basis, judge)
    if strength < limit:
        return
    if not basis.tolerance:
        what = f"the limit of '{basis.name}' in an endless series is {limit:.4g} kN"
    elif strength < low:
        what = (
            f"the true {basis.percentile} is {low:.4g} kN, but the bound that governs approaches {limit:.4g} kN only, "
            "since it asks every distribution"
        )
    else:
        what = f"the true {basis.percentile} is {low:.4g} kN"
    above = " It even lies above the mean." if strength >= mean else ""
    raise InputError(
        f"The claim of {strength:.4g} kN cannot be backed with any number of specimens: with mean {mean:.4g} kN and CV "
        f"{100 * cv:.3g} % ({NAMES[world.family.name]} distribution) {what}.{above} Lower the claim below {limit:.4g} "
        "kN, or choose a basis that allows a larger fraction below."
    )


def held_words(survivors: float) -> str:
    """What is assumed of survivors, in words."""
    if survivors == 0:
        return "All specimens break."
    return f"{100 * survivors:.3g} % of the specimens hold; the rig's strength scatters like the specimens'."


def _assumptions(world: World, mean: float, cv: float, basis: Basis, judge: str) -> tuple[str, ...]:
    name = NAMES[world.family.name]
    if not basis.tolerance:
        by = f" The limit is mean - k s of the loads, by the custom '{basis.name}'."
    elif judge == ONE:
        by = f" Judged by the bound of the {name} distribution alone."
    else:
        by = " Judged by the bound that governs: the lowest of the Weibull, the normal and the cautious bound."
    return (
        f"{name[:1].upper()}{name[1:]} distribution with mean {mean:.4g} kN and CV {100 * cv:.3g} %.{by}",
        held_words(world.survivors),
        *judged_words(world.survivors, in_hand=False),
    )


def _changes(
    strength: float,
    basis: Basis,
    world: World,
    mean: float,
    cv: float,
    target: float,
    seed: int,
    most: int,
    judge: str,
) -> tuple[str, ...]:
    """Answers for a wider scatter, a lower mean and a higher chance (only where all specimens break)."""
    if world.survivors:
        return ()
    out = []
    cases = [
        (f"CV {125 * cv:.3g} % instead of {100 * cv:.3g} %", mean, 1.25 * cv, target),
        (f"mean {0.97 * mean:.4g} kN instead of {mean:.4g} kN", 0.97 * mean, cv, target),
    ]
    if target < 0.95:
        cases.append((f"a chance of 95 % instead of {100 * target:g} %", mean, cv, 0.95))
    for words, m, c, goal in cases:
        if c >= 1:
            continue
        other = make_world(world.family, m, c)
        try:
            check_possible(other, strength, basis, m, c, judge)
        except InputError:
            out.append(f"{words}: impossible with any number of specimens.")
            continue
        chances = chances_of(other, strength, basis, seed, goal, judge=judge)
        n = smallest_n(lambda k, f=chances: f.chance(k)[0], goal, 2, most)  # type: ignore[misc]
        out.append(f"{words}: {count(n)}." if n is not None else f"{words}: more than {count(most)}.")
    return tuple(out)
