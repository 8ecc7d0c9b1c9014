"""What other groups say about the scatter of one more of their kind: the predictive of ``t = ln(1 / scale parameter)``.

Every group gives a likelihood of t that is free of its location. The true values of t are taken as normal about a
middle m with a standard deviation tau between groups; m has a flat weight, tau an even one up to `WIDEST`. Both are
averaged over what the groups leave open, and the whole mixture is kept: unlike groups make a wide predictive.

References
----------
Gelman (2006) Bayesian Analysis 1:515-533, even weight on the standard deviation between groups (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.special import ndtr

from lowtail.models.confidence.normal_location import NormalLocation
from lowtail.models.confidence.quadrature import check_cover
from lowtail.models.distributions.families import Family
from lowtail.models.distributions.likelihood import Scaled, weibull_root

__all__ = ["WIDEST", "Predictive", "from_groups", "lends", "stated"]

Array = NDArray[np.float64]

WIDEST = 1.25  # largest standard deviation of ln k between groups that is considered: a factor of 3.5
_STEPS = ((330, 0.06), (1300, 0.03), (np.inf, 0.015))  # up to so many breaks in all: spacing in t and m
_NODES = 24  # in tau, for up to 20 groups
_BELOW, _ABOVE = 12.0, 4.0  # reach of the grid in t below and above the tops of the groups' likelihoods


@dataclass(frozen=True, slots=True, eq=False)
class Predictive:
    """Density of ``t = ln k`` for one further group, on an even grid; one row a sample.

    Attributes
    ----------
    start : (B,) array
        First node, for k on the axis of ln load (the unit of the load does not matter).
    step : float
    log_density : (B, T) array
        Up to nothing: ``exp`` of it sums to 1 / step.
    curve : float
        Curvature with which the log density goes on beyond the grid.
    """

    start: Array
    step: float
    log_density: Array
    curve: float

    @property
    def t(self) -> Array:
        """Nodes, (B, T)."""
        return np.asarray(self.start[:, None] + self.step * np.arange(self.log_density.shape[1]))

    @property
    def middle(self) -> Array:
        """Mean of t."""
        return np.asarray((np.exp(self.log_density) * self.t).sum(axis=1) * self.step)

    @property
    def width(self) -> Array:
        """Standard deviation of t."""
        away = self.t - self.middle[:, None]
        return np.asarray(np.sqrt((np.exp(self.log_density) * away**2).sum(axis=1) * self.step))

    @property
    def sharpest(self) -> Array:
        """Width that the density has at its top: 1 / sqrt(curvature), (B,)."""
        top = np.clip(self.log_density.argmax(axis=1), 1, self.log_density.shape[1] - 2)
        rows = np.arange(top.size)
        bend = sum(s * self.log_density[rows, top + i] for s, i in ((2.0, 0), (-1.0, 1), (-1.0, -1)))
        return np.asarray(self.step / np.sqrt(np.maximum(bend, (self.step / 3.0) ** 2)))

    def rows(self, keep: NDArray[np.intp]) -> Predictive:
        """The rows ``keep``; one row serves every sample."""
        if self.start.size == 1:
            return self
        return Predictive(self.start[keep], self.step, self.log_density[keep], self.curve)

    def log_at(self, t: Array) -> Array:
        """Log density at t, (B, m): cubic between the nodes, a parabola beyond the grid."""
        table, last = self.log_density, self.log_density.shape[1] - 1
        x = (t - self.start[:, None]) / self.step
        i = np.clip(np.floor(x).astype(np.intp), 1, last - 2)
        d = np.clip(x, 0.0, last) - i
        around = [np.take_along_axis(np.broadcast_to(table, (len(t), last + 1)), i + j, axis=1) for j in (-1, 0, 1, 2)]
        out = _cubic(d, around)
        for edge, inner, beyond in ((0, 1, np.minimum(x, 0.0)), (last, last - 1, np.maximum(x - last, 0.0))):
            bend = self.curve * self.step**2
            slope = np.abs(table[:, edge] - table[:, inner])[:, None] + 0.5 * bend
            out -= slope * np.abs(beyond) + 0.5 * bend * beyond**2
        return np.asarray(out)

    def below(self, t: Array) -> Array:
        """Probability that the further group's t lies below ``t``, (B, m)."""
        dens = np.exp(self.log_density)
        whole = np.cumsum(0.5 * (dens[:, 1:] + dens[:, :-1]), axis=1) * self.step
        whole = np.concatenate([np.zeros((dens.shape[0], 1)), whole], axis=1)
        whole -= self.step / 12 * np.gradient(dens, axis=1)  # Euler and Maclaurin: fourth order in the step
        whole /= whole[:, -1:]
        last = whole.shape[1] - 1
        x = np.clip((t - self.start[:, None]) / self.step, 0.0, last)
        i = np.clip(np.floor(x).astype(np.intp), 1, last - 2)
        around = [np.take_along_axis(np.broadcast_to(whole, (len(t), last + 1)), i + j, axis=1) for j in (-1, 0, 1, 2)]
        return np.clip(_cubic(x - i, around), 0.0, 1.0)


