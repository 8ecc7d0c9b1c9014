"""Hanson-Koopmans lower bound: two order statistics and a factor, for every F that is log-concave in ln load."""

from __future__ import annotations

from functools import lru_cache
from math import log
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from lowtail._shared.checks import check_fraction
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.bounds.nonparametric import check_loads, check_whole, order_statistic_n

__all__ = [
    "HansonKoopmans",
    "hanson_koopmans",
    "hanson_koopmans_confidence",
    "hanson_koopmans_factor",
    "hanson_koopmans_n",
    "hanson_koopmans_rank",
]

Array = NDArray[np.float64]


class HansonKoopmans(NamedTuple):
    """Hanson-Koopmans bound ``x_r * (x_1 / x_r) ** factor`` with its rank r and factor."""

    low: float
    rank: int
    factor: float


def _broke(broke: ArrayLike | None, load: ArrayLike) -> NDArray[np.bool_]:
    shape = np.shape(load)
    flags = np.ones(shape, dtype=bool) if broke is None else np.asarray(broke, dtype=bool)
    if flags.shape != shape:
        raise InputError(f"`broke` must have the shape of `load` {shape}, got {flags.shape}.")
    return flags


@lru_cache(maxsize=8)
def _legendre(nodes: int) -> tuple[Array, Array]:
    x, w = np.polynomial.legendre.leggauss(nodes)
    return (x + 1) / 2, w / 2


def _hk_confidence(n: int, p: float, rank: Array, factor: Array) -> Array:
    """Confidence of Hanson-Koopmans bounds, ``rank`` and ``factor`` of shape (m,).

    U = F(x_r) is Beta(rank, n - rank + 1); W = F(x_1) / F(x_r) is the least of rank - 1 uniforms, independent of U.
    In the worst case allowed (ln F linear in ln load) the bound lies at F = U * W ** factor, so that the confidence
    is P(U <= p) + E[1 - (1 - (p / U) ** (1 / factor)) ** (rank - 1); U > p].
    """
    r, k = rank[:, None], factor[:, None]
    x, w = _legendre(400)
    v = x[None, :] * -log(p)  # u = p * exp(v), v from 0 to -ln p
    u = p * np.exp(v)
    log_beta = special.betaln(r, n - r + 1)
    with np.errstate(divide="ignore"):
        density = np.exp(r * np.log(u) + (n - r) * np.log1p(-u) - log_beta)
        rest = -np.expm1((r - 1) * np.log(-np.expm1(-v / k)))
    upper = (density * rest) @ w * -log(p)
    return np.asarray(special.betainc(rank, n - rank + 1, p) + upper)


def hanson_koopmans_confidence(n: int, fraction_below: float, rank: int, factor: float) -> float:
    """Least confidence of the bound ``x_r * (x_1 / x_r) ** factor`` over all with log-concave F in ln load.

    Examples
    --------
    >>> round(hanson_koopmans_confidence(5, 0.10, 4, 4.1007311), 6)
    0.95
    """
    n, rank = check_whole("n", n, 2), check_whole("rank", rank, 2)
    p = check_fraction(fraction_below, "fraction_below")
    if rank > n:
        raise InputError(f"`rank` must lie between 2 and n = {n}, got {rank}.")
    if not (np.isfinite(factor) and factor >= 1):
        raise InputError(f"`factor` must be finite and at least 1 (below it the bound is not valid), got {factor!r}.")
    return float(_hk_confidence(n, p, np.array([float(rank)]), np.array([float(factor)]))[0])


@lru_cache(maxsize=512)
def _hk_factors(n: int, p: float, confidence: float, ranks: tuple[int, ...]) -> tuple[float, ...]:
    rank = np.array(ranks, dtype=np.float64)
    low = np.zeros(rank.size)  # ln factor
    done = _hk_confidence(n, p, rank, np.exp(low)) >= confidence
    high = np.ones(rank.size)
    while True:
        short = _hk_confidence(n, p, rank, np.exp(high)) < confidence
        if not short.any():
            break
        if high.max() > 60:
            raise NoAnswerError(f"No Hanson-Koopmans factor exists for n = {n}, fraction below {p:g}, {confidence:g}.")
        high = np.where(short, high * 2, high)
    for _ in range(60):
        middle = (low + high) / 2
        short = _hk_confidence(n, p, rank, np.exp(middle)) < confidence
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return tuple(np.where(done, 1.0, np.exp(high)).tolist())


def hanson_koopmans_factor(n: int, fraction_below: float, confidence: float, rank: int | None = None) -> float:
    """Hanson-Koopmans factor for any n, fraction, confidence and rank, from its defining integral.

    Never below 1: at 1 the bound is the lowest load itself, an order statistic that needs no shape assumption.

    Parameters
    ----------
    n : int
        Specimens, at least 2.
    fraction_below, confidence : float
        Between 0 and 1.
    rank : int, optional
        Upper order statistic r of the bound, 2 to n; default `hanson_koopmans_rank`.

    References
    ----------
    D. L. Hanson & L. H. Koopmans (1964), Ann. Math. Statist. 35:1561-1570 (from memory); MIL-HDBK-17-1F section
    8.3.4.5.2, whose tables 8.5.14 and 8.5.15 this reproduces (values from memory).

    Examples
    --------
    >>> round(hanson_koopmans_factor(5, 0.10, 0.95, rank=4), 3), round(hanson_koopmans_factor(10, 0.01, 0.95, 10), 5)
    (4.101, 3.57267)
    """
    n = check_whole("n", n, 2)
    p, g = check_fraction(fraction_below, "fraction_below"), check_fraction(confidence, "confidence")
    r = hanson_koopmans_rank(n, p, g) if rank is None else check_whole("rank", rank, 2)
    if r > n:
        raise InputError(f"`rank` must lie between 2 and n = {n}, got {rank}.")
    return _hk_factors(n, p, g, (r,))[0]


