"""Draws from the Weibull confidence distributions of many series at once."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.stats import qmc

from lowtail.models.confidence.scale_grid import spread_grid
from lowtail.models.confidence.upper_gamma import upper_gamma

__all__ = ["Drawn", "points"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_DRAWS = 128  # of the spreads and one location; the other location is summed in closed form


@lru_cache(maxsize=1)
def _points() -> Array:
    """Low-discrepancy points in three dimensions."""
    return np.asarray(qmc.Sobol(3, rng=np.random.default_rng(20_240)).random(_DRAWS))


def points(size: int) -> Array:
    """Points for ``size`` series, shape (3, size, J): spread and location of the reference, spread of the other.

    The same points, turned by another amount for every series, so that their small errors do not add up.
    """
    turn = np.random.default_rng(size).random((3, size, 1))
    return np.asarray((_points().T[:, None, :] + turn) % 1.0)


@lru_cache(maxsize=256)
def _log_gamma_table(breaks: int) -> tuple[Array, Array]:
    """Logarithms of gamma quantiles on a fine grid of log odds."""
    odds = np.linspace(-16.0, 16.0, 1601)
    return odds, np.log(special.gammaincinv(breaks, special.expit(odds)))


def _log_gamma(breaks: int, u: Array) -> Array:
    return np.asarray(np.interp(special.logit(u), *_log_gamma_table(breaks)))


class Drawn:
    """Weibull confidence distributions of one arm of many series: draws of 1 / spread, with what the location needs.

    ``k`` and ``log_total`` have shape (B, J), ``r`` and ``top`` (B,); rows without a distribution hold NaN.
    """

    def __init__(self, y: Array, broke: Flags | None, u: Array) -> None:
        fail = np.ones(y.shape, dtype=bool) if broke is None else broke
        self.r = fail.sum(axis=1)
        self.top = y.max(axis=1)
        v = y - self.top[:, None]
        low, high = np.where(fail, v, np.inf).min(axis=1), np.where(fail, v, -np.inf).max(axis=1)
        self.known = (self.r >= 2) & (low < high)
        self.k = np.full(u.shape, np.nan)
        self.log_total = np.full(u.shape, np.nan)
        for rows in self.by_breaks().values():
            shape, weight, log_total = spread_grid(v[rows], fail[rows], self.r[rows].astype(float))
            place = _inverse(weight, u[rows])
            left = place.astype(int)
            part = place - left
            index = np.arange(rows.size)[:, None]
            t = np.log(shape[:, :2])
            self.k[rows] = np.exp(t[:, :1] + (t[:, 1:] - t[:, :1]) * place)
            self.log_total[rows] = log_total[index, left] * (1 - part) + log_total[index, left + 1] * part

    def by_breaks(self) -> dict[int, NDArray[np.intp]]:
        """Rows with a distribution, by their number of breaks."""
        return {int(r): np.flatnonzero(self.known & (self.r == r)) for r in np.unique(self.r[self.known])}

    def percentile(self, log_hazard: float, u: Array) -> Array:
        """Draws of the percentile (log load), shape (B, J), from points ``u`` of the location."""
        out = np.full(self.k.shape, np.nan)
        for r, rows in self.by_breaks().items():
            out[rows] = (
                self.top[rows, None] + (log_hazard + self.log_total[rows] - _log_gamma(r, u[rows])) / self.k[rows]
            )
        return out

    def above(self, value: Array, log_hazard: float) -> Array:
        """Confidence that the percentile exceeds ``value`` (B, J), mean over the draws; NaN without a distribution."""
        out = np.full(self.r.shape, np.nan)
        for r, rows in self.by_breaks().items():
            log_x = log_hazard + self.log_total[rows] - self.k[rows] * (value[rows] - self.top[rows, None])
            tail = upper_gamma(r, np.nan_to_num(log_x, nan=0.0))
            out[rows] = np.where(np.isnan(log_x), np.nan, 1 - tail).mean(axis=1)
        return out


def _inverse(weight: Array, u: Array) -> Array:
    """Place on the grid (0 to J - 1, fractional) at which each row's distribution reaches ``u``, by linear parts."""
    upto = np.cumsum(weight[:, 1:] + weight[:, :-1], axis=1)
    upto = np.concatenate([np.zeros((weight.shape[0], 1)), upto], axis=1) / upto[:, -1:]
    flat = upto + np.arange(weight.shape[0])[:, None]  # rows one after the other, so that one search does for all
    wanted = (u * (1 - 1e-12) + np.arange(weight.shape[0])[:, None]).ravel()
    found = np.searchsorted(flat.ravel(), wanted, side="right") - 1
    row = np.repeat(np.arange(weight.shape[0]), u.shape[1])
    left = np.clip(found - row * weight.shape[1], 0, weight.shape[1] - 2)
    below, above = upto[row, left], upto[row, left + 1]
    part = np.clip((wanted - row - below) / np.maximum(above - below, 1e-300), 0.0, 1.0)
    return np.asarray((left + np.minimum(part, 1 - 1e-9)).reshape(u.shape))