def _cubic(d: Array, around: Sequence[Array]) -> Array:
    """Lagrange's cubic through the nodes -1, 0, 1, 2."""
    a, b, c, e = around
    low, high = d + 1.0, d - 2.0
    inner = d * (d - 1.0)
    return np.asarray(
        -a * inner * high / 6.0 + b * low * (d - 1.0) * high / 2.0 - c * low * d * high / 2.0 + e * low * inner / 6.0
    )


def stated(shape: float, width: float) -> Predictive:
    """A normal predictive of ln k: a middle and a width stated by the user."""
    x = np.linspace(-9.0, 9.0, 145)
    log_density = -0.5 * x * x - 0.5 * np.log(2 * np.pi) - np.log(width)
    start = np.log(shape) + width * x[0]
    return Predictive(np.array([start]), float(width * (x[1] - x[0])), log_density[None], 1 / width**2)


def lends(groups: Sequence[Scaled]) -> NDArray[np.bool_]:
    """Which groups say something about the scatter, (G, B): at least 2 different loads at break."""
    return np.stack([g.distinct & ~g.bad for g in groups])


def _tops(g: Scaled, family: Family) -> Array:
    """Place of the top of the likelihood of t (near it for the lognormal with survivors), on the axis of ln load."""
    r = np.maximum(g.r.astype(float), 2.0)
    use = g.distinct & ~g.bad
    if family.name == "weibull":
        safe = np.where(use, 1.0, 0.0)[:, None]
        z = np.where(use[:, None], g.z, np.where(np.arange(g.z.shape[1]) == 0, -1.0, 0.0))
        fail = np.where(use[:, None], g.fail, True)
        v = z - z.max(axis=1)[:, None]
        target = np.where(fail, v, 0.0).sum(axis=1) / fail.sum(axis=1)
        k, _ = weibull_root(v, target, (r - 1) / r, np.full(r.size, 1.2))
        k = np.where(safe[:, 0] > 0, k, 1.0)
    else:
        k = np.sqrt((r - 1) / np.maximum(NormalLocation(g).square, 1e-300))
    return np.asarray(np.log(k) - np.log(g.scale))


def _log_likelihood(g: Scaled, family: Family, t: Array) -> Array:
    """Log likelihood of t (B, T) with the location integrated out under a flat weight, up to a constant a row."""
    k, r = np.exp(t + np.log(g.scale)[:, None]), g.r.astype(float)[:, None]
    if family.name != "weibull":
        part = NormalLocation(g)
        out = (r - 1) * t - 0.5 * k * k * part.square[:, None]
        return np.asarray(out + part.log_total(k)[0] if part.censored else out)
    v = np.maximum(g.z - g.z.max(axis=1)[:, None], -1e300)
    pull = np.where(g.fail, v, 0.0).sum(axis=1)[:, None]
    total = np.zeros_like(k)
    for column in v.T:
        total += np.exp(k * column[:, None])
    return np.asarray((r - 1) * t + k * pull - r * np.log(total))


def _taus(count: int) -> tuple[Array, Array]:
    """Nodes and weights of an even weight on (0, WIDEST), closest near 0."""
    x, w = np.polynomial.legendre.leggauss(count)
    s, w = 0.5 * (x + 1), 0.5 * w
    return WIDEST * s**2, w * 2 * s