@lru_cache(maxsize=512)
def hanson_koopmans_rank(n: int, fraction_below: float, confidence: float) -> int:
    """Rank used by default: the one whose bound lies highest on average under a lognormal population.

    It depends on n, the fraction and the confidence alone, never on the loads, so that the choice costs no
    confidence.
    """
    ranks = np.arange(2, check_whole("n", n, 2) + 1)
    if n == 2:
        return 2
    factor = np.array(_hk_factors(n, fraction_below, confidence, tuple(ranks.tolist())))
    mean = _normal_order_means(n)
    bound = mean[ranks - 1] - factor * (mean[ranks - 1] - mean[0])
    return int(ranks[np.argmax(np.round(bound, 12))])


@lru_cache(maxsize=64)
def _normal_order_means(n: int) -> Array:
    """Expected order statistics of n standard normal values."""
    z = np.linspace(-9.0, 9.0, 1801)[None, :]
    r = np.arange(1, n + 1)[:, None]
    log_density = (r - 1) * special.log_ndtr(z) + (n - r) * special.log_ndtr(-z) - z**2 / 2
    weight = np.exp(log_density - log_density.max(axis=1, keepdims=True))
    return np.asarray((weight * z).sum(axis=1) / weight.sum(axis=1))


def hanson_koopmans_n(fraction_below: float, confidence: float, factor: float) -> int:
    """Smallest n whose bound (default rank) needs a factor no greater than ``factor``.

    Examples
    --------
    >>> hanson_koopmans_n(0.10, 0.95, 2.2)
    10
    """
    p, g = check_fraction(fraction_below, "fraction_below"), check_fraction(confidence, "confidence")
    if not (np.isfinite(factor) and factor >= 1):
        raise InputError(f"`factor` must be finite and at least 1, got {factor!r}.")
    low, high = 2, 3
    if hanson_koopmans_factor(low, p, g) <= factor:
        return low
    while hanson_koopmans_factor(high, p, g) > factor:
        low, high = high, min(2 * high, order_statistic_n(p, g))
    while high - low > 1:
        middle = (low + high) // 2
        if hanson_koopmans_factor(middle, p, g) > factor:
            low = middle
        else:
            high = middle
    return high


def hanson_koopmans(
    load: ArrayLike,
    fraction_below: float,
    confidence: float,
    *,
    broke: ArrayLike | None = None,
    rank: int | None = None,
) -> HansonKoopmans:
    """Hanson-Koopmans lower bound: ``x_r * (x_1 / x_r) ** factor`` from two order statistics.

    Valid for every distribution whose distribution function F is log-concave in ln load: Weibull, lognormal, normal
    and gamma among them; not for a mixture with a second, weaker failure mode. Far below a parametric bound at small n.

    Parameters
    ----------
    load : array_like, shape (n,)
        Loads in kN.
    fraction_below, confidence : float
        Between 0 and 1.
    broke : array_like of bool, shape (n,), optional
        False where the specimen held. The r weakest strengths must be known, so that no specimen may have held below
        the r-th smallest load: unlike the order statistic, this bound *rises* when x_r is read too low.
    rank : int, optional
        r, fixed before the test; default `hanson_koopmans_rank`.

    Raises
    ------
    NoAnswerError
        If a specimen held among the r smallest loads, or x_1 equals x_r (rounded loads say nothing about scatter).

    Examples
    --------
    >>> bound = hanson_koopmans([3.26, 3.02, 3.07, 2.99, 3.29], 0.10, 0.95)
    >>> bound.rank, round(bound.factor, 4), round(bound.low, 4)
    (4, 4.1007, 2.2869)
    """
    values = check_loads(load, 2)
    flags = _broke(broke, load)
    order = np.lexsort((~flags, np.asarray(load, dtype=np.float64)))  # at equal load the break comes first
    flags = flags[order]
    n = values.size
    r = hanson_koopmans_rank(n, check_fraction(fraction_below, "fraction_below"), confidence) if rank is None else rank
    factor = hanson_koopmans_factor(n, fraction_below, confidence, r)
    if factor > 1 and not flags[:r].all():
        raise NoAnswerError(
            f"The Hanson-Koopmans bound needs the {r} weakest strengths, but a specimen held at "
            f"{values[np.argmin(flags)]:.4g} kN, the {np.argmin(flags) + 1}-th smallest load. "
            "Use the confidence distribution, which carries survivors."
        )
    if factor > 1 and values[0] == values[r - 1]:
        raise NoAnswerError(
            f"The {r} lowest loads all read {values[0]:.4g} kN, so that the Hanson-Koopmans bound has no scatter to "
            "work with. Give the loads with more digits."
        )
    low = values[r - 1] * (values[0] / values[r - 1]) ** factor
    return HansonKoopmans(float(low), int(r), float(factor))
