"""The cautious bound: right for nearly every distribution, at the price of a lower number.

From the fraction, the confidence and n alone (never from the loads) it is an order statistic where n carries one, else
the Hanson-Koopmans bound x_r (x_1 / x_r)^z, which holds for every distribution whose distribution function is
log-concave in ln load.

With survivors: specimens that held below the lowest break are left out and n counts the rest, since what stopped them
says nothing of the others (held for reasons unrelated to their own strength). Of those that held above it only that is
known: x_1 is the lowest break, and x_r at most the r-th smallest break, which takes its place; the bound falls as x_r
rises (z > 1). Where fewer than r broke, their number takes the place of r. Both choices look at the data: coverage is
studied, not proved, in ``tests/truth/wrong_distribution_held.csv``, that of the worst distribution among them.

Breaks between two loads: the lowest bound over the places at which they can have broken (`placements`). Their lower
ends alone would not do, since the Hanson-Koopmans bound rises as x_r falls.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.errors import NoAnswerError
from lowtail.models.bounds.hanson_koopmans import (
    hanson_koopmans_confidence,
    hanson_koopmans_factor,
    hanson_koopmans_rank,
)
from lowtail.models.bounds.nonparametric import order_statistic_rank
from lowtail.models.distributions.between_law import placements

__all__ = [
    "CautiousBound",
    "cautious_bound",
    "cautious_confidence",
    "cautious_many",
    "placed_bound",
    "placed_confidence",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class CautiousBound:
    """The bound in the unit of the loads, and the way it was obtained.

    ``method`` is "order statistic" or "Hanson-Koopmans"; ``rank`` the order statistic used, for Hanson-Koopmans counted
    among the breaks; ``left_out`` the specimens that held below the lowest break.
    """

    low: float
    method: str
    rank: int
    left_out: int = 0


def _counted(load: Array, broke: Flags) -> Array:
    """Loads in rising order without those held below the lowest break."""
    lowest = load[broke].min() if broke.any() else 0.0
    return np.sort(load[broke | (load >= lowest)])


def _plan(n: int, p: float, g: float) -> tuple[str, int]:
    """Method and rank that n, the fraction and the confidence alone decide on."""
    rank = order_statistic_rank(n, p, g)
    if rank:
        return "order statistic", rank
    if n < 2:
        raise NoAnswerError("it needs at least 2 specimens that broke, or held at the lowest break or above, got 1")
    return "Hanson-Koopmans", hanson_koopmans_rank(n, p, g)


def _pair(load: Array, broke: Flags, rank: int) -> tuple[float, float, int]:
    """The lowest and the r-th smallest break, and r: the rank planned, or the number of breaks where that is less."""
    breaks = np.sort(load[broke])
    r = min(rank, breaks.size)
    if r < 2:
        raise NoAnswerError(f"it needs at least 2 breaks, got {breaks.size} of {load.size} specimens")
    if breaks[r - 1] <= breaks[0]:
        raise NoAnswerError(f"the {r} weakest breaks all lie at one load, so that their scatter cannot be estimated")
    return float(breaks[0]), float(breaks[r - 1]), r


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
        If fewer than 2 broke, or the weakest breaks are tied, where n is too small for an order statistic.

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
    kept = _counted(load, broke)
    method, rank = _plan(kept.size, fraction_below, confidence)
    if method == "order statistic":
        return CautiousBound(float(kept[rank - 1]), method, rank, load.size - kept.size)
    first, last, rank = _pair(load, broke, rank)
    factor = hanson_koopmans_factor(kept.size, fraction_below, confidence, rank)
    return CautiousBound(float(last * (first / last) ** factor), method, rank, load.size - kept.size)


def cautious_confidence(load: Array, broke: Flags, strength: float, fraction_below: float, confidence: float) -> float:
    """Confidence at which the cautious bound planned for ``confidence`` (its ranks fixed) reaches a strength.

    It reaches ``confidence`` exactly where the bound reaches the strength.

    Raises
    ------
    NoAnswerError
        As `cautious_bound`.
    """
    kept = _counted(load, broke)
    method, rank = _plan(kept.size, fraction_below, confidence)
    if method == "order statistic":
        return _order_confidence(kept, strength, fraction_below)
    first, last, rank = _pair(load, broke, rank)
    if strength > first:  # above the lowest break only an order statistic could speak
        return _order_confidence(kept, strength, fraction_below)
    factor = float(np.log(last / strength) / np.log(last / first))
    return hanson_koopmans_confidence(kept.size, fraction_below, rank, max(factor, 1.0))


def placed_bound(low: Array, up: Array, fraction_below: float, confidence: float) -> CautiousBound:
    """The lowest cautious bound where each strength lies from ``low`` to ``up`` (n,): infinite ``up`` where it held."""
    found = _placed(low, up, lambda load, broke: cautious_bound(load, broke, fraction_below, confidence))
    return min(found, key=lambda bound: bound.low)


def placed_confidence(low: Array, up: Array, strength: float, fraction_below: float, confidence: float) -> float:
    """The inverse of `placed_bound`, as `cautious_confidence`: the lowest over the places of the breaks."""
    return min(
        _placed(low, up, lambda load, broke: cautious_confidence(load, broke, strength, fraction_below, confidence))
    )


def _placed(low: Array, up: Array, make: Callable[[Array, Flags], T]) -> list[T]:
    """What each placement gives; those tied at the weakest breaks give a bound no lower than others, or none."""
    if not (np.isfinite(up) & (up > low)).any():
        return [make(low, np.isfinite(up))]
    found, refusal = [], None
    for load, broke in zip(*placements(low, up), strict=True):
        try:
            found.append(make(load, broke))
        except NoAnswerError as reason:
            refusal = reason
    if refusal is not None and not found:
        raise refusal
    return found


def _order_confidence(load: Array, strength: float, fraction_below: float) -> float:
    """Confidence of the lowest order statistic that reaches a strength; 0 where none does."""
    rank = int((load < strength).sum()) + 1
    if rank > load.size:
        return 0.0
    return float(special.betainc(rank, load.size - rank + 1, fraction_below))


def cautious_many(load: Array, broke: Flags | None, fraction_below: float, confidence: float) -> Array:
    """The cautious bound of many samples of one size, (B, n) arrays; NaN where there is none."""
    flags = np.ones(load.shape, dtype=bool) if broke is None else broke
    breaks = np.sort(np.where(flags, load, np.inf), axis=1)
    keep = flags | (load >= np.where(flags.any(axis=1), breaks[:, 0], 0.0)[:, None])
    kept = np.sort(np.where(keep, load, np.inf), axis=1)
    counts, broken = keep.sum(axis=1), flags.sum(axis=1)
    out = np.full(len(load), np.nan)
    for n in np.unique(counts[counts >= 1]):
        try:
            method, planned = _plan(int(n), fraction_below, confidence)
        except NoAnswerError:
            continue
        rows = np.flatnonzero(counts == n)
        if method == "order statistic":
            out[rows] = kept[rows, planned - 1]
            continue
        ranks = np.minimum(planned, broken[rows])
        for r in np.unique(ranks[ranks >= 2]):
            part = rows[ranks == r]
            part = part[breaks[part, r - 1] > breaks[part, 0]]
            factor = hanson_koopmans_factor(int(n), fraction_below, confidence, int(r))
            out[part] = breaks[part, r - 1] * (breaks[part, 0] / breaks[part, r - 1]) ** factor
    return out
