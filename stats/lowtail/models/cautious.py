"""The cautious bound: right for nearly every distribution, at the price of a lower number.

From the fraction, the confidence and n alone (never from the loads) it is an order statistic where n carries one, else
the Hanson-Koopmans bound, which holds for every distribution whose distribution function is log-concave in ln load.
Where specimens held among the weakest stop both, a Weibull fitted to the lower part alone: everything above the r-th
smallest break counts as held there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.errors import NoAnswerError
from lowtail.models.families import WEIBULL
from lowtail.models.hanson_koopmans import hanson_koopmans_confidence, hanson_koopmans_factor, hanson_koopmans_rank
from lowtail.models.many import confidence_many, low_many
from lowtail.models.nonparametric import order_statistic_rank

__all__ = ["CautiousBound", "cautious_bound", "cautious_confidence", "cautious_many", "lower_part"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class CautiousBound:
    """The bound in the unit of the loads, and the way it was obtained.

    ``method`` is "order statistic", "Hanson-Koopmans" or "lower part, Weibull"; ``rank`` the order statistic used, or
    the number of breaks in the lower part.
    """

    low: float
    method: str
    rank: int


def lower_part(load: Array, broke: Flags) -> tuple[Array, Flags, int]:
    """The lower part of a sample: what lies above its r-th smallest break counts as held there.

    r is a third of the specimens, at least 3.

    Raises
    ------
    NoAnswerError
        If fewer than r specimens broke.
    """
    r = max(3, -(-load.size // 3))
    breaks = np.sort(load[broke])
    if breaks.size < r:
        raise NoAnswerError(f"the lower part needs {r} breaks of {load.size} specimens, got {breaks.size}")
    cut = breaks[r - 1]
    return np.minimum(load, cut), broke & (load <= cut), r


def _plan(n: int, p: float, g: float) -> tuple[str, int, float]:
    """Method, rank and factor that n, the fraction and the confidence alone decide on."""
    rank = order_statistic_rank(n, p, g)
    if rank:
        return "order statistic", rank, 1.0
    if n < 2:
        raise NoAnswerError("a bound that assumes little needs at least 2 specimens, got 1")
    rank = hanson_koopmans_rank(n, p, g)
    return "Hanson-Koopmans", rank, hanson_koopmans_factor(n, p, g, rank)


def _ordered(load: Array, broke: Flags) -> tuple[Array, Flags]:
    order = np.lexsort((~broke, load))  # at equal load the break comes first
    return load[order], broke[order]


def cautious_bound(load: Array, broke: Flags, fraction_below: float, confidence: float) -> CautiousBound:
    """The cautious bound of one sample.

    Parameters
    ----------
    load : (n,) array
        Loads greater than 0, at break or held.
    broke : (n,) array of bool
    fraction_below, confidence : float
        Between 0 and 1.

    Raises
    ------
    NoAnswerError
        If neither way gives a bound; the message says what is missing.

    References
    ----------
    Hanson and Koopmans (1964), Ann. Math. Statist. 35:1561-1570; Wilks (1941), Ann. Math. Statist. 12:91-96 (both from
    memory).

    Examples
    --------
    >>> loads = np.array([24.1, 25.3, 22.8, 26.0, 23.9, 25.1, 24.4, 23.2, 25.8, 24.7])
    >>> bound = cautious_bound(loads, loads > 0, 0.10, 0.95)
    >>> bound.method, round(bound.low, 2)
    ('Hanson-Koopmans', 20.82)
    """
    method, rank, factor = _plan(load.size, fraction_below, confidence)
    values, flags = _ordered(load, broke)
    if method == "order statistic":
        return CautiousBound(float(values[rank - 1]), method, rank)
    if factor <= 1:
        return CautiousBound(float(values[0]), method, rank)
    first, last = values[0], values[rank - 1]
    if flags[:rank].all() and last > first:
        return CautiousBound(float(last * (first / last) ** factor), method, rank)
    cut, kept, r = lower_part(load, broke)
    low = float(low_many(cut[None], kept[None], WEIBULL, fraction_below, confidence)[0])
    if not np.isfinite(low):
        raise NoAnswerError(f"the {r} weakest breaks all lie at one load, so that their scatter cannot be estimated")
    return CautiousBound(low, "lower part, Weibull", r)


def cautious_confidence(load: Array, broke: Flags, strength: float, fraction_below: float, confidence: float) -> float:
    """Confidence at which the cautious bound planned for ``confidence`` (its ranks fixed) reaches a strength.

    It reaches ``confidence`` exactly where the bound reaches the strength.

    Raises
    ------
    NoAnswerError
        As `cautious_bound`.
    """
    n = load.size
    bound = cautious_bound(load, broke, fraction_below, confidence)
    values, _ = _ordered(load, broke)
    if bound.method == "order statistic":
        return _order_confidence(values, strength, fraction_below)
    if bound.method == "lower part, Weibull":
        cut, kept, _ = lower_part(load, broke)
        return float(confidence_many(cut[None], kept[None], WEIBULL, strength, fraction_below)[0])
    first, last = values[0], values[bound.rank - 1]
    factor = np.log(last / strength) / np.log(last / first) if last > first else 1.0
    if factor < 1:  # above the lowest load only an order statistic could speak
        return _order_confidence(values, strength, fraction_below)
    return hanson_koopmans_confidence(n, fraction_below, bound.rank, float(factor))


def _order_confidence(values: Array, strength: float, fraction_below: float) -> float:
    """Confidence of the lowest order statistic that reaches a strength; 0 where none does."""
    reached = np.flatnonzero(values >= strength)
    if not reached.size:
        return 0.0
    rank = int(reached[0]) + 1
    return float(special.betainc(rank, values.size - rank + 1, fraction_below))


def cautious_many(load: Array, broke: Flags | None, fraction_below: float, confidence: float) -> Array:
    """The cautious bound of many samples of one size, (B, n) arrays; NaN where there is none."""
    size, n = load.shape
    flags = np.ones(load.shape, dtype=bool) if broke is None else broke
    try:
        method, rank, factor = _plan(n, fraction_below, confidence)
    except NoAnswerError:
        return np.full(size, np.nan)
    order = np.lexsort((~flags, load), axis=1)
    values = np.take_along_axis(load, order, axis=1)
    first, last = values[:, 0], values[:, rank - 1]
    if method == "order statistic":
        return np.asarray(last)
    if factor <= 1:
        return np.asarray(first)
    low = last * (first / last) ** factor
    plain = np.take_along_axis(flags, order, axis=1)[:, :rank].all(axis=1) & (last > first)
    rest = np.flatnonzero(~plain)
    low[rest] = np.nan
    if rest.size:
        r = max(3, -(-n // 3))
        breaks = np.sort(np.where(flags[rest], load[rest], np.inf), axis=1)[:, r - 1 : r]
        able = np.isfinite(breaks[:, 0]) if breaks.shape[1] else np.zeros(rest.size, dtype=bool)
        rows, cut = rest[able], breaks[able]
        if rows.size:
            kept = flags[rows] & (load[rows] <= cut)
            low[rows] = low_many(np.minimum(load[rows], cut), kept, WEIBULL, fraction_below, confidence)
    return np.asarray(low)
