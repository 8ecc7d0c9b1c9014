"""What an endless series would show: the limit that the judging bound approaches in a given population.

The cautious bound approaches the true percentile whatever the distribution. The Weibull and the normal bound approach
the percentile of the Weibull or normal distribution that lies nearest (in the sense of maximum likelihood), which is
another one wherever the population is of another kind. The lowest of them limits what any number of tests can reach.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from lowtail.claims.basis import Basis
from lowtail.models.batches.weibull_batches import mixed_quantile
from lowtail.models.distributions.families import Family

__all__ = ["custom_limit", "endless_batches", "endless_limit"]

Array = NDArray[np.float64]

_CVS = np.geomspace(0.002, 0.5, 33)


def endless_limit(family: Family, location: Array, spread: Array, basis: Basis) -> Array:
    """Limit of the judging bound on the axis of y, for populations of shape (B,)."""
    p = basis.fraction_below
    if not basis.tolerance:
        return custom_limit(family, location, spread, basis)
    true = location + float(family.quantile(p)) * spread
    z = float(special.ndtri(p))
    if family.name == "normal":
        return np.asarray(np.minimum(true, _weibull_of_normal(location, spread, p)))
    mean, std = load_moments(family, spread)
    with np.errstate(invalid="ignore"):  # a mean without end less a scatter without end is no load
        normal = _above(location, mean + z * std)
    if family.name == "weibull":
        return np.asarray(np.minimum(true, normal))
    near = location + spread * (0.5 + np.log(-np.log1p(-p)))  # the Weibull nearest to a lognormal has this scale
    return np.asarray(np.minimum(np.minimum(true, normal), near))


def custom_limit(family: Family, location: Array, spread: Array, basis: Basis) -> Array:
    """Limit of ``mean - k s`` of the loads on the axis of y, for populations of shape (B,)."""
    k = basis.factor(np.inf)
    if family.name == "normal":
        return np.asarray(location - k * spread)
    mean, std = load_moments(family, spread)
    with np.errstate(invalid="ignore"):
        return _above(location, mean - k * std)


def load_moments(family: Family, spread: Array) -> tuple[Array, Array]:
    """Mean and standard deviation of the load over exp(location), Weibull or lognormal."""
    with np.errstate(over="ignore", invalid="ignore"):
        if family.name == "weibull":
            mean, log_ratio = (
                special.gamma(1 + spread),
                special.gammaln(1 + 2 * spread) - 2 * special.gammaln(1 + spread),
            )
        else:
            mean, log_ratio = np.exp(spread**2 / 2), spread**2
        return np.asarray(mean), np.asarray(mean * np.sqrt(np.expm1(log_ratio)))


def _above(location: Array, load: Array) -> Array:
    """Log of ``load`` above the location; ``-inf`` where the load is no positive number, whatever the location."""
    with np.errstate(all="ignore"):
        some = np.isfinite(load) & (load > 0)
        return np.where(some, location + np.log(np.where(some, load, 1.0)), -np.inf)


@lru_cache(maxsize=32)
def _nearest_weibull(fraction_below: float) -> Array:
    """Percentile of the Weibull nearest to a normal of mean 1, less 1, over the CV, for a row of CVs."""
    out = []
    for cv in _CVS:
        z = np.linspace(max(-8.5, -1 / cv * (1 - 1e-9)), 8.5, 4001)
        log_load, weight = np.log1p(cv * z), np.exp(-z * z / 2)

        def gap(k: float, x: Array = log_load, w: Array = weight) -> float:
            tilted = w * np.exp(k * (x - x[-1]))
            return float((tilted @ x) / tilted.sum() - (w @ x) / w.sum() - 1 / k)

        k = optimize.brentq(gap, 0.2 / cv, 5 / cv)
        scale = np.log((weight @ np.exp(k * log_load)) / weight.sum()) / k
        out.append(np.expm1(scale + np.log(-np.log1p(-fraction_below)) / k) / cv)
    return np.array(out)


def _weibull_of_normal(mean: Array, std: Array, fraction_below: float) -> Array:
    """Percentile of the Weibull nearest to normal populations; ``-inf`` where loads below 0 are not rare."""
    with np.errstate(all="ignore"):
        cv = std / mean
    away = np.interp(
        np.log(np.clip(np.nan_to_num(cv, nan=1.0), _CVS[0], _CVS[-1])), np.log(_CVS), _nearest_weibull(fraction_below)
    )
    return np.where((mean > 0) & (cv <= _CVS[-1]), mean + away * std, -np.inf)


def endless_batches(middle: Array, between: Array, within: Array, fraction_below: float) -> Array:
    """Limit of ln load with endless batches: Weibull scatter within, normal scatter of ln load between; shape (B,)."""
    ratio = between / within
    log_hazard = float(np.log(-np.log1p(-fraction_below)))
    true = mixed_quantile(fraction_below, ratio)
    k = _pooled_shape(ratio)
    near = k * ratio**2 / 2 + (special.gammaln(1 + k) + log_hazard) / k
    with np.errstate(over="ignore", invalid="ignore"):
        mean = np.exp(between**2 / 2 + special.gammaln(1 + within))
        log_ratio = between**2 + special.gammaln(1 + 2 * within) - 2 * special.gammaln(1 + within)
        normal = _above(
            np.zeros_like(mean), mean * (1 + float(special.ndtri(fraction_below)) * np.sqrt(np.expm1(log_ratio)))
        )
    return np.asarray(np.minimum(middle + within * np.minimum(true, near), middle + normal))


def _pooled_shape(ratio: Array) -> Array:
    """Shape, over that within batches, of the Weibull nearest to all batches: k ratio^2 + digamma(k) = -0.577."""
    low, high = np.zeros(ratio.shape), np.ones(ratio.shape)
    for _ in range(50):
        k = (low + high) / 2
        short = k * ratio**2 + special.digamma(k) < special.digamma(1.0)
        low, high = np.where(short, k, low), np.where(short, high, k)
    return np.asarray((low + high) / 2)
