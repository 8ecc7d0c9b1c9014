"""The weaker kind that a sample may have missed: how large a share, and the bound if it is there.

All tested pieces are taken to be of the main, Weibull kind; a share ``e`` of the population is weaker by the fraction
``d`` (its strength is the main kind's times 1 - d). Given the shape k of the main kind the percentile of the mixture
lies where the main kind has the cumulative hazard lambda(k) that solves

    (1 - e) (1 - exp(-lambda)) + e (1 - exp(-lambda (1 - d)^-k)) = p,

so that the confidence distribution of the percentile is that of the main kind with ln lambda(k) in place of
ln(-ln(1 - p)). With specimens held it is, like that of the main kind, not calibrated for early holds (`early_holds`).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lowtail.models.confidence.quadrature import FINE, QUICK
from lowtail.models.confidence.search import build, solve
from lowtail.models.distributions.families import WEIBULL
from lowtail.models.distributions.likelihood import Scaled, prepare

__all__ = ["counted", "log_hazard", "missed_share", "mixture_low", "mixture_many"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_HALVINGS = 80
_BLOCK = 3_000  # specimens in a block of samples: its grids fit a core's cache


def missed_share(n: int, confidence: float = 0.95) -> float:
    """Largest share of a population that n specimens may have missed altogether, at this confidence.

    The exact one-sided limit with none seen: 1 - (1 - confidence)^(1 / n) (Clopper and Pearson 1934, from memory).

    Examples
    --------
    >>> [round(100 * missed_share(n), 1) for n in (5, 8, 10, 15, 30)]
    [45.1, 31.2, 25.9, 18.1, 9.5]
    """
    return float(-np.expm1(np.log1p(-confidence) / n))


def counted(load: Array, broke: Flags) -> Flags:
    """Specimens that would have shown a weaker kind: they broke, or held at the median break or above.

    What held at a lower load could be of the weaker kind and not have shown it. Where none broke all count: each kind
    is then known to hold its load.

    Examples
    --------
    >>> counted(np.array([20.0, 22.0, 24.0, 21.0, 24.5]), np.array([True, True, True, False, False]))
    array([ True,  True,  True, False,  True])
    """
    if not broke.any():
        return np.ones(load.shape, dtype=bool)
    return np.asarray(broke | (load >= np.median(load[broke])))


def log_hazard(k: Array, fraction_below: float, share: float, weaker: float) -> Array:
    """Ln of the main kind's cumulative hazard at the mixture's percentile, for each shape; by halving."""
    plain = np.log(-np.log1p(-fraction_below))
    stretch = -k * np.log1p(-weaker)  # ln((1 - d)^-k), at least 0
    low, high = plain - stretch, np.full_like(stretch, plain)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        with np.errstate(over="ignore"):
            below = -(1 - share) * np.expm1(-np.exp(middle)) - share * np.expm1(-np.exp(middle + stretch))
        over = below > fraction_below
        high, low = np.where(over, middle, high), np.where(over, low, middle)
    return np.asarray(0.5 * (low + high))


def mixture_low(
    load: Array, broke: Flags, fraction_below: float, confidence: float, share: float, weaker: float
) -> float:
    """Lower bound of the percentile of the population if a share of it is weaker and none of that was tested.

    Parameters
    ----------
    load : (n,) array
        Loads greater than 0.
    broke : (n,) array of bool
        False: held. The sample must carry a Weibull bound.
    fraction_below, confidence : float
        Between 0 and 1.
    share, weaker : float
        Share of the weaker kind and how much weaker it is, 0 to below 1.
    """
    sample = prepare(load[None], broke[None], WEIBULL)
    return float(_solved(sample, fraction_below, confidence, share, weaker, FINE)[0])


def mixture_many(
    load: Array, broke: Flags | None, fraction_below: float, confidence: float, share: float, weaker: float
) -> Array:
    """`mixture_low` of many samples of one size, (B, n) arrays; NaN where a sample carries no Weibull bound."""
    sample = prepare(load, broke, WEIBULL)
    able = sample.distinct & ~sample.bad
    out = np.full(able.size, np.nan)
    for r in np.unique(sample.r[able]):  # a grid takes samples with as many breaks
        rows = np.flatnonzero(able & (sample.r == r))
        for part in np.array_split(rows, -(-rows.size * sample.z.shape[1] // _BLOCK)):
            out[part] = _solved(sample.rows(part), fraction_below, confidence, share, weaker, QUICK)
    return out


def _solved(s: Scaled, p: float, g: float, share: float, weaker: float, grid: tuple[float, float]) -> Array:
    nodes = build(WEIBULL, (s,), abs(float(WEIBULL.quantile(p))) + 2.0, 1 - g, grid=grid)
    w: Any = log_hazard(nodes.k / s.scale[:, None], p, share, weaker)
    return np.asarray(WEIBULL.inverse(s.centre + s.scale * solve(nodes, w, 1 - g)))
