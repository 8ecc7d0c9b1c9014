"""Breaks known only to lie between two loads: the data on the scaled axis, and their likelihood.

A break between ``low`` and ``up`` adds ``log(F(up) - F(low))`` to the log-likelihood, an exact break the density, a
specimen that held the share above its load. Given the spread the log-likelihood is concave in the location, for every
family here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from lowtail.models.distributions.families import Family

__all__ = ["Between", "between", "log_density"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_NEAR = 1e-4  # width of an interval in spreads below which its probability is density times width
_HALF_LOG_2PI = 0.5 * np.log(2 * np.pi)


@dataclass(frozen=True, slots=True, eq=False)
class Between:
    """A batch of samples on the scaled ``y`` axis, rows of B samples: the strength lies from ``low`` to ``up``.

    ``up`` equals ``low`` for an exact break and is infinite where the specimen held; ``count`` tells how many specimens
    stand for a column, 0 for padding.
    """

    low: Array
    up: Array
    count: Array
    centre: Array
    scale: Array

    @property
    def exact(self) -> Flags:
        """Breaks at a known load."""
        return np.asarray((self.up <= self.low) & (self.count > 0))

    @property
    def inside(self) -> Flags:
        """Breaks between two loads."""
        return np.asarray((self.up > self.low) & np.isfinite(self.up) & (self.count > 0))

    @property
    def broke(self) -> Flags:
        """Breaks of either kind."""
        return np.asarray(np.isfinite(self.up) & (self.count > 0))

    @property
    def same(self) -> Flags:
        """Rows whose breaks may all have happened at one load: the likelihood then bounds no spread from below."""
        lowest_up = np.where(self.broke, self.up, np.inf).min(axis=1)
        highest_low = np.where(self.broke, self.low, -np.inf).max(axis=1)
        known = np.where(self.exact, self.low, -np.inf).max(axis=1)
        return np.asarray((highest_low < lowest_up) | ((highest_low == lowest_up) & (known == highest_low)))


def between(low: Array, up: Array, count: Array, family: Family, axis: tuple[Array, Array] | None = None) -> Between:
    """Centre and scale loads (B, n) in kN; ``up`` infinite where held, ``count`` 0 for padding. At least 1 break a row.

    ``axis`` is the centre and the scale of each row on the ``y`` axis, where they are to be those of another batch.
    """
    there = count > 0
    y_low = family.transform(np.where(there, low, 1.0))
    finite = np.isfinite(up) & there
    y_up = np.where(finite, family.transform(np.where(finite, up, 1.0)), np.inf)
    weight = np.where(finite, count, 0.0)
    total = weight.sum(axis=1)
    if axis is None:
        middle = np.where(finite, 0.5 * (y_low + np.where(finite, y_up, 0.0)), 0.0)
        half = np.where(finite, 0.5 * (np.where(finite, y_up, 0.0) - y_low), 0.0)
        centre = (weight * middle).sum(axis=1) / total
        square = (weight * ((middle - centre[:, None]) ** 2 + half**2)).sum(axis=1) / total
        axis = centre, np.where(square > 0, np.sqrt(square), 1.0)
    centre, scale = axis
    z_low = np.where(there, (y_low - centre[:, None]) / scale[:, None], 0.0)
    z_up = np.where(finite, (y_up - centre[:, None]) / scale[:, None], np.inf)
    return Between(z_low, np.where(there, z_up, np.inf), count.astype(float), centre, scale)


def log_density(b: Between, family: Family, k: Array, location: Array) -> Array:
    """Log-likelihood at ``k = 1 / spread`` (B, m) and ``location`` (B, m, l), densities on the scaled axis."""
    part = _weibull_part if family.name == "weibull" else _normal_part
    out = np.zeros(location.shape)
    kk = k[:, :, None]
    for j in range(b.low.shape[1]):
        kinds = [(kind, flags[:, j]) for kind, flags in (("exact", b.exact), ("inside", b.inside))]
        kinds.append(("held", (b.count[:, j] > 0) & ~b.broke[:, j]))
        for kind, rows in kinds:
            if rows.any():
                r = slice(None) if rows.all() else rows
                low, up, count = (x[r, j][:, None, None] for x in (b.low, b.up, b.count))
                out[r] += count * part(kind, kk[r], low, up, location[r])
    return out


def _weibull_part(kind: str, k: Array, low: Array, up: Array, location: Array) -> Array:
    a = k * (low - location)
    if kind == "inside":
        width = k * (up - low)
        rise = width + np.log(-np.expm1(-width))  # ln(exp(width) - 1)
        more = np.exp(np.clip(a + rise, -30.0, 700.0))
        share = np.where(a + rise < -30.0, a + rise, np.log(-np.expm1(-more)))
        return np.asarray(share - np.exp(np.minimum(a, 700.0)))
    hazard = np.exp(np.minimum(a, 700.0))
    return np.asarray(-hazard if kind == "held" else a + np.log(k) - hazard)


def _normal_part(kind: str, k: Array, low: Array, up: Array, location: Array) -> Array:
    a = k * (low - location)
    if kind == "inside":
        b = k * (up - location)
        turn = a + b > 0  # both in the lower tail, where the logarithms keep their digits
        higher, lower = log_ndtr(np.where(turn, -a, b)), log_ndtr(np.where(turn, -b, a))
        middle, width = 0.5 * (a + b), k * (up - low)
        near = width * (1 + np.abs(middle)) < _NEAR  # there the difference would lose its digits
        flat = np.log(width) - 0.5 * middle * middle - _HALF_LOG_2PI
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.where(near, flat, higher + np.log(-np.expm1(np.minimum(lower - higher, 0.0)))))
    return np.asarray(log_ndtr(-a) if kind == "held" else np.log(k) - 0.5 * a * a - _HALF_LOG_2PI)