def _whole(x: Array) -> Array:
    """Without the smallest numbers, whose products would be subnormal and slow."""
    return np.where(x < 1e-140, 0.0, x)


@lru_cache(maxsize=40)
def _kernel(step: float, first: int, size: int, left: int, middles: int, tau: float) -> Array:
    """Chance that t lies in the bin of node i, given the middle at node j, shape (T, M).

    The bins add step^2 / 12 to the variance, which is taken off tau^2 beforehand.
    """
    spread = np.sqrt(max(tau**2 - step**2 / 12, (0.02 * step) ** 2))
    x = np.abs(step * np.arange(first - left - middles + 1, first + size - left))
    chance = ndtr((0.5 * step - x) / spread) - ndtr((-0.5 * step - x) / spread)
    kernel = np.ascontiguousarray(sliding_window_view(_whole(chance), middles)[:, ::-1])
    kernel.flags.writeable = False
    return kernel


def from_groups(groups: Sequence[Scaled], family: Family, *, refine: int = 1) -> Predictive:
    """Predictive from sibling groups or earlier series, row by row; groups that say nothing of the scatter lend none.

    Parameters
    ----------
    groups : sequence of Scaled
        Each with the same number of rows; every row needs at least one group that `lends`.
    family : Family
        Weibull or lognormal.
    refine : int
        Divides the spacing of the grids: for tests of the accuracy.
    """
    use = lends(groups)
    top = np.stack([_tops(g, family) for g in groups])
    breaks = np.where(use, np.stack([g.r for g in groups]), 0).astype(float)
    freedom = np.maximum(breaks - 1, 0.0)
    centre = (freedom * np.where(use, top, 0.0)).sum(axis=0) / freedom.sum(axis=0)
    most = float(breaks.sum(axis=0).max())
    step = next(width for limit, width in _STEPS if most <= limit) / refine
    away = np.where(use, top - centre, 0.0)
    low, high = float(away.min()), float(away.max())
    reach = 1.0 + 4.0 * WIDEST / np.sqrt(float(use.sum(axis=0).min()))  # of m: its standard deviation is tau / sqrt(G)
    first, last = (int(np.round(np.round(x) / step)) for x in (low - _BELOW, high + _ABOVE + reach))
    left, right = (int(np.round(x / step)) for x in (np.floor(low - reach), np.ceil(high + reach)))
    count = _NODES * refine * (1 if len(groups) <= 20 else 2 if len(groups) <= 80 else 4)
    at = (step, first, last - first + 1, left, right - left + 1)
    t = centre[:, None] + step * np.arange(first, last + 1)
    each = np.stack(
        [np.where(on[:, None], _log_likelihood(g, family, t), 0.0) for g, on in zip(groups, use, strict=True)]
    )
    each = _whole(np.exp(each - each.max(axis=2, keepdims=True)))
    log_density = np.log(_mixture(each, at, count))
    log_density -= np.log(np.exp(log_density).sum(axis=1, keepdims=True) * step)
    return Predictive(t[:, 0], step, log_density, 1 / WIDEST**2)


def _mixture(each: Array, at: tuple[float, int, int, int, int], count: int) -> Array:
    """Mixture over m and tau from the likelihoods ``each`` (G, B, T) of the groups: (B, T), not normed."""
    size, rows, nodes = each.shape
    flat = each.reshape(size * rows, nodes)
    taus, weights = _taus(count)
    joint = [
        np.log(np.maximum(flat @ _kernel(*at, tau), 1e-300)).reshape(size, rows, -1).sum(axis=0) + np.log(w)
        for tau, w in zip(taus, weights, strict=True)
    ]
    top = np.max([j.max(axis=1, keepdims=True) for j in joint], axis=0)
    whole = sum(_whole(np.exp(j - top)) @ _kernel(*at, tau).T for j, tau in zip(joint, taus, strict=True))
    check_cover(np.asarray(whole), "Scatter lent by other groups")
    return np.asarray(np.maximum(whole, 1e-300))
