"""Lower bounds that assume no strength distribution: order statistic, and none broken.

Functions take loads in kN as arrays and return plain numbers in small named tuples; `lower_bound` dispatches to them by
name and never chooses them on its own. Hanson-Koopmans, which assumes a little, is in `hanson_koopmans`.
"""

from __future__ import annotations

from math import ceil, log1p
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from lowtail._shared.checks import check_fraction
from lowtail.errors import InputError, NoAnswerError

__all__ = [
    "AttributeStatement",
    "OrderBound",
    "attribute_low",
    "attribute_statement",
    "fraction_weaker",
    "order_statistic",
    "order_statistic_confidence",
    "order_statistic_n",
    "order_statistic_rank",
    "range_confidence",
]

Array = NDArray[np.float64]


class OrderBound(NamedTuple):
    """Order-statistic bound: the ``rank``-th smallest load, the confidence it reaches, the n that rank 1 needs."""

    low: float
    rank: int
    confidence_reached: float
    n_needed: int


class AttributeStatement(NamedTuple):
    """What n specimens that all held show at ``load``, the lowest load held.

    ``fraction_shown``: at the confidence asked for, at most this fraction of the population is weaker than ``load``.
    ``confidence_shown``: the confidence that at most the fraction asked for is weaker. ``n_needed``: specimens that
    must hold, with none broken, for both at once.
    """

    load: float
    n: int
    fraction_shown: float
    confidence_shown: float
    n_needed: int


def check_loads(load: ArrayLike, least: int = 1) -> Array:
    values = np.asarray(load, dtype=np.float64)
    if values.ndim != 1 or values.size < least:
        raise InputError(f"`load` must be one-dimensional with at least {least} loads in kN, got shape {values.shape}.")
    if not (np.isfinite(values) & (values > 0)).all():
        raise InputError("`load` must hold finite loads greater than 0 kN; correct or set aside the others on record.")
    return np.sort(values)


def check_whole(name: str, value: int, least: int) -> int:
    if isinstance(value, bool) or not isinstance(value, (int, np.integer)) or value < least:
        raise InputError(f"`{name}` must be a whole number, at least {least}, got {value!r}.")
    return int(value)


# --- order statistic ---------------------------------------------------------------------------------------------


def order_statistic_confidence(n: int, fraction_below: float, rank: int = 1) -> float:
    """Confidence that the ``rank``-th smallest of n strengths lies below the strength at ``fraction_below``.

    Exact for every continuous strength distribution: the chance that at least ``rank`` of n fall into the weak
    fraction.

    Examples
    --------
    >>> round(order_statistic_confidence(29, 0.10), 4)
    0.9529
    """
    n, rank = check_whole("n", n, 1), check_whole("rank", rank, 1)
    p = check_fraction(fraction_below, "fraction_below")
    if rank > n:
        raise InputError(f"`rank` must not exceed n = {n}, got {rank}.")
    return float(special.betainc(rank, n - rank + 1, p))


def order_statistic_rank(n: int, fraction_below: float, confidence: float) -> int:
    """Largest rank whose order statistic is a lower bound at this confidence; 0 where not even the lowest load is.

    Examples
    --------
    >>> order_statistic_rank(46, 0.10, 0.95), order_statistic_rank(10, 0.10, 0.95)
    (2, 0)
    """
    n = check_whole("n", n, 1)
    p, g = check_fraction(fraction_below, "fraction_below"), check_fraction(confidence, "confidence")
    ranks = np.arange(1, n + 1)
    return int((special.betainc(ranks, n - ranks + 1, p) >= g).sum())


def order_statistic_n(fraction_below: float, confidence: float, rank: int = 1) -> int:
    """Smallest n for which the ``rank``-th smallest load is a lower bound at this confidence.

    Examples
    --------
    >>> order_statistic_n(0.10, 0.95), order_statistic_n(0.01, 0.95), order_statistic_n(0.10, 0.95, rank=2)
    (29, 299, 46)
    """
    p, g = check_fraction(fraction_below, "fraction_below"), check_fraction(confidence, "confidence")
    rank = check_whole("rank", rank, 1)
    start = ceil(log1p(-g) / log1p(-p)) if rank == 1 else int(stats.nbinom.ppf(g, rank, p)) + rank
    n = max(rank, start)
    while n > rank and special.betainc(rank, n - rank, p) >= g:
        n -= 1
    while special.betainc(rank, n - rank + 1, p) < g:
        n += 1
    return n


