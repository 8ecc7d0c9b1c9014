"""The confidence density of the spread on a grid, and the location given the spread: the core of the exact engine.

For a location-scale law with the right-invariant weight d(location) d(spread) / spread, the density of ``k = 1 / spread``
is known up to a constant. It is laid on an even grid in ``t = ln k`` (trapezoid rule), and the location given ``k`` is
integrated in closed form (Weibull: gamma; normal, complete: normal) or by Gauss-Legendre (normal with survivors).
Several groups may share one spread and keep locations of their own; the first is the target.

References
----------
Lawless (1978) Technometrics 20:355-364, conditional inference for the Weibull; Hora and Buehler (1966) Ann. Math. Stat.
37:643-656, right-invariant weight and exact coverage (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc, gammaln, log_ndtr, ndtr

from lowtail.models.likelihood import Scaled, mills

__all__ = ["Nodes", "normal_nodes", "weibull_nodes"]

Array = NDArray[np.float64]
LogPrior = Callable[[Array], Array]

_CUT = 34.0  # log units below the top at which the grid ends
FINE = (0.06, 0.45)  # step in the stretched variable; closest spacing in units of the narrowest feature
QUICK = (0.13, 0.65)  # the same for batches: bounds to about 1e-9
_COARSE = 40
_WIDE = 8.6  # half width of the location window, in standard widths
_LEGENDRE = 44
_POISSON_UP_TO = 24  # closed Poisson sum up to this index, scipy's gammaincc above


@dataclass(frozen=True, slots=True, eq=False)
class Nodes:
    """Grid of one batch: rows are samples, columns the nodes in ``ln k``.

    Attributes
    ----------
    k, weight : (B, m) arrays
        1 / spread on the scaled axis, and probability weights (each row sums to 1).
    cdf : callable
        ``cdf(q, w) -> (F, f)``: probability that ``location + w spread`` lies at or below ``q`` (scaled axis), and its
        density in q. ``q`` has shape (B,), ``w`` is a number.
    middle : callable
        ``middle(w) -> (B, m)``: the central value of ``location + w spread`` given each ``k``; a start for the search.
    draw : callable
        ``draw(k, row, rng) -> location`` given values of k for one row.
    """

    k: Array
    weight: Array
    cdf: Callable[[Array, float], tuple[Array, Array]]
    middle: Callable[[float], Array]
    draw: Callable[[Array, int, np.random.Generator], Array]


def _grid(
    log_density: Callable[[Array], Array],
    start: Array,
    slope: Array,
    widths: tuple[Array, Array],
    tail: Array | float,
    grid: tuple[float, float],
) -> tuple[Array, Array]:
    """Nodes and weights in ln k over the part of the density within `_CUT` of its top.

    The nodes stand closest around the ``tail`` quantile of ln k, where the law of the location given k switches from
    below to above the bound, and spread out by a hyperbolic sine on both sides: the trapezoid rule in the stretched
    variable keeps its exponential convergence with a third of the nodes of an even grid.

    Returns
    -------
    t, weight : (B, m) arrays
        Each row of ``weight`` sums to 1.
    """
    left = start - (_CUT + 6.0) / np.minimum(slope, 40.0) - 2.5
    right = start + 3.0
    share = np.linspace(0.0, 1.0, _COARSE)
    for _ in range(10):
        t = left[:, None] + (right - left)[:, None] * share
        logp = log_density(t)
        inside = logp >= (logp.max(axis=1) - _CUT)[:, None]
        first, last = inside.argmax(axis=1), _COARSE - 1 - inside[:, ::-1].argmax(axis=1)
        gap = (right - left) / (_COARSE - 1)
        open_left, open_right = first == 0, last == _COARSE - 1
        settled = ~open_left & ~open_right & (last - first >= 10)
        if settled.all():
            break
        far = np.where(open_left, left - (right - left), np.where(settled, left, left + (first - 1) * gap))
        right = np.where(open_right, right + 3.0, np.where(settled, right, left + (last + 1) * gap))
        left = far
    left, right = left + np.maximum(first - 1, 0) * gap, left + np.minimum(last + 1, _COARSE - 1) * gap
    rows = np.arange(left.size)
    centres = (_quantile(t, logp, tail)[:, None], t[rows, logp.argmax(axis=1)][:, None])
    step, fine = grid
    spans = [np.minimum(width, widths[1])[:, None] * fine / step for width in widths]
    return _stretch(log_density, left[:, None], right[:, None], centres, spans, step)


def _stretch(
    log_density: Callable[[Array], Array],
    left: Array,
    right: Array,
    centres: Sequence[Array],
    widths: Sequence[Array],
    step: float,
) -> tuple[Array, Array]:
    """Nodes whose density is the sum of one hyperbolic-sine cluster a centre; trapezoid in the stretched variable."""

    def stretched(t: Array) -> Array:
        return np.asarray(sum(np.arcsinh((t - c) / d) for c, d in zip(centres, widths, strict=True)))

    def rate(t: Array) -> Array:
        return np.asarray(sum(1 / np.sqrt(d * d + (t - c) ** 2) for c, d in zip(centres, widths, strict=True)))

    low, high = stretched(left), stretched(right)
    m = max(int(np.ceil(((high - low) / step).max())) + 1, 24)
    x = low + (high - low) * np.linspace(0.0, 1.0, m)
    under, over = np.broadcast_to(left, x.shape), np.broadcast_to(right, x.shape)
    t = 0.5 * (under + over)
    for _ in range(60):  # invert the stretch: Newton kept in a bracket
        gap = stretched(t) - x
        under, over = np.where(gap < 0, t, under), np.where(gap > 0, t, over)
        new = t - gap / rate(t)
        new = np.where((new > under) & (new < over), new, 0.5 * (under + over))
        if np.abs(new - t).max() <= 1e-14 * np.abs(t).max():
            break
        t = new
    logp = log_density(t)
    weight = np.exp(logp - logp.max(axis=1, keepdims=True)) / rate(t)
    weight[:, [0, -1]] *= 0.5
    return t, np.asarray(weight / weight.sum(axis=1, keepdims=True))


def _quantile(t: Array, logp: Array, tail: Array | float) -> Array:
    """Quantile of ln k from a coarse grid, taken as log-linear between its points."""
    size = np.abs(np.diff(logp, axis=1))
    top = np.maximum(logp[:, 1:], logp[:, :-1]) - logp.max(axis=1, keepdims=True)
    mass = np.exp(top) * np.where(size > 1e-6, -np.expm1(-size) / np.maximum(size, 1e-6), 1.0)
    total = np.cumsum(mass, axis=1)
    goal = np.broadcast_to(tail, total.shape[:1]) * total[:, -1]
    j = np.minimum((total < goal[:, None]).sum(axis=1), mass.shape[1] - 1)
    rows = np.arange(j.size)
    part = np.clip((goal - total[rows, j] + mass[rows, j]) / mass[rows, j], 0.0, 1.0)
    return np.asarray(t[rows, j] + part * (t[rows, j + 1] - t[rows, j]))


def _degrees(groups: Sequence[Scaled]) -> tuple[Array, Array]:
    """Breaks in all, and breaks less groups that have any (the power of k at zero, plus one)."""
    r = np.stack([g.r for g in groups]).astype(float)
    return r.sum(axis=0), r.sum(axis=0) - (r > 0).sum(axis=0)


def _poisson_tail(index: int, x: Array) -> tuple[Array, Array]:
    """Upper regularised incomplete gamma at a whole index, and x^index e^-x / gamma(index)."""
    with np.errstate(under="ignore"):
        base = np.exp(-x)
        if index > _POISSON_UP_TO:
            with np.errstate(divide="ignore"):
                return gammaincc(index, x), np.exp(index * np.log(x) - x - gammaln(index))
        total = np.ones_like(x)
        term = np.ones_like(x)
        for j in range(1, index):
            term = term * (x / j)
            total += term
        return base * total, base * term * x


def weibull_nodes(
    groups: Sequence[Scaled],
    reach: float,
    tail: Array | float,
    *,
    extra: int = 0,
    prior: LogPrior | None = None,
    grid: tuple[float, float] = FINE,
) -> Nodes:
    """Grid for the smallest-extreme law of log load.

    Parameters
    ----------
    groups : sequence of Scaled
        The target first; siblings share its spread. All on the target's scale.
    reach : float
        Largest distance ``|w|`` of the percentile asked for; sets the step.
    extra : int
        Added to the gamma index of the location: 1 where the spread comes from outside knowledge.
    prior : callable, optional
        Log density of ``t = ln k`` (scaled axis), up to a constant, in place of the flat one.
    """
    breaks, slope = _degrees(groups)
    tops = [g.z.max(axis=1) for g in groups]
    vs = [g.z - top[:, None] for g, top in zip(groups, tops, strict=True)]
    pull = sum(np.where(g.fail, v, 0.0).sum(axis=1) for g, v in zip(groups, vs, strict=True))

    def log_totals(t: Array) -> list[Array]:
        k = np.exp(t)
        return [np.log(np.exp(k[:, :, None] * v[:, None, :]).sum(axis=2)) for v in vs]

    def combine(t: Array, totals: list[Array]) -> Array:
        out = slope[:, None] * t + np.exp(t) * np.asarray(pull)[:, None]
        for g, total in zip(groups, totals, strict=True):
            out = out - g.r[:, None] * total
        return out if prior is None else out + prior(t)

    r = groups[0].r + extra
    start = np.log(1.2 * np.maximum(slope, 0.5) / np.maximum(breaks, 1.0))
    narrow = 1 / (np.sqrt(np.maximum(r, 1)) * np.maximum(1.0, reach + np.log(np.maximum(r, 1))))
    widths = (narrow, 0.75 / np.sqrt(breaks + 1.0))
    t, weight = _grid(lambda x: combine(x, log_totals(x)), start, np.maximum(slope, 0.5), widths, tail, grid)
    k, log_total = np.exp(t), log_totals(t)[0]
    top = tops[0]
    by_index = {int(i): np.flatnonzero(r == i) for i in np.unique(r)}

    def cdf(q: Array, w: float) -> tuple[Array, Array]:
        log_x = np.clip(w + log_total - k * (q - top)[:, None], -700.0, 6.2)
        x = np.exp(log_x)
        if len(by_index) == 1:
            below, dens = _poisson_tail(next(iter(by_index)), x)
        else:
            below, dens = np.empty_like(x), np.empty_like(x)
            for index, rows in by_index.items():
                below[rows], dens[rows] = _poisson_tail(index, x[rows])
        return (weight * below).sum(axis=1), (weight * k * dens).sum(axis=1)

    def middle(w: float) -> Array:
        return np.asarray(top[:, None] + (w + log_total - np.log(r - 0.33)[:, None]) / k)

    def draw(kk: Array, row: int, rng: np.random.Generator) -> Array:
        v = vs[0][row]
        total = np.log(np.exp(kk[:, None] * v[None, :]).sum(axis=1))
        return np.asarray(top[row] + (total - np.log(rng.standard_gamma(float(r[row]), kk.size))) / kk)

    return Nodes(k, weight, cdf, middle, draw)


class _Location:
    """Location of one normal group given k: density of ``v = sqrt(r) k (location - mean of the breaks)``."""

    def __init__(self, g: Scaled) -> None:
        self.r = g.r.astype(float)
        self.root = np.sqrt(np.maximum(self.r, 1.0))
        zf = np.where(g.fail, g.z, 0.0)
        self.mean = zf.sum(axis=1) / np.maximum(self.r, 1.0)
        self.square = np.where(g.fail, (zf - self.mean[:, None]) ** 2, 0.0).sum(axis=1)
        columns = g.held.any(axis=0)
        self.held = g.held[:, columns] & (g.r > 0)[:, None]
        self.gap = np.where(self.held, self.mean[:, None] - np.where(self.held, g.z[:, columns], 0.0), np.inf)
        self.censored = bool(self.held.any())
        count = self.held.sum(axis=1)
        self.curve = 1.0 + count / np.maximum(self.r, 1.0)  # largest curvature of the log density in v

    def log_each(self, k: Array, v: Array) -> Array:
        """Log of phi(v) times the chance that every survivor held; ``k`` (B, m), ``v`` (B, m, j)."""
        out = -0.5 * v * v
        for i in range(self.gap.shape[1]):
            gap = self.gap[:, i]
            there = np.isfinite(gap)
            if there.all():
                out += log_ndtr((k * gap[:, None])[:, :, None] + v / self.root[:, None, None])
            elif there.any():
                part = log_ndtr((k[there] * gap[there, None])[:, :, None] + v[there] / self.root[there, None, None])
                out[there] += part
        return out

    def window(self, k: Array) -> tuple[Array, Array]:
        """Window in v that holds all but 1e-17 of the location's law, each (B, m)."""
        if not self.censored:
            return np.full(k.shape, -_WIDE), np.full(k.shape, _WIDE)
        gap = np.where(np.isfinite(self.gap), self.gap, 0.0)
        x0 = k[:, :, None] * gap[:, None, :]
        mask, root = self.held[:, None, :], self.root[:, None, None]
        v = np.zeros(k.shape)
        slope = np.ones(k.shape)
        for _ in range(7):
            x = x0 + v[:, :, None] / root
            m = np.where(mask, mills(x), 0.0)
            lean = m.sum(axis=2) / self.root[:, None]
            slope = 1.0 + (m * np.maximum(m + x, 0.0)).sum(axis=2) / self.r[:, None]
            v = v - (v - lean) / slope
        return v - _WIDE / np.sqrt(slope), v + _WIDE

    def log_total(self, k: Array) -> tuple[Array, Array, Array]:
        """Log of the integral over v, with the window."""
        low, high = self.window(k)
        if not self.censored:
            return np.full(k.shape, 0.5 * np.log(2 * np.pi)), low, high
        count = int(np.ceil((2 * _WIDE / (0.55 / np.sqrt(self.curve))).max())) + 1
        share = np.linspace(0.0, 1.0, min(count, 400))
        v = low[:, :, None] + (high - low)[:, :, None] * share
        each = self.log_each(k, v)
        top = each.max(axis=2)
        total = np.exp(each - top[:, :, None]).sum(axis=2) * (share[1] * (high - low))
        return top + np.log(total), low, high

    def below(self, k: Array, a: Array, log_total: Array, low: Array, high: Array) -> Array:
        """Probability that v lies at or below ``a``, each (B, m)."""
        if not self.censored:
            return np.asarray(ndtr(a))
        end = np.clip(a, low, high)
        count = int(min(max(_LEGENDRE, 12 + 2.2 * _WIDE * np.sqrt(self.curve.max())), 300))
        x, w = np.polynomial.legendre.leggauss(count)
        half = 0.5 * (end - low)
        each = self.log_each(k, (low + half)[:, :, None] + half[:, :, None] * x)
        value = (np.exp(each - log_total[:, :, None]) * w).sum(axis=2) * half
        return np.where(a >= high, 1.0, np.clip(value, 0.0, 1.0))


