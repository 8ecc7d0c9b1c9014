"""Location of a normal group given the spread, with survivors: the inner integral of the confidence engine.

With r breaks of mean m and ``v = sqrt(r) k (location - m)``, the density of v given k is ``phi(v)`` times the chance
that every survivor held, a log-concave function. It is integrated by the trapezoid rule (whole) and Gauss-Legendre
(part).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr, ndtri

from lowtail.models.confidence.quadrature import check_cover
from lowtail.models.distributions.likelihood import Scaled, mills

__all__ = ["NormalLocation"]

Array = NDArray[np.float64]

_WIDE = 8.4  # half width of the window in standard widths: 4e-17 lies outside
_LEGENDRE: dict[int, tuple[Array, Array]] = {}
_DRAW_GRID, _KNOTS = 1025, 257
_SCORES = np.linspace(-7.0, 7.0, 141)  # normal scores at which quantiles are held for draws


def _legendre(count: int) -> tuple[Array, Array]:
    if count not in _LEGENDRE:
        _LEGENDRE[count] = np.polynomial.legendre.leggauss(count)
    return _LEGENDRE[count]


def _place(x: Array, knots: Array) -> tuple[NDArray[np.intp], Array]:
    """Interval of evenly spaced knots in which each x lies, and how far along; ends are held."""
    step = knots[1] - knots[0] or 1.0
    at = np.clip((x - knots[0]) / step, 0.0, knots.size - 1)
    left = np.minimum(at.astype(np.intp), knots.size - 2)
    return left, at - left


class NormalLocation:
    """The location distribution of one group for every row of a batch."""

    def __init__(self, g: Scaled) -> None:
        self.r = np.maximum(g.r.astype(float), 1.0)
        self.root = np.sqrt(self.r)
        zf = np.where(g.fail, g.z, 0.0)
        self.mean = zf.sum(axis=1) / self.r
        self.square = np.where(g.fail, (zf - self.mean[:, None]) ** 2, 0.0).sum(axis=1)
        self.asked = g.distinct & ~g.bad  # the other rows have no scatter, and their numbers are not looked at
        held = g.held & (g.r > 0)[:, None]
        order = np.argsort(~held, axis=1, kind="stable")[:, : int(held.sum(axis=1).max(initial=0))]
        self.held = np.take_along_axis(held, order, axis=1)
        at = np.take_along_axis(np.where(held, g.z, 0.0), order, axis=1)
        self.gap = np.where(self.held, self.mean[:, None] - at, np.inf)  # inf: the chance to hold is 1
        self.censored = bool(self.held.any())
        self.curve = float((1.0 + self.held.sum(axis=1) / self.r).max())  # largest curvature of the log density

    def log_density(self, kgap: Array, root: Array, v: Array) -> Array:
        """Log density up to a constant: ``kgap`` (P, c), ``root`` (P,), ``v`` (P, j) -> (P, j)."""
        out = -0.5 * v * v
        shift = v / root[:, None]
        for i in range(kgap.shape[1]):
            out += log_ndtr(kgap[:, i, None] + shift)
        return out

    def _flat(self, k: Array) -> tuple[Array, Array]:
        """``k`` times the gaps, and sqrt(r), one row a (sample, node) pair."""
        kgap = k[:, :, None] * self.gap[:, None, :]
        return kgap.reshape(k.size, self.gap.shape[1]), np.repeat(self.root, k.shape[1])

    def window(self, k: Array) -> tuple[Array, Array]:
        """Window in v that holds all but about 1e-16 of the distribution, each (B, m)."""
        if not self.censored:
            return np.full(k.shape, -_WIDE), np.full(k.shape, _WIDE)
        kgap, root = self._flat(k)
        behind = np.where(kgap < 0, kgap, 0.0)
        v = -behind.sum(axis=1) * root / (root**2 + (kgap < 0).sum(axis=1))
        slope = np.ones_like(v)
        for _ in range(4):
            x = kgap + (v / root)[:, None]
            m = mills(x)
            slope = 1.0 + (m * np.maximum(np.where(np.isinf(x), 0.0, m + x), 0.0)).sum(axis=1) / root**2
            v = v - (v - m.sum(axis=1) / root) / slope
        return (v - _WIDE / np.sqrt(slope)).reshape(k.shape), (v + _WIDE).reshape(k.shape)

    def log_total(self, k: Array) -> tuple[Array, Array, Array]:
        """Log of the integral over v for every k (B, m), with the window."""
        low, high = self.window(k)
        if not self.censored:
            return np.full(k.shape, 0.5 * np.log(2 * np.pi)), low, high
        count = min(int(np.ceil(2 * _WIDE * np.sqrt(self.curve) / 0.75)) + 1, 500)
        share = np.linspace(0.0, 1.0, count)
        kgap, root = self._flat(k)
        flat_low, width = low.ravel(), (high - low).ravel()
        each = self.log_density(kgap, root, flat_low[:, None] + width[:, None] * share)
        top = each.max(axis=1)
        weight = np.exp(each - top[:, None])
        check_cover(weight[np.repeat(self.asked, k.shape[1])], "Location given the spread")
        total = weight.sum(axis=1) * (share[1] * width)
        return (top + np.log(total)).reshape(k.shape), low, high

    def below(self, k: Array, a: Array, log_total: Array, low: Array, high: Array) -> Array:
        """Probability that v lies at or below ``a``, each (B, m); only nodes inside the window are integrated."""
        if not self.censored:
            return np.asarray(ndtr(a))
        out = np.where(a >= high, 1.0, 0.0)
        row, col = np.nonzero((a > low) & (a < high))
        if row.size:
            x, w = _legendre(min(int(24 + 10 * np.sqrt(self.curve)), 250))
            start, half = low[row, col], 0.5 * (a[row, col] - low[row, col])
            v = (start + half)[:, None] + half[:, None] * x
            each = self.log_density(k[row, col, None] * self.gap[row], self.root[row], v)
            out[row, col] = np.exp(each - log_total[row, col, None]) @ w * half
        return np.clip(out, 0.0, 1.0)

    def density(self, k: Array, a: Array, log_total: Array) -> Array:
        """Density of v at ``a``, each (B, m)."""
        kgap, root = self._flat(k)
        each = self.log_density(kgap, root, a.reshape(-1, 1))[:, 0]
        return np.exp(each.reshape(k.shape) - log_total)

    def draw(self, k: Array, row: int, rng: np.random.Generator) -> Array:
        """Locations of one row given k (size,): quantiles at evenly spaced ``ln k`` and normal scores, and between."""
        root, mean = self.root[row], self.mean[row]
        gap = self.gap[row][self.held[row]]
        if not gap.size:
            return np.asarray(mean + rng.standard_normal(k.size) / (root * k))
        t = np.log(k)
        knots = np.linspace(t.min(), t.max(), _KNOTS)
        column, across = _place(t, knots)
        line, along = _place(ndtri(rng.random(k.size)), _SCORES)
        table = self._quantiles(np.exp(knots), gap, root, _SCORES).ravel()
        first = column * _SCORES.size + line
        lower = table[first] * (1 - along) + table[first + 1] * along
        upper = table[first + _SCORES.size] * (1 - along) + table[first + _SCORES.size + 1] * along
        return np.asarray(mean + (lower + across * (upper - lower)) / (root * k))

    def _quantiles(self, k: Array, gap: Array, root: float, scores: Array) -> Array:
        """Quantiles of v at normal scores for every k, shape (K, scores)."""
        kgap, roots = k[:, None] * gap, np.full(k.size, root)
        low, high = self._one_window(kgap, roots)
        v = low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, _DRAW_GRID)
        each = self.log_density(kgap, roots, v)
        dens = np.exp(each - each.max(axis=1, keepdims=True))
        check_cover(dens, "Location given the spread")
        area = np.cumsum(dens[:, 1:] + dens[:, :-1], axis=1)
        upto = np.concatenate([np.zeros((k.size, 1)), area / area[:, -1:]], axis=1)
        u = ndtr(scores)
        return np.stack([np.interp(u, upto[i], v[i]) for i in range(k.size)])

    def _one_window(self, kgap: Array, root: Array) -> tuple[Array, Array]:
        v = np.zeros(root.size)
        slope = np.ones(root.size)
        for _ in range(8):
            x = kgap + (v / root)[:, None]
            m = mills(x)
            slope = 1.0 + (m * np.maximum(m + x, 0.0)).sum(axis=1) / root**2
            v = v - (v - m.sum(axis=1) / root) / slope
        return v - _WIDE / np.sqrt(slope), v + _WIDE
