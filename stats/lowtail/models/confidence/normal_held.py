"""Location of a normal group given the spread where many specimens held: the sum over them by polynomials.

``S(s)``, the log chance that every survivor held with the location shifted by ``s``, is smooth. For each spread it is
summed at a few Chebyshev points of the window and read off between them, so that the work grows with the number of
different loads held, not with that number times the points of the integrals. The degree follows from the window: the
log chance has its nearest singularities 2.8 standard widths off the real axis.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr

from lowtail.errors import NoAnswerError
from lowtail.models.confidence.normal_location import NormalLocation
from lowtail.models.confidence.quadrature import check_cover, pieces
from lowtail.models.distributions.likelihood import Scaled, mills

__all__ = ["ManyHeld", "normal_location"]

Array = NDArray[np.float64]

FROM = 200  # specimens held in a sample, from which on their sum is taken by polynomials
_WIDE = 8.4  # half width of the window in standard widths
_FAR = 2.8  # distance of the nearest singularity, in standard widths
_DEEP = 40.0  # log units below the top that are kept
_NEWTON = 60


class _Curve:
    """S of one row for several spreads: windows (m,) in v and Chebyshev coefficients (N, m)."""

    def __init__(self, k: Array, gap: Array, count: Array, root: float) -> None:
        self.k, self.gap, self.count, self.root = k, gap, count, root
        centre, slope = self._top()
        self.low, self.high = centre - _WIDE / np.sqrt(slope), centre + _WIDE
        half = float((self.high - self.low).max()) / (2 * root)
        degree = int(np.clip(np.ceil(36 / np.log((_FAR + np.hypot(_FAR, half)) / half)), 8, 160))
        at = chebyshev.chebpts1(degree)
        value = np.stack([self._sum(v) for v in self._v(at).T])  # (degree, m)
        self.lift = value.max(axis=0)
        fit = 2 / degree * chebyshev.chebvander(at, degree - 1).T
        fit[0] /= 2
        self.coef = fit @ (value - self.lift)
        self._narrow(slope)

    def _v(self, x: Array) -> Array:
        """Places in v (m, j) from places between -1 and 1."""
        return np.asarray(self.low[:, None] + (self.high - self.low)[:, None] * (1 + x) / 2)

    def _cut(self) -> Iterator[tuple[Array, Array]]:
        for part in pieces(self.gap.size, self.k.size):
            yield self.gap[part], self.count[part]

    def _sum(self, v: Array) -> Array:
        shift = (v / self.root)[:, None]
        return np.asarray(sum(log_ndtr(self.k[:, None] * g + shift) @ c for g, c in self._cut()))

    def _top(self) -> tuple[Array, Array]:
        """Where the density of v is highest, and its curvature there."""
        behind = np.zeros_like(self.k)
        number = np.zeros_like(self.k)
        for g, c in self._cut():
            under = self.k[:, None] * np.minimum(g, 0.0)
            behind += under @ c
            number += (under < 0) @ c
        v = -behind * self.root / (self.root**2 + number)
        for _ in range(_NEWTON):
            push, slope = np.zeros_like(v), np.ones_like(v)
            for g, c in self._cut():
                x = self.k[:, None] * g + (v / self.root)[:, None]
                m = mills(x)
                push += m @ c / self.root
                slope += (m * np.maximum(m + x, 0.0)) @ c / self.root**2
            step = (push - v) / slope
            v = v + step
            if (np.abs(step) * np.sqrt(slope) < 0.01).all():
                return v, slope
        raise NoAnswerError("The location of a sample with many survivors was not found: check its loads.")

    def _narrow(self, slope: Array) -> None:
        """Total, and a right end that leaves out what nothing weighs."""
        count = int(np.ceil(2 * _WIDE * np.sqrt(float(slope.max())) / 0.75)) + 1
        totals, ends = np.empty_like(self.k), np.empty_like(self.k)
        x = np.linspace(-1.0, 1.0, count)
        basis = chebyshev.chebvander(x, self.coef.shape[0] - 1).T
        for part in pieces(self.k.size, count):
            v = self._v(x)[part]
            each = (self.coef[:, part].T @ basis) - 0.5 * v * v
            top = each.max(axis=1)
            weight = np.exp(each - top[:, None])
            check_cover(weight, "Location of a sample with many survivors")
            totals[part] = top + self.lift[part] + np.log(weight.sum(axis=1) * (v[:, 1] - v[:, 0]))
            last = count - 1 - (each[:, ::-1] > top[:, None] - _DEEP).argmax(axis=1)
            ends[part] = v[np.arange(v.shape[0]), np.minimum(last + 1, count - 1)]
        self.total, self.end = totals, ends

    def density(self, v: Array, rows: NDArray[np.intp] | slice) -> Array:
        """Density of v (m', j) for some of the spreads, 0 beyond the window."""
        low, high = self.low[rows, None], self.high[rows, None]
        x = 2 * (v - low) / (high - low) - 1
        value = chebyshev.chebval(np.clip(x, -1.0, 1.0), self.coef[:, rows, None], tensor=False)
        log_f = value - 0.5 * v * v + (self.lift - self.total)[rows, None]
        return np.where(np.abs(x) <= 1, np.exp(np.minimum(log_f, 700.0)), 0.0)


class ManyHeld(NormalLocation):
    """`NormalLocation` for samples of which many specimens held; the same answers."""

    def _curve(self, k: Array, row: int) -> _Curve:
        gap, count = np.unique(self.gap[row][self.held[row]], return_counts=True)
        return _Curve(k, gap, count.astype(float), float(self.root[row]))

    def log_total(self, k: Array) -> tuple[Array, Array, Array]:
        """Log of the integral over v for every k (B, m), with the window."""
        self.curves = [self._curve(k[row], row) for row in range(k.shape[0])]
        total, low, end = (np.stack([getattr(c, name) for c in self.curves]) for name in ("total", "low", "end"))
        return total, low, end

    def below(self, k: Array, a: Array, log_total: Array, low: Array, high: Array) -> Array:
        """Probability that v lies at or below ``a``, each (B, m); for the ``k`` last given to `log_total`."""
        out = np.where(a >= high, 1.0, 0.0)
        x, weight = np.polynomial.legendre.leggauss(64)
        for row, curve in enumerate(self.curves):
            inside = np.flatnonzero((a[row] > low[row]) & (a[row] < high[row]))
            half = 0.5 * (a[row] - low[row])[inside]
            v = (low[row][inside] + half)[:, None] + half[:, None] * x
            out[row, inside] = curve.density(v, inside) @ weight * half
        return np.clip(out, 0.0, 1.0)

    def density(self, k: Array, a: Array, log_total: Array) -> Array:
        """Density of v at ``a``, each (B, m); for the ``k`` last given to `log_total`."""
        return np.stack([c.density(at[:, None], slice(None))[:, 0] for c, at in zip(self.curves, a, strict=True)])

    def _quantiles(self, k: Array, gap: Array, root: float, scores: Array) -> Array:
        different, count = np.unique(gap, return_counts=True)
        curve = _Curve(k, different, count.astype(float), root)
        share = np.linspace(0.0, 1.0, 1025)
        v = curve.low[:, None] + (curve.end - curve.low)[:, None] * share
        dens = curve.density(v, slice(None))
        area = np.cumsum(dens[:, 1:] + dens[:, :-1], axis=1)
        upto = np.concatenate([np.zeros((k.size, 1)), area / area[:, -1:]], axis=1)
        u = ndtr(scores)
        return np.stack([np.interp(u, upto[i], v[i]) for i in range(k.size)])


def normal_location(g: Scaled) -> NormalLocation:
    """The location distribution of a group, by the way that suits the number of its survivors."""
    many = (g.held & (g.r > 0)[:, None]).sum(axis=1)
    return ManyHeld(g) if int(many.min(initial=FROM)) >= FROM else NormalLocation(g)