def normal_nodes(
    groups: Sequence[Scaled],
    reach: float,
    tail: Array | float,
    *,
    prior: LogPrior | None = None,
    grid: tuple[float, float] = FINE,
) -> Nodes:
    """Grid for the normal law (of the load, or of its logarithm). Parameters as in `weibull_nodes`."""
    parts = [_Location(g) for g in groups]
    breaks, slope = _degrees(groups)
    square = np.asarray(sum(p.square for p in parts))

    def log_density(t: Array) -> Array:
        k = np.exp(t)
        out = slope[:, None] * t - 0.5 * k * k * square[:, None]
        for p in parts:
            if p.censored:
                out = out + p.log_total(k)[0]
        return out if prior is None else out + prior(t)

    start = 0.5 * np.log(np.maximum(slope, 0.5) / np.maximum(square, 1e-300))
    target = parts[0]
    narrow = 1 / (target.root * max(1.0, reach))
    widths = (np.broadcast_to(narrow, slope.shape), 0.7 / np.sqrt(slope + 1.0))
    t, weight = _grid(log_density, start, np.maximum(slope, 0.5), widths, tail, grid)
    k = np.exp(t)
    log_total, low, high = target.log_total(k)

    def cdf(q: Array, w: float) -> tuple[Array, Array]:
        a = target.root[:, None] * (k * (q - target.mean)[:, None] - w)
        below = target.below(k, a, log_total, low, high)
        dens = np.exp(target.log_each(k, a[:, :, None])[:, :, 0] - log_total)
        return (weight * below).sum(axis=1), (weight * target.root[:, None] * k * dens).sum(axis=1)

    def middle(w: float) -> Array:
        v = 0.5 * (low + high) if not target.censored else high - _WIDE
        return np.asarray(target.mean[:, None] + (v / target.root[:, None] + w) / k)

    def draw(kk: Array, row: int, rng: np.random.Generator) -> Array:
        return _draw_normal(target, kk, row, rng)

    return Nodes(k, weight, cdf, middle, draw)