def order_statistic(load: ArrayLike, fraction_below: float, confidence: float) -> OrderBound:
    """Order-statistic lower bound of the strength at ``fraction_below``: no strength distribution assumed.

    A specimen that held counts at the load it held. Its strength is at least that load, so the bound stays valid (and
    is conservative) whatever made the specimen hold.

    Parameters
    ----------
    load : array_like, shape (n,)
        Loads in kN, at break or held.
    fraction_below, confidence : float
        Between 0 and 1.

    Returns
    -------
    OrderBound
        ``low`` in kN.

    Raises
    ------
    NoAnswerError
        If n is too small for even the lowest load to be a bound; the message gives the n needed and the confidence
        that the lowest load does carry.

    References
    ----------
    S. S. Wilks (1941), Ann. Math. Statist. 12:91-96 (from memory).

    Examples
    --------
    >>> order_statistic([24.1, 25.3, 22.8, 26.0, 25.5], 0.25, 0.75)
    OrderBound(low=22.8, rank=1, confidence_reached=0.7626953125, n_needed=5)
    """
    values = check_loads(load)
    rank = order_statistic_rank(values.size, fraction_below, confidence)
    needed = order_statistic_n(fraction_below, confidence)
    if rank == 0:
        reached = order_statistic_confidence(values.size, fraction_below)
        raise NoAnswerError(
            f"The order-statistic bound at fraction below {fraction_below:g} and confidence {confidence:g} needs at "
            f"least {needed} specimens, got {values.size}: their lowest load {values[0]:.4g} kN is a bound with "
            f"confidence {reached:.3g} only. Test more, ask for a higher fraction or lower confidence, or assume a "
            "distribution."
        )
    reached = order_statistic_confidence(values.size, fraction_below, rank)
    return OrderBound(float(values[rank - 1]), rank, reached, needed)


def range_confidence(n: int, fraction_inside: float, rank: int = 1) -> float:
    """Confidence that the ``rank``-th smallest and the largest of n strengths hold ``fraction_inside`` between them.

    Examples
    --------
    >>> round(range_confidence(93, 0.95), 5)
    0.95002
    """
    n, rank = check_whole("n", n, 2), check_whole("rank", rank, 1)
    if rank >= n:
        raise InputError(f"`rank` must be below n = {n}, got {rank}.")
    return float(special.betaincc(n - rank, rank + 1, check_fraction(fraction_inside, "fraction_inside")))


# --- none broken -------------------------------------------------------------------------------------------------


def fraction_weaker(n_weaker: int, n: int, confidence: float) -> float:
    """Upper confidence bound of the fraction weaker than a load that ``n_weaker`` of n specimens did not hold.

    The one-sided Clopper-Pearson bound.

    Examples
    --------
    >>> round(1 - fraction_weaker(2, 30, 0.95), 10)
    0.8046739563
    """
    n = check_whole("n", n, 1)
    x = check_whole("n_weaker", n_weaker, 0)
    if x > n:
        raise InputError(f"`n_weaker` must not exceed n = {n}, got {n_weaker}.")
    g = check_fraction(confidence, "confidence")
    return 1.0 if x == n else float(special.betaincinv(x + 1, n - x, g))


def attribute_statement(load: ArrayLike, fraction_below: float, confidence: float) -> AttributeStatement:
    """State what n specimens show that *all held*: the attribute statement at the lowest load held.

    No strength distribution is assumed. `attribute_low` gives the bound itself where n suffices.

    Examples
    --------
    >>> shown = attribute_statement([22.4] * 10, 0.10, 0.95)
    >>> round(shown.fraction_shown, 4), round(shown.confidence_shown, 4), shown.n_needed
    (0.2589, 0.6513, 29)
    """
    values = check_loads(load)
    p, g = check_fraction(fraction_below, "fraction_below"), check_fraction(confidence, "confidence")
    return AttributeStatement(
        load=float(values[0]),
        n=int(values.size),
        fraction_shown=fraction_weaker(0, values.size, g),
        confidence_shown=order_statistic_confidence(values.size, p),
        n_needed=order_statistic_n(p, g),
    )


def attribute_low(load: ArrayLike, fraction_below: float, confidence: float) -> float:
    """Lower bound in kN where *none broke*: the load that as many specimens held as a zero-failure test needs.

    With m needed and loads held of unequal size, that is the m-th largest load held. The loads must have been set
    without regard to the specimen's strength.

    Raises
    ------
    NoAnswerError
        If fewer than the needed number of specimens held.

    Examples
    --------
    >>> attribute_low([22.0] * 5 + [24.0] * 14, 0.05, 0.50)
    24.0
    """
    values = check_loads(load)
    shown = attribute_statement(values, fraction_below, confidence)
    if shown.n < shown.n_needed:
        raise NoAnswerError(
            f"None of {shown.n} specimens broke. A bound at fraction below {fraction_below:g} and confidence "
            f"{confidence:g} without a strength distribution needs {shown.n_needed} that hold. Shown at "
            f"{shown.load:.4g} kN: at "
            f"most {shown.fraction_shown:.3g} of the population is weaker, at confidence {confidence:g}. "
            "Test more, test to failure, or give `shape=` from an earlier series."
        )
    return float(values[values.size - shown.n_needed])
