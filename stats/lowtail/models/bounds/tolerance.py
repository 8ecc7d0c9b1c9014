"""Factors of the normal distribution: tolerance, prediction and spread, each from its defining integral.

A tolerance factor k makes ``mean - k * s`` a lower bound, at the stated confidence, of the strength that all but a
fraction of the population exceeds. The integral over the spread is done here, by a trapezoid in its logarithm, and not
by ``scipy.stats.nct``, which returns NaN far in the tails.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special, stats

from lowtail._shared.checks import check_fraction
from lowtail.errors import InputError
from lowtail.models.confidence.quadrature import check_cover

__all__ = [
    "check_fraction",
    "factor_confidence",
    "factor_fraction",
    "prediction_factor",
    "spread_factors",
    "tolerance_factor",
    "two_sided_tolerance_factor",
]

Array = NDArray[np.float64]


def _check_n(n: int, least: int) -> int:
    if isinstance(n, bool) or not isinstance(n, (int, np.integer)) or n < least:
        raise InputError(f"`n` must be a whole number of specimens, at least {least}, got {n!r}.")
    return int(n)


def _check_degrees(degrees: float | None, n: int) -> float:
    value = float(n - 1) if degrees is None else float(degrees)
    if not (np.isfinite(value) and value > 0):
        raise InputError(f"`degrees` must be finite and greater than 0, got {degrees!r}.")
    return value


@lru_cache(maxsize=256)
def _spread_law(degrees: float) -> tuple[Array, Array]:
    """Nodes of s / sigma and weights of its distribution, trapezoid in ln(s^2)."""
    # ln(chi2) has log density a t - e^t / 2 with a = degrees / 2, top at t = ln(2 a); keep 42 log units
    a = degrees / 2
    top = np.log(2 * a)
    low = top - 1.0
    while a * (low - top) - a * np.expm1(low - top) > -42:
        low -= 0.5 * max(1.0, 1.0 / a)
    high = top + 0.1
    while a * (high - top) - a * np.expm1(high - top) > -42:
        high += 0.1
    t = np.linspace(low, high, 2001)
    weight = np.exp(a * (t - top) - a * np.expm1(t - top))
    check_cover(weight, f"Standard deviation with {degrees:g} degrees of freedom")
    weight /= weight.sum()
    nodes = np.exp((t - np.log(degrees)) / 2)
    keep = weight > 0
    return nodes[keep], weight[keep]


def _miss(k: float, n: float, degrees: float, z: float) -> float:
    """Probability that mean - k s lies above the mean - z sigma it should not pass."""
    nodes, weight = _spread_law(degrees)
    return float(weight @ special.ndtr(np.sqrt(n) * (z - k * nodes)))


def tolerance_factor(n: int, fraction_below: float, confidence: float, *, degrees: float | None = None) -> float:
    """One-sided factor k: ``mean - k * s`` is a lower bound of the strength at ``fraction_below`` (normal).

    Solves ``E[ndtr(sqrt(n) * (z - k * s / sigma))] = 1 - confidence`` with ``z = -ndtri(fraction_below)``, the
    definition of the noncentral-t factor. Relative error below 1e-9 for n from 2 to 10,000, fractions from 1e-9 to
    0.5 and confidence up to 0.9999.

    Parameters
    ----------
    n : int
        Specimens behind the mean, at least 2 (at least 1 where ``degrees`` is given).
    fraction_below : float
        Fraction of the population that may be weaker, between 0 and 1.
    confidence : float
        One-sided confidence, between 0 and 1.
    degrees : float, optional
        Degrees of freedom of s; default n - 1. More where s is pooled over sibling groups.

    Returns
    -------
    float
        The factor; negative where ``fraction_below`` is high and the confidence low.

    Raises
    ------
    InputError
        If an argument is out of range.

    References
    ----------
    D. B. Owen (1963), *Factors for one-sided tolerance limits*, Sandia SCR-607 (from memory).

    Examples
    --------
    >>> round(tolerance_factor(5, 0.10, 0.95), 3)
    3.407
    """
    n = _check_n(n, 2 if degrees is None else 1)
    return _factor(
        n,
        check_fraction(fraction_below, "fraction_below"),
        check_fraction(confidence, "confidence"),
        _check_degrees(degrees, n),
    )


@lru_cache(maxsize=4096)
def _factor(n: int, fraction_below: float, confidence: float, degrees: float) -> float:
    z = -float(special.ndtri(fraction_below))
    target = 1.0 - confidence
    step = 1.0
    low, high = z - step, z + step
    while _miss(high, n, degrees, z) > target:
        step *= 2
        high += step
    step = 1.0
    while _miss(low, n, degrees, z) < target:
        step *= 2
        low -= step
    return float(optimize.brentq(lambda k: _miss(k, n, degrees, z) - target, low, high, xtol=1e-13, rtol=1e-14))


def factor_confidence(n: int, factor: float, fraction_below: float, *, degrees: float | None = None) -> float:
    """Confidence with which ``mean - factor * s`` lies below the strength at ``fraction_below`` (normal distribution).

    Examples
    --------
    What "mean - 3 s" of 5 specimens is worth as a lower bound of the 1 % strength:

    >>> round(factor_confidence(5, 3.0, 0.01), 2)
    0.65
    """
    n = _check_n(n, 2 if degrees is None else 1)
    z = -float(special.ndtri(check_fraction(fraction_below, "fraction_below")))
    return 1.0 - _miss(float(factor), n, _check_degrees(degrees, n), z)


def factor_fraction(n: int, factor: float, confidence: float, *, degrees: float | None = None) -> float:
    """Fraction of the population below which ``mean - factor * s`` is shown to lie, at ``confidence`` (normal).

    Examples
    --------
    "mean - 3 s" of 5 specimens shows, at 95 % confidence, only that at least 86 % are stronger:

    >>> round(factor_fraction(5, 3.0, 0.95), 3)
    0.138
    """
    n = _check_n(n, 2 if degrees is None else 1)
    nu = _check_degrees(degrees, n)
    target = 1.0 - check_fraction(confidence, "confidence")
    wide = 40.0 + 3.0 * abs(float(factor))
    z = optimize.brentq(lambda v: _miss(float(factor), n, nu, v) - target, -wide, wide, xtol=1e-13)
    return float(special.ndtr(-z))


def prediction_factor(n: int, fraction_below: float, *, known_spread: bool = False) -> float:
    """Factor of the prediction form: ``t * sqrt(1 + 1/n)``, or ``z * sqrt(1 + 1/n)`` where the spread is known.

    A single further specimen lies above ``mean - factor * s`` with probability ``1 - fraction_below``. This is *not*
    a bound at a stated confidence: use `tolerance_factor` for that.

    References
    ----------
    EN 1990:2002 Annex D, D.7.2 (formula, from memory).

    Examples
    --------
    >>> round(prediction_factor(5, 0.05), 4), round(tolerance_factor(5, 0.05, 0.95), 4)
    (2.3353, 4.2027)
    """
    n = _check_n(n, 1 if known_spread else 2)
    p = check_fraction(fraction_below, "fraction_below")
    quantile = -special.ndtri(p) if known_spread else -special.stdtrit(n - 1, p)
    return float(quantile * np.sqrt(1 + 1 / n))


def spread_factors(n: int, confidence: float, *, degrees: float | None = None) -> tuple[float, float]:
    """Multipliers of s that bracket the population's standard deviation, two-sided ``confidence`` (normal).

    Examples
    --------
    >>> low, high = spread_factors(5, 0.95)
    >>> round(low, 4), round(high, 4)
    (0.5991, 2.8736)
    """
    n = _check_n(n, 2 if degrees is None else 1)
    nu = _check_degrees(degrees, n)
    tail = (1.0 - check_fraction(confidence, "confidence")) / 2
    return float(np.sqrt(nu / stats.chi2.isf(tail, nu))), float(np.sqrt(nu / stats.chi2.ppf(tail, nu)))


def two_sided_tolerance_factor(n: int, fraction_inside: float, confidence: float) -> float:
    """Exact two-sided factor: ``mean +- k * s`` holds at least ``fraction_inside`` of the population (normal).

    Here to keep the two kinds apart: a strength needs the one-sided `tolerance_factor`.

    Examples
    --------
    >>> round(two_sided_tolerance_factor(10, 0.95, 0.95), 2), round(tolerance_factor(10, 0.05, 0.95), 2)
    (3.39, 2.91)
    """
    n = _check_n(n, 2)
    inside = check_fraction(fraction_inside, "fraction_inside")
    g = check_fraction(confidence, "confidence")
    return _two_sided(n, inside, g)


@lru_cache(maxsize=1024)
def _two_sided(n: int, inside: float, confidence: float) -> float:
    z = np.linspace(0.0, 9.0, 181)  # offset of the mean in its own standard errors, even function: trapezoid
    weight = np.exp(-(z**2) / 2)
    weight[0] /= 2
    weight /= weight.sum()
    offset = z / np.sqrt(n)
    low = np.full_like(offset, special.ndtri((1 + inside) / 2))
    high = low + offset
    for _ in range(60):  # bisection for ndtr(offset + half) - ndtr(offset - half) = inside
        half = (low + high) / 2
        short = special.ndtr(offset + half) - special.ndtr(offset - half) < inside
        low, high = np.where(short, half, low), np.where(short, high, half)
    nu = n - 1

    def excess(k: float) -> float:
        return float(weight @ special.chdtrc(nu, nu * (half / k) ** 2)) - confidence

    return float(optimize.brentq(excess, 1e-3, 1e6, xtol=1e-13, rtol=1e-13))
