"""Fast confidence for the many series a plan imagines, and the pivot of the Weibull bound.

`weibull_confidence` answers the question of `confidence_many` on a coarser grid (error of a confidence about 0.001,
far below the Monte-Carlo error of a plan). `WeibullPivot` holds standard samples: on the log scale a Weibull bound is
location + spread * pivot, and the pivot's distribution depends only on n, content and confidence, so that one set of
samples serves every mean, scatter and claim. Given the configuration of a sample (its loads up to location and spread)
the distribution of its location and spread is known exactly; each standard sample then contributes a probability, not a
yes or no.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lowtail.models.confidence.scale_grid import spread_grid
from lowtail.models.confidence.upper_gamma import upper_gamma, upper_gamma_density

__all__ = ["WeibullPivot", "weibull_bound", "weibull_confidence", "weibull_pivot"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_WIDE = 2**22  # array elements of a block of series


def weibull_confidence(y: Array, broke: Flags | None, claim: Array | float, fraction_below: float) -> Array:
    """Confidence that the percentile is at least ``claim``, for a batch of log loads (coarse grid).

    Parameters
    ----------
    y : (B, n) array
        Log loads, no padding.
    broke : (B, n) array of bool, or None
        None: every load is a break.
    claim : float or (B,) array
        Log of the strength claimed.
    fraction_below : float
        Between 0 and 1.

    Returns
    -------
    (B,) array
        0 where fewer than 2 different loads at break leave no bound.
    """
    fail = np.ones(y.shape, dtype=bool) if broke is None else broke
    r = fail.sum(axis=1).astype(float)
    top = y.max(axis=1)
    v = y - top[:, None]
    lowest = np.where(fail, v, np.inf).min(axis=1)
    highest = np.where(fail, v, -np.inf).max(axis=1)
    out = np.zeros(y.shape[0])
    asked = np.broadcast_to(np.asarray(claim, dtype=float), out.shape) - top
    log_hazard = np.log(-np.log1p(-fraction_below))
    usable = (r >= 2) & (lowest < highest)
    for breaks in np.unique(r[usable]):
        every = np.flatnonzero(usable & (r == breaks))
        for rows in np.array_split(every, _blocks(every.size, 2000, y.shape[1])):
            shape, weight, log_total = spread_grid(v[rows], fail[rows], r[rows])
            log_x = log_hazard + log_total - shape * asked[rows, None]
            out[rows] = 1 - (weight * upper_gamma(int(breaks), log_x)).sum(axis=1)
    return out


def _blocks(rows: int, most: int, width: int) -> int:
    """Number of blocks of up to about ``most`` rows, fewer where rows are wide."""
    return max(1, rows // min(most, max(1, _WIDE // width)))


def weibull_bound(y: Array, broke: Flags | None, fraction_below: float, level: float) -> Array:
    """Lower bound of the percentile for a batch of log loads; NaN without a bound. Parameters as above."""
    fail = np.ones(y.shape, dtype=bool) if broke is None else broke
    r = fail.sum(axis=1)
    top = y.max(axis=1)
    v = y - top[:, None]
    usable = (r >= 2) & (np.where(fail, v, np.inf).min(axis=1) < np.where(fail, v, -np.inf).max(axis=1))
    out = np.full(r.size, np.nan)
    for breaks in np.unique(r[usable]):
        every = np.flatnonzero(usable & (r == breaks))
        for rows in np.array_split(every, _blocks(every.size, 1000, y.shape[1])):
            pivot = WeibullPivot(int(breaks), *spread_grid(v[rows], fail[rows], r[rows].astype(float)))
            out[rows] = top[rows] + pivot.bound(fraction_below, level, 1e-5)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class WeibullPivot:
    """Standard samples of ``n`` specimens, each with nodes of its spread.

    Attributes
    ----------
    n : int
        Specimens in each standard sample, all broken (with survivors: breaks).
    shape, weight : (B, J) arrays
        Nodes of the shape relative to the configuration, with weights that sum to 1 in each row.
    log_total : (B, J) array
        Logarithm of the sum of ``exp(shape * configuration)``.
    """

    n: int
    shape: Array
    weight: Array
    log_total: Array

    def bound(self, fraction_below: float, confidence: float, close: float = 1e-8) -> Array:
        """Lower bound of the percentile for each configuration, on the axis of the configuration, shape (B,)."""
        log_hazard = np.log(-np.log1p(-fraction_below))
        odds = np.log1p(-confidence) - np.log(confidence)
        spread = 1 / (self.weight * self.shape).sum(axis=1)
        q = (log_hazard - 1.5 / np.sqrt(self.n) + (self.weight * self.log_total).sum(axis=1) - np.log(self.n)) * spread
        low, high = np.full(q.size, -np.inf), np.full(q.size, np.inf)
        stride = spread.copy()
        for _ in range(80):
            below, slope = upper_gamma_density(self.n, log_hazard + self.log_total - self.shape * q[:, None])
            below, slope = (self.weight * below).sum(axis=1), (self.weight * self.shape * slope).sum(axis=1)
            with np.errstate(all="ignore"):
                gap = np.log(below) - np.log1p(-below) - odds
                new = q - gap * below * (1 - below) / slope
            high, low = np.where(gap > 0, q, high), np.where(gap > 0, low, q)
            inside = np.isfinite(new) & (new > low) & (new < high)
            wide = np.where(gap > 0, q - stride, q + stride)
            both = np.isfinite(low) & np.isfinite(high)
            half = np.where(both, (np.where(both, low, 0.0) + np.where(both, high, 0.0)) / 2, wide)
            stride = np.where(inside, stride, 2 * stride)
            new = np.where(inside, new, half)
            if np.all(np.abs(new - q) < close * (spread + np.abs(q))):
                break
            q = new
        return np.asarray(q)

    def chance(self, claim: float, bound: Array) -> tuple[float, float]:
        """Chance that the bound reaches ``claim`` = (ln strength - true location) / true spread, and its error."""
        log_x = self.log_total + claim - self.shape * bound[:, None]
        return _mean((self.weight * upper_gamma(self.n, log_x)).sum(axis=1))

    def chance_width(self, width: Array, limit: float) -> tuple[float, float]:
        """Chance that ``width`` (on the axis of the configuration) times the true spread is at most ``limit``."""
        edge = np.log(limit / width)
        t = np.log(self.shape)
        step = t[:, 1] - t[:, 0]
        upto = np.cumsum(self.weight, axis=1) - self.weight / 2
        place = np.clip((edge - t[:, 0]) / step, 0, t.shape[1] - 1.000001)
        left = place.astype(int)
        rows = np.arange(t.shape[0])
        part = place - left
        each = upto[rows, left] * (1 - part) + upto[rows, left + 1] * part
        return _mean(np.where(edge < t[:, 0], 0.0, np.where(edge > t[:, -1], 1.0, each)))


def _mean(each: Array) -> tuple[float, float]:
    return float(each.mean()), float(each.std(ddof=1) / np.sqrt(each.size))


@lru_cache(maxsize=512)
def weibull_pivot(n: int, seed: int) -> WeibullPivot:
    """Prepare standard samples of ``n`` Weibull strengths: 800 up to n = 20, fewer above, where each one tells more."""
    size = int(np.clip(16_000 // n, 200, 800))
    draw = np.random.default_rng(np.random.SeedSequence([seed, 77])).standard_exponential((n, 800))[:, :size]
    z = np.log(draw.T)
    v = z - z.max(axis=1, keepdims=True)
    shape, weight, log_total = spread_grid(v, np.ones(v.shape, dtype=bool), np.full(size, float(n)))
    return WeibullPivot(n, shape, weight, log_total)
