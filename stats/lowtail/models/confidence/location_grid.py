"""Confidence that one normal location lies above another, for many pairs of small series with survivors at once.

The confidence distribution of each location is that of `lowtail.models.confidence.distribution` (weight d location d
spread / spread), summed on a grid of locations and of spreads given the location: for simulation, where the answer is a
share of rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.models.confidence.quadrature import check_cover

__all__ = ["location_above"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Series = tuple[Array, Flags | None]

_COARSE, _PLACES, _SPREADS, _PIECE = 20, 44, 16, 400
_TAIL = 2e-4  # of Student's t left beyond the grid of locations
_EDGE = 1e-2  # weight at an end of a grid, over the highest: good to about 0.002 of a confidence
_HEAVIEST = 0.6


def location_above(reference: Series, other: Series, edge: float) -> Array:
    """Confidence that the location of the other series exceeds the reference's by more than ``edge``.

    Parameters
    ----------
    reference, other : (y, broke)
        Values (B, n), and which broke (None: all). Rows need 2 different values at break.
    edge : float
        Difference asked about.
    """
    first, second = (
        _Locations.of(y, np.ones(y.shape, dtype=bool) if broke is None else broke) for y, broke in (reference, other)
    )
    return np.asarray(1 - (first.mass * second.below(first.at + edge)).sum(axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class _Locations:
    """Confidence distributions of B locations on grids (B, places), evenly spaced in asinh((at - mean) / s)."""

    at: Array
    mass: Array
    mean: Array
    s: Array
    start: Array
    step: Array

    @classmethod
    def of(cls, y: Array, broke: Flags) -> _Locations:
        """Rows by their number of survivors, so that none pays for another's."""
        held = (~broke).sum(axis=1)
        order = np.argsort(held, kind="stable")
        parts = [_rows(y[rows], broke[rows]) for rows in np.array_split(order, max(1, order.size // _PIECE))]
        back = np.argsort(order)
        return cls(*(np.concatenate(values)[back] for values in zip(*parts, strict=True)))

    def below(self, value: Array) -> Array:
        """Confidence that each location lies below ``value`` (B, m)."""
        u = np.arcsinh((value - self.mean[:, None]) / self.s[:, None])
        place = np.clip((u - self.start[:, None]) / self.step[:, None], 0.0, _PLACES - 1.0)
        left = np.minimum(place.astype(np.intp), _PLACES - 2)
        total = np.cumsum(self.mass, axis=1) - self.mass / 2 - np.gradient(self.mass, axis=1) / 12  # Euler, Maclaurin
        (low, high), (rise, fall) = (
            [np.take_along_axis(table, left + i, axis=1) for i in (0, 1)] for table in (total, self.mass)
        )
        d, gain = place - left, high - low
        bent = (rise - gain) * (1 - d) - (fall - gain) * d  # Hermite's cubic: the mass is the slope of the total
        return np.asarray(np.clip(low + d * (gain + (1 - d) * bent), 0.0, 1.0))


def _rows(y: Array, broke: Flags) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Fields of `_Locations` for some rows."""
    r = broke.sum(axis=1).astype(float)
    mean = np.where(broke, y, 0.0).sum(axis=1) / r
    s = np.sqrt(np.where(broke, (y - mean[:, None]) ** 2, 0.0).sum(axis=1) / r)
    gap = np.where(broke, -np.inf, (y - mean[:, None]) / s[:, None])  # -inf: no limit for this specimen
    gap = -np.sort(-gap, axis=1)[:, : int((~broke).sum(axis=1).max(initial=0))]
    far = -special.stdtrit(r - 1, _TAIL) / np.sqrt(r - 1)
    held = (y.shape[1] - r) / r
    beyond = np.maximum(gap, 0.0).max(axis=1, initial=0.0)
    low = -np.arcsinh(far + 200 * beyond)
    high = np.arcsinh(far * (1 + held) + beyond) + 10.0 * np.sign(held) / (r - 1)
    rough = _mass(low, high, _COARSE, r, gap)
    inside = rough > 1e-4 * rough.max(axis=1, keepdims=True)
    step = (high - low) / (_COARSE - 1)
    first, last = inside.argmax(axis=1), _COARSE - 1 - inside[:, ::-1].argmax(axis=1)
    low, high = low + step * np.maximum(first - 1, 0), low + step * np.minimum(last + 1, _COARSE - 1)
    mass = _mass(low, high, _PLACES, r, gap)
    check_cover(mass, "Location of simulated series", edge=_EDGE, heaviest=_HEAVIEST)
    step = (high - low) / (_PLACES - 1)
    at = mean[:, None] + s[:, None] * np.sinh(low[:, None] + step[:, None] * np.arange(_PLACES))
    return at, mass / mass.sum(axis=1, keepdims=True), mean, s, low, step


def _mass(low: Array, high: Array, places: int, r: Array, gap: Array) -> Array:
    """Weights of the locations at arcsinh((at - mean) / s) from ``low`` to ``high`` (B,), shape (B, places)."""
    u = np.linspace(low, high, places, axis=1)
    x = np.sinh(u)
    root = np.sqrt(1 + x * x)
    away = [(gap[:, column, None] - x) / root for column in range(gap.shape[1])]  # -inf: no limit
    n = r[:, None]
    middle = np.zeros_like(u) - 0.5 * np.log1p(
        sum(np.maximum(d, 0.0) ** 2 for d in away) / n
    )  # mode of ln k given the location, nearly
    for _ in range(2):
        k = np.exp(middle)
        slope, bend = n * (1 - k * k), 2 * n * k * k
        for d in away:
            z = np.maximum(k * d, -9.0)  # a limit far below the location says nothing
            m = np.exp(-0.5 * z * z - special.log_ndtr(-z)) / np.sqrt(2 * np.pi)
            slope -= z * m
            bend += np.maximum(z * m * (1 + z * (m - z)), 0.0)
        middle += np.clip(slope / bend, -1.0, 1.0)
    sd = 1 / np.sqrt(bend)
    t = middle[:, :, None] + np.linspace(-(9.0 / n + 3.0 * sd), 3.7 * sd, _SPREADS, axis=2)
    k = np.exp(t)
    log_density = n[:, :, None] * t - n[:, :, None] / 2 * (k * k - 1)
    density = np.exp(log_density)
    for d in away:
        density *= special.ndtr(-k * d[:, :, None])
    step = (9.0 / n + 6.7 * sd) / (_SPREADS - 1)
    return np.asarray(density.sum(axis=2) * step * np.exp(-n / 2 * np.log1p(x * x)) * np.cosh(u))
