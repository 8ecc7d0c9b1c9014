"""How many specimens a new series needs where they come in batches that differ."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail._parallel import as_rng
from lowtail.claims.basis import Basis
from lowtail.claims.planning.plan import (
    Claim,
    Plan,
    check_assurance,
    check_cv,
    check_share,
    check_whole,
    count,
    make_curve,
    percent,
    positive,
    smallest_n,
    strength_claim,
)
from lowtail.claims.planning.plan_bound import check_possible, make_world
from lowtail.errors import InputError
from lowtail.models.batch_law import chi_square_nodes
from lowtail.models.families import Family

__all__ = ["batch_confidence", "plan_batches"]

Array = NDArray[np.float64]

SERIES = 10_500  # Monte-Carlo error at most 0.49 points
_NODES = 36
_ENDLESS = 1_000_000


def plan_batches(
    claim: float | Claim,
    basis: str | Basis | None = None,
    *,
    mean: float,
    cv: float,
    batches: int,
    between: float,
    family: str | Family = "lognormal",
    assurance: float = 0.8,
    max_n: int = 60,
    rng: int | np.random.Generator = 0,
) -> Plan:
    """Specimens of each batch so that the bound across batches reaches the claim with a stated chance.

    Equal batches drawn at random; whole series are simulated by their sums of squares, and each is judged by the
    generalised pivotal bound across batches (the one `batch_bound` gives). The number of batches sets a ceiling that
    no number of specimens in a batch lifts.

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
        Share of the total variance that lies between batches, from 0 to below 1.
    family : str or Family
        "lognormal" (default) or "normal".
    assurance : float
        Chance of success asked for, 0.5 to 0.99.
    max_n : int
        Largest number of specimens in a batch, 2 or more.
    rng : int or Generator
        Seed.

    Returns
    -------
    Plan
        ``n`` is the total, ``arms`` the specimens of each batch; the curve runs over totals.

    Raises
    ------
    InputError
        If an argument is out of range, the law is the Weibull, or the claim lies at or above the true low strength.

    References
    ----------
    Krishnamoorthy and Mathew (2004) Technometrics 46:44-52 (from memory).

    Examples
    --------
    >>> plan_batches(18, "B-basis", mean=25, cv=0.06, batches=5, between=0.3).arms
    (2, 2, 2, 2, 2)
    """
    strength, found, stated = strength_claim(claim, basis)
    if found.kind != "tolerance":
        raise InputError(f"A bound across batches needs a tolerance basis, got '{found.name}' ({found.kind}).")
    mean = positive(mean, "mean", "the expected mean load in kN")
    world = make_world(family, mean, check_cv(cv))
    if world.family.name == "weibull":
        raise InputError("The bound across batches rests on the normal law: give family='lognormal' or 'normal'.")
    number = check_whole(batches, "batches", 2)
    share = check_share(between, "between")
    target = check_assurance(assurance)
    most = check_whole(max_n, "max_n", 2)
    check_possible(world, strength, found, mean, cv)
    seed = int(as_rng(rng).integers(2**31))
    distance = -world.distance(strength)

    @cache
    def chance(size: int) -> float:
        return _chance(number, size, distance, share, found, seed)

    size = smallest_n(chance, target, 2, most)
    ceiling = chance(_ENDLESS)
    last = most if size is None else size
    reached = chance(last)
    points = sorted({k for k in (2, 3, 4, 6, 9, 14, 20, last - 1, last, last + 1) if 2 <= k <= min(most, last + 6)})
    given = (
        f"if the mean is {mean:.4g} kN, the CV {100 * cv:.3g} % and {100 * share:.3g} % of the variance lies between "
        f"batches ({world.family.name} law)"
    )
    if size is not None:
        what = f"{number} batches of {count(size)} ({number * size} in all)"
        sentence = f"{what} back {stated} with a chance of {percent(reached)}, {given}."
    else:
        sentence = (
            f"{number} batches back {stated} with a chance of only {percent(reached)} with {count(most)} of each, and "
            f"{percent(ceiling)} with endless ones, {given}: take more batches."
        )
    error = math.sqrt(reached * (1 - reached) / SERIES)
    return Plan(
        question="batches",
        claim=str(stated),
        family=world.family.name,
        basis=found.name,
        n=None if size is None else number * size,
        arms=() if size is None else (size,) * number,
        assurance=target,
        chance=reached,
        chance_before=chance(last - 1) if last > 2 else math.nan,
        mc_error=error,
        ceiling=ceiling,
        curve=make_curve([(number * k, chance(k), math.sqrt(chance(k) * (1 - chance(k)) / SERIES)) for k in points]),
        sentence=sentence,
        assumptions=(
            f"{number} batches drawn at random from the same production, equal in number; {given}.",
            "All specimens break. Judged by the generalised pivotal bound across batches.",
        ),
        notes=("The number of batches counts for more than specimens in a batch; the share between them is assumed.",),
    )


def _chance(number: int, size: int, distance: float, share: float, basis: Basis, seed: int) -> float:
    """Chance that the bound reaches a claim ``distance`` total standard deviations below the mean."""
    rng = np.random.default_rng(seed)
    variance = share + (1 - share) / size
    centre = distance + np.sqrt(variance / number) * rng.standard_normal(SERIES)
    squares = variance * rng.chisquare(number - 1, SERIES)
    u = rng.random(SERIES)
    degrees = number * (size - 1)
    within = (1 - share) * 2 * special.gammaincinv(degrees / 2, u)
    got = batch_confidence(centre, squares, within, number, size, basis.fraction_below)
    return float((got >= basis.confidence).mean())


def batch_confidence(
    centre: Array, squares: Array, within: Array, number: int, size: int, fraction_below: float
) -> Array:
    """Confidence that the percentile across equal batches is at least 0, by the generalised pivotal quantity.

    ``centre`` is the mean of the batch means less the claim, ``squares`` the sum of squares of the batch means about
    their mean, ``within`` the sum of squares within batches, each of shape (B,).
    """
    u, w_u = chi_square_nodes(number - 1, _NODES)
    v, w_v = chi_square_nodes(number * (size - 1), _NODES)
    keep_u, keep_v = w_u > 1e-8, w_v > 1e-8
    u, w_u, v, w_v = u[keep_u], w_u[keep_u], v[keep_v], w_v[keep_v]
    z = float(special.ndtri(fraction_below))
    out = np.zeros(centre.size)
    for i in range(u.size):
        total = (squares / u[i])[:, None] + (1 - 1 / size) * within[:, None] / v
        edge = (centre[:, None] + z * np.sqrt(total)) / np.sqrt(squares / (number * u[i]))[:, None]
        out += w_u[i] * (special.ndtr(edge) @ w_v)
    return out
