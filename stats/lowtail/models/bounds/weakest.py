"""Several components in series: the distribution of the weakest, and which one fails first; arrays only.

Each component j has a distribution of its own, given by arrays of location and spread of shape (..., J); ``count``
says how many like it the assembly holds. Components are taken as independent: the chance that none is weaker than a
load is the product.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from lowtail._shared.parallel import as_rng
from lowtail._shared.sample import Sample
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.confidence.distribution import ScalePrior, confidence_distribution, law_with_prior
from lowtail.models.confidence.siblings import CONFLICT, conflict_p
from lowtail.models.distributions.families import Family
from lowtail.models.distributions.fit import fit
from lowtail.models.distributions.likelihood import prepare

__all__ = [
    "by_cause",
    "check_counts",
    "component_draws",
    "component_fit",
    "goes_first",
    "hazard_total",
    "weakest_below",
]

Array = NDArray[np.float64]


def by_cause(load: ArrayLike, cause: Sequence[str], *, label: str = "") -> dict[str, Sample]:
    """One sample a cause of failure: it broke where it was the cause, and held wherever another part went first.

    Parameters
    ----------
    load : array_like, shape (n,)
        Load at which each test ended, kN.
    cause : sequence of str, shape (n,)
        Which component broke; "" where none did.
    label : str
        Put before each component's name in messages.

    Raises
    ------
    InputError
        If the lengths differ or no cause is named.
    """
    loads, causes = np.asarray(load, dtype=float), np.asarray(list(cause), dtype=object)
    if loads.shape != causes.shape:
        raise InputError(f"`cause` must have one entry a load: got {causes.size} for {loads.size} loads.")
    names = [c for c in dict.fromkeys(causes.tolist()) if c]
    if not names:
        raise InputError("`cause` names no component: nothing broke, so no component can be judged.")
    return {name: Sample(loads, causes == name, label=f"{label}: {name}" if label else name) for name in names}


def component_fit(sample: Sample, family: Family, known: float | ScalePrior | None) -> tuple[float, float]:
    """Fitted location and spread of one component; ``known`` gives a Weibull shape from outside."""
    shape = known.shape if isinstance(known, ScalePrior) else known
    found = fit(sample, family, shape=shape)
    return found.location, found.spread


def _refuse_conflict(sample: Sample, family: Family, known: ScalePrior) -> None:
    """Refuse a known scatter that the component's own breaks contradict."""
    known.check_family(family)
    own = prepare(sample.load, sample.broke, family)
    chance = float(conflict_p(own, family, known.lent)[0]) if own.distinct[0] else 1.0
    if chance < CONFLICT:
        raise InputError(
            f"{sample.who}: scatters more than `known` lets expect ({known}; conflict p = {chance:.2g}). Leave it out "
            "of `known`: its own breaks settle its scatter."
        )


def component_draws(
    sample: Sample, family: Family, known: float | ScalePrior | None, size: int, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Draws of (location, spread) from the component's confidence distribution, each (size,)."""
    if isinstance(known, ScalePrior):
        _refuse_conflict(sample, family, known)
        return law_with_prior(sample, family, known).draws(size, as_rng(rng))
    if known is None:
        return confidence_distribution(sample, family).draws(size, as_rng(rng))
    if family.name != "weibull":
        raise InputError(
            f"{sample.who}: a known shape holds for the Weibull distribution only, got family {family.name!r}."
        )
    total = float(special.logsumexp(known * np.log(sample.load)))
    index = rng.standard_gamma(sample.n_broken + 1.0, size)  # r + 1: never too sure, also where held loads are random
    return (total - np.log(index)) / known, np.full(size, 1.0 / known)


def hazard_total(y: Array, location: Array, spread: Array, count: Array, family: Family) -> Array:
    """Sum over components of ``count`` times -ln(chance to exceed y); ``y`` (...,), distributions (..., J)."""
    z = (y[..., None] - location) / spread
    if family.name == "weibull":
        return np.asarray((np.exp(np.minimum(z, 500.0)) * count).sum(axis=-1))
    return np.asarray((-special.log_ndtr(-z) * count).sum(axis=-1))


def weakest_below(fraction: float | Array, location: Array, spread: Array, count: Array, family: Family) -> Array:
    """Load (y scale) that a ``fraction`` of assemblies lies below: bisection, shape (...,) for distributions (..., J).

    ``fraction`` is a number, or has a shape that agrees with (...,).
    """
    share = np.asarray(fraction, dtype=float)
    goal = -np.log1p(-share)
    w = np.asarray(family.quantile(share))[..., None]
    deepest = np.asarray(family.quantile(-np.expm1(np.log1p(-share) / float(count.sum()))))[..., None]
    high = (location + w * spread).min(axis=-1)
    low = (location + deepest * spread).min(axis=-1)
    for _ in range(48):
        middle = 0.5 * (low + high)
        over = hazard_total(middle, location, spread, count, family) > goal
        high, low = np.where(over, middle, high), np.where(over, low, middle)
    return np.asarray(0.5 * (low + high))


def goes_first(location: Array, spread: Array, count: Array, family: Family, points: int = 400) -> Array:
    """Chance that each kind of component is the one that breaks, shape (..., J)."""
    share = (np.arange(points) + 0.5) / points
    grid = weakest_below(share, location[..., None, :], spread[..., None, :], count, family)
    z = (grid[..., None] - location[..., None, :]) / spread[..., None, :]
    if family.name == "weibull":
        log_rate = z - np.log(spread[..., None, :])
    else:
        log_rate = -0.5 * z * z - special.log_ndtr(-z) - np.log(spread[..., None, :])
    rate = np.exp(log_rate - log_rate.max(axis=-1, keepdims=True)) * count
    return np.asarray((rate / rate.sum(axis=-1, keepdims=True)).mean(axis=-2))


def check_counts(counts: Mapping[str, int] | None, names: Sequence[str]) -> Array:
    """Numbers of each component in the assembly, 1 where not said.

    Raises
    ------
    InputError
        If a component is unknown or a number is not a whole one of at least 1.
    NoAnswerError
        If there is no component.
    """
    if not names:
        raise NoAnswerError("The assembly holds no component that could break. Name at least one in `parts`.")
    given = dict(counts or {})
    for name, number in given.items():
        if name not in names:
            raise InputError(f"`counts` names {name!r}, which is no component here. Components: {', '.join(names)}.")
        if not (float(number).is_integer() and number >= 1):
            raise InputError(f"`counts` must hold whole numbers of at least 1, got {number!r} for {name!r}.")
    return np.array([float(given.get(name, 1)) for name in names])