def _draw_normal(part: _Location, kk: Array, row: int, rng: np.random.Generator) -> Array:
    """Locations of one row given k: plain normal, or rejection from it where specimens held."""
    root, mean = part.root[row], part.mean[row]
    if not part.censored or not part.held[row].any():
        return np.asarray(mean + rng.standard_normal(kk.size) / (root * kk))
    gap = part.gap[row][part.held[row]]
    grid = 129
    one = _one_row(part, row)
    low, high = one.window(kk[None, :])
    v = low[0][:, None] + (high - low)[0][:, None] * np.linspace(0.0, 1.0, grid)
    each = -0.5 * v * v + sum(log_ndtr(kk[:, None] * g + v / root) for g in gap)
    dens = np.exp(each - each.max(axis=1, keepdims=True))
    area = np.cumsum(0.5 * (dens[:, 1:] + dens[:, :-1]), axis=1)
    area = np.concatenate([np.zeros((kk.size, 1)), area], axis=1)
    u = rng.random(kk.size) * area[:, -1]
    j = np.clip((area <= u[:, None]).sum(axis=1) - 1, 0, grid - 2)
    rows = np.arange(kk.size)
    # density is linear between grid points: invert the quadratic
    d0, d1 = dens[rows, j], dens[rows, j + 1]
    rest = u - area[rows, j]
    bend = d1 - d0
    disc = np.sqrt(np.maximum(d0 * d0 + 2 * bend * rest, 0.0))
    share = np.clip(2 * rest / np.maximum(d0 + disc, 1e-300), 0.0, 1.0)
    step = (high - low)[0] / (grid - 1)
    return np.asarray(mean + (v[rows, j] + share * step) / (root * kk))


def _one_row(part: _Location, row: int) -> _Location:
    out = object.__new__(_Location)
    for name in ("r", "root", "mean", "square", "held", "gap", "curve"):
        setattr(out, name, getattr(part, name)[row : row + 1])
    out.censored = bool(out.held.any())
    return out
