"""How many specimens a new series needs where they come in batches that differ."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail._shared.checks import door
from lowtail._shared.parallel import Seed, as_rng
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.batch_populations import FreshBatches
from lowtail.claims.planning.core.claim import Claim, check_assurance, check_cv, check_share, check_whole, positive
from lowtail.claims.planning.core.judge import ONE, StrengthAim
from lowtail.claims.planning.core.plan import Plan, count, percent
from lowtail.claims.planning.core.population import Population
from lowtail.claims.planning.core.trials import Chances, ExactChances, Trials
from lowtail.claims.planning.core.trials import answer as find
from lowtail.claims.planning.core.words import held_words
from lowtail.errors import InputError
from lowtail.models.batches.many import normal_batch_confidence
from lowtail.models.distributions.families import Family, name_of

__all__ = ["batches"]

Array = NDArray[np.float64]

SERIES = 10_500  # Monte-Carlo error at most 0.49 points
_ENDLESS = 1_000_000


@door
def batches(
    claim: float | Claim,
    basis: str | Basis | None = None,
    *,
    mean: float,
    cv: float,
    batches: int,
    between: float,
    family: str | Family = "lognormal",
    survivors: float = 0.0,
    assurance: float = 0.8,
    max_n: int = 60,
    rng: Seed = 0,
    n_jobs: int = 1,
) -> Plan:
    """Specimens of each batch so that the bound across batches reaches the claim with a stated chance.

    Equal batches drawn at random; whole series are simulated and judged by the bound across batches that `batch_bound`
    gives. Normal and lognormal: by their sums of squares and the generalised pivotal bound. Weibull: Weibull scatter
    within each batch, normal scatter of ln load between batches, with survivors. The number of batches sets the
    highest attainable chance, which no number of specimens in a batch raises.

    Parameters
    ----------
    claim : float or Claim
        Strength in kN, or ``Claim(strength=...)``.
    basis : str or Basis, optional
        A tolerance basis; default that of the Claim, else "B-basis".
    mean, cv : float
        Mean load in kN and total coefficient of variation (a fraction) over all batches.
    batches : int
        Number of batches, 2 or more.
    between : float
        Share of the total variance (Weibull: of ln load) that lies between batches, from 0 to below 1.
    family : str or Family
        "lognormal" (default), "normal" or "weibull".
    survivors : float
        Share of specimens expected to hold, from 0 to below 1; Weibull only. The rig's strength scatters like the
        specimens of one batch, and is the same for all.
    assurance : float
        Chance of success asked for, 0.5 to 0.99.
    max_n : int
        Largest number of specimens in a batch, 2 or more.
    rng : int or Generator
        Seed.
    n_jobs : int
        Worker processes for the Weibull distribution; the answer does not depend on it.

    Returns
    -------
    Plan
        ``n`` is the total, ``arms`` the specimens of each batch; the curve runs over totals.

    Raises
    ------
    InputError
        If an argument is out of range, survivors come with a normal or lognormal distribution, or the claim lies at or
        above the true low strength.

    See Also
    --------
    batch_bound : the bound that judges.
    plan.new_series : one batch.
    plan.more_samples : further batches, from those in hand.

    References
    ----------
    Krishnamoorthy and Mathew (2004) Technometrics 46:44-52 (from memory).

    Examples
    --------
    >>> batches(18, "B-basis", mean=25, cv=0.06, batches=5, between=0.3).arms
    (2, 2, 2, 2, 2)
    """
    aim = StrengthAim.of(claim, basis, family, ONE)
    found, stated, name = aim.basis, aim.claim, aim.family.name
    if found.kind != "tolerance":
        raise InputError(f"A bound across batches needs a tolerance basis, got '{found.name}' ({found.kind}).")
    mean = positive(mean, "mean", "the expected mean load in kN")
    cv = check_cv(cv)
    number = check_whole(batches, "batches", 2)
    share = check_share(between, "between")
    held = check_share(survivors, "survivors")
    target = check_assurance(assurance)
    most = check_whole(max_n, "max_n", 2)
    seed = int(as_rng(rng).integers(2**31))
    if name == "weibull":
        chances, ceiling = _weibull(aim, Population.of_batches(mean, cv, share, held), number, target, seed, n_jobs)
    elif held:
        raise InputError(
            f"The {name_of(name)} bound across batches takes breaks only: with survivors give family='weibull', "
            "which carries them."
        )
    else:
        population = Population.of(aim.family, mean, cv)
        population.check_possible(aim, mean, cv)
        distance = -population.distance(aim.strength)
        chances = ExactChances(lambda size: _chance(number, size, distance, share, found, seed))
        ceiling = _chance(number, _ENDLESS, distance, share, found, seed)[0]
    each = find(chances, target, 2, most, 5)
    size = each.n
    given = (
        f"if the mean is {mean:.4g} kN, the CV {100 * cv:.3g} % and {100 * share:.3g} % of the variance lies between "
        f"batches ({name_of(name)} distribution)"
    )
    if size is not None:
        what = f"{number} batches of {count(size)} ({number * size} in all)"
        sentence = f"{what} back {stated} with a chance of {percent(each.chance)}, {given}."
    else:
        sentence = (
            f"{number} batches back {stated} with a chance of only {percent(each.chance)} with {count(most)} of each, "
            f"and {percent(ceiling)} with endless ones, {given}: take more batches."
        )
    total = replace(
        each,
        n=None if size is None else number * size,
        last=number * each.last,
        rows=[(number * k, chance, error) for k, chance, error in each.rows],
    )
    return total.plan(
        question="batches",
        claim=str(stated),
        family=name,
        basis=found.name,
        arms=() if size is None else (size,) * number,
        assurance=target,
        ceiling=ceiling,
        sentence=sentence,
        assumptions=(
            f"{number} batches drawn at random from the same production, equal in number; {given}.",
            f"{held_words(held)} Judged by the bound across batches that `batch_bound` gives.",
        ),
        notes=("The number of batches counts for more than specimens in a batch; the share between them is assumed.",),
    )


def _weibull(
    aim: StrengthAim, population: Population, number: int, target: float, seed: int, n_jobs: int
) -> tuple[Chances[int], float]:
    """Chances by specimens of each batch, and the ceiling; a claim that is false cannot be backed."""
    p = aim.basis.fraction_below
    low = math.exp(population.low(p))
    if aim.strength >= low:
        raise InputError(
            f"The claim of {aim.strength:.4g} kN cannot be backed with any number of specimens: the true "
            f"{100 * p:g} % strength over all batches is {low:.4g} kN (Weibull within batches). "
            f"Lower the claim below {low:.4g} kN, or choose a basis that allows a larger fraction below."
        )
    experiment = FreshBatches(population, number, aim, seed)
    return Trials(experiment, target, n_jobs), experiment.ceiling()


def _chance(number: int, size: int, distance: float, share: float, basis: Basis, seed: int) -> tuple[float, float]:
    """Chance, with its error, that the bound reaches a claim ``distance`` total standard deviations below the mean."""
    rng = np.random.default_rng(seed)
    variance = share + (1 - share) / size
    centre = distance + np.sqrt(variance / number) * rng.standard_normal(SERIES)
    squares = variance * rng.chisquare(number - 1, SERIES)
    u = rng.random(SERIES)
    degrees = number * (size - 1)
    within = (1 - share) * 2 * special.gammaincinv(degrees / 2, u)
    got = normal_batch_confidence(centre, squares, within, number, 1 / size, degrees, basis.fraction_below)
    won = float((got >= basis.confidence).mean())
    return won, math.sqrt(won * (1 - won) / SERIES)
