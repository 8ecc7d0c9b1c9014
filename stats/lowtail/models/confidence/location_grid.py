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

__all__ = ["location_above"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Series = tuple[Array, Flags | None]

_PLACES, _SPREADS, _PIECE = 48, 16, 400
_TAIL = 2e-4  # of Student's t left beyond the grid of locations


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
        total = np.cumsum(self.mass, axis=1) - self.mass / 2  # half of a cell's mass lies below its middle
        low, high = (np.take_along_axis(total, left + i, axis=1) for i in (0, 1))
        return np.asarray(low + (place - left) * (high - low))


def _rows(y: Array, broke: Flags) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Fields of `_Locations` for some rows."""
    r = broke.sum(axis=1).astype(float)
    mean = np.where(broke, y, 0.0).sum(axis=1) / r
    s = np.sqrt(np.where(broke, (y - mean[:, None]) ** 2, 0.0).sum(axis=1) / r)
    gap = np.where(broke, -np.inf, (y - mean[:, None]) / s[:, None])  # -inf: no limit for this specimen
    gap = -np.sort(-gap, axis=1)[:, : int((~broke).sum(axis=1).max(initial=0))]
    far = -special.stdtrit(r - 1, _TAIL) / np.sqrt(r - 1)
    held = (y.shape[1] - r) / r
    start = -np.arcsinh(far)
    step = (np.arcsinh(far * (1 + held) + np.maximum(gap, 0.0).max(axis=1, initial=0.0)) - start) / (_PLACES - 1)
    u = start[:, None] + step[:, None] * np.arange(_PLACES)
    x = np.sinh(u)
    t = np.linspace(-10.0 / r, 0.35 + 1.8 / np.sqrt(2 * r), _SPREADS, axis=1)
    density = np.exp(r[:, None] * t - r[:, None] / 2 * np.expm1(2 * t))[:, None, :]
    k = np.exp(t)[:, None, :] / np.sqrt(1 + x * x)[:, :, None]
    for column in range(gap.shape[1]):
        density = density * special.ndtr(k * (x - gap[:, column, None])[:, :, None])
    mass = density.sum(axis=2) * np.exp(-r[:, None] / 2 * np.log1p(x * x)) * np.cosh(u)
    return mean[:, None] + s[:, None] * x, mass / mass.sum(axis=1, keepdims=True), mean, s, start, step
