"""How many specimens pin a low strength down to within a stated share."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from lowtail._shared.checks import door
from lowtail._shared.parallel import Seed, as_rng
from lowtail.claims.basis import Basis, check_fraction, get_basis
from lowtail.claims.planning.core.chances import chance_bound
from lowtail.claims.planning.core.claim import Claim, check_assurance, check_cv, check_share, check_whole, positive
from lowtail.claims.planning.core.experiments import FreshSeries
from lowtail.claims.planning.core.judge import confidence, lower_bound
from lowtail.claims.planning.core.plan import Plan, count, percent
from lowtail.claims.planning.core.population import Population
from lowtail.claims.planning.core.trials import Chances, ExactChances, Trials
from lowtail.claims.planning.core.trials import answer as find
from lowtail.claims.planning.core.words import held_words
from lowtail.errors import InputError
from lowtail.models.bounds.tolerance import tolerance_factor
from lowtail.models.distributions.families import Family
from lowtail.models.series.weibull_pivot import weibull_pivot

__all__ = ["precision"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Chance = Callable[[int], tuple[float, float]]

_NEAR = 0.1  # normal scores within which the quick bound might decide wrongly


@door
def precision(
    within: float | Claim,
    basis: str | Basis | None = None,
    *,
    cv: float,
    family: str | Family = "weibull",
    assurance: float = 0.8,
    survivors: float = 0.0,
    cost: float | None = None,
    max_n: int = 1000,
    rng: Seed = 0,
    n_jobs: int = 1,
) -> Plan:
    """Specimens until the two-sided confidence interval of a low strength is narrow enough, with a stated chance.

    "Within 5 %" means that half the width of the interval is at most 5 % of its middle. Normal: a noncentral t;
    lognormal: a chi-square; both exact. Weibull: the pivots of both limits over standard samples. With survivors whole
    series are simulated, each with its own interval.

    Parameters
    ----------
    within : float or Claim
        Share, between 0 and 1, or ``Claim(within=...)``.
    basis : str or Basis, optional
        Which low strength, and the (two-sided) confidence of its interval; default that of the Claim, else "B-basis".
    cv : float
        Coefficient of variation expected, a fraction.
    family : str or Family
        "weibull" (default), "normal" or "lognormal".
    assurance : float
        Chance that the interval is narrow enough, 0.5 to 0.99.
    survivors : float
        Share of specimens expected to hold, from 0 to below 1 (see `plan.new_series`).
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

    Raises
    ------
    InputError
        If an argument is out of range or the basis is not a tolerance basis.

    See Also
    --------
    plan.new_series : a claim instead of a narrow interval.
    lower_bound : one end of such an interval.

    Examples
    --------
    >>> precision(0.05, "5 %, 95 %", cv=0.06, family="normal").n
    25
    """
    claim = within if isinstance(within, Claim) else None
    if claim is not None and claim.within is None:
        raise InputError(f"`within` must be a share or Claim(within=...), got a {claim.kind} claim: {claim}.")
    share = check_fraction(claim.within if claim is not None else within, "within")
    found = get_basis(basis if basis is not None else (claim.basis if claim is not None else "B-basis"))
    if found.kind != "tolerance":
        raise InputError(f"A precision needs a basis with a confidence interval, got '{found.name}' ({found.kind}).")
    stated = Claim(within=share, basis=found)
    population = Population.of(family, 1.0, check_cv(cv), check_share(survivors, "survivors"))
    target = check_assurance(assurance)
    most = check_whole(max_n, "max_n", 2)
    price = None if cost is None else positive(cost, "cost", "the cost of one specimen")
    seed = int(as_rng(rng).integers(2**31))
    chances: Chances[int] = ExactChances(_chance(population.family, population.spread, share, found, seed))
    if population.survivors:
        chances = Trials(FreshSeries.of(population, WidthAim(share, found, population.family), seed), target, n_jobs)
    answer = find(chances, target, 2, most, 4 if population.survivors else 24)
    given = f"if the CV is {100 * cv:.3g} % ({population.family.name} distribution)"
    only = "" if answer.n is not None else " only"
    level = f"{100 * found.confidence:g} % two-sided"
    unchecked = ("Intervals are those of the confidence distribution, unchecked for early holds.",)
    return answer.plan(
        question="precision",
        claim=f"{stated} ({level})",
        family=population.family.name,
        basis=found.name,
        assurance=target,
        price=price,
        sentence=f"{count(answer.last)} give {stated} ({level}) with a chance of{only} {percent(answer.chance)}, "
        f"{given}.",
        assumptions=(
            f"{population.family.name} distribution with CV {100 * cv:.3g} %.",
            held_words(population.survivors),
            *(unchecked if population.survivors else ()),
        ),
        notes=("The scatter is assumed, not known: judge the width again after the first breaks.",),
    )


def _chance(family: Family, spread: float, share: float, basis: Basis, seed: int) -> Chance:
    """Chance that half the interval's width is at most ``share`` of its middle; ``spread`` for a mean of 1."""
    p = basis.fraction_below
    upper, lower = (1 + basis.confidence) / 2, (1 - basis.confidence) / 2
    limit = math.log((1 + share) / (1 - share))

    def normal(n: int) -> tuple[float, float]:
        low, high = tolerance_factor(n, p, upper), tolerance_factor(n, p, lower)
        return chance_bound(n, 1 / spread, (low - high) / (2 * share) + (low + high) / 2), 0.0

    def lognormal(n: int) -> tuple[float, float]:
        width = tolerance_factor(n, p, upper) - tolerance_factor(n, p, lower)
        return float(stats.chi2.cdf((n - 1) * (limit / (width * spread)) ** 2, n - 1)), 0.0

    def weibull(n: int) -> tuple[float, float]:
        pivot = weibull_pivot(n, seed)
        return pivot.chance_width(pivot.bound(p, lower) - pivot.bound(p, upper), limit / spread)

    return {"normal": normal, "lognormal": lognormal, "weibull": weibull}[family.name]


@dataclass(frozen=True, slots=True)
class WidthAim:
    """A low strength to be known to within a share, judged by the interval of each series."""

    share: float
    basis: Basis
    family: Family

    def reached(self, y: Array, broke: Flags | None) -> Flags:
        """Whether the interval of each series of y values (B, n) with survivors is narrow enough."""
        broke = np.ones(y.shape, dtype=bool) if broke is None else broke
        at_high = self._at_high_limit(y, broke, sharp=False)
        lower = (1 - self.basis.confidence) / 2
        if self.family.name != "weibull":
            away = special.ndtri(np.clip(at_high, 1e-9, 1 - 1e-9)) - special.ndtri(lower)
            near = np.flatnonzero(np.abs(away) < _NEAR)
            at_high[near] = self._at_high_limit(y[near], broke[near], sharp=True)
        return np.asarray(at_high <= lower)

    def _at_high_limit(self, y: Array, broke: Flags, *, sharp: bool) -> Array:
        """Confidence that the percentile exceeds the highest high limit with which the interval is narrow enough."""
        p, family = self.basis.fraction_below, self.family
        upper, lower = (1 + self.basis.confidence) / 2, (1 - self.basis.confidence) / 2
        low = lower_bound(y, broke, family, p, upper, sharp=sharp)
        growth = (1 + self.share) / (1 - self.share)  # the high limit may be at most this many times the low one
        edge = low + math.log(growth) if family.on_log else low * growth
        sound = np.flatnonzero(np.isfinite(low) & (family.on_log | (low > 0)))
        out = np.ones(low.size)
        out[sound] = confidence(y[sound], broke[sound], edge[sound], family, p, lower)
        return out
