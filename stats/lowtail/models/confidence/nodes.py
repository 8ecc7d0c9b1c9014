"""The confidence density of the spread, and the location given the spread: the core of the exact engine.

For a location-scale distribution with the right-invariant weight d(location) d(spread) / spread, the density of ``k = 1
/ spread`` is known up to a constant, and the location given ``k`` is integrated in closed form (Weibull: gamma; normal,
complete: normal) or by quadrature (normal with survivors). Several groups may share one spread and keep locations of
their own; the first is the target.

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
from scipy.interpolate import CubicSpline
from scipy.special import ndtri

from lowtail.models.confidence.normal_held import normal_location
from lowtail.models.confidence.quadrature import FINE, WHOLE, log_sums, make_grid
from lowtail.models.confidence.upper_gamma import upper_gamma_density
from lowtail.models.distributions.likelihood import Scaled

__all__ = ["Nodes", "normal_nodes", "weibull_nodes"]

Array = NDArray[np.float64]
LogPrior = Callable[[Array], Array]


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


def _degrees(groups: Sequence[Scaled]) -> tuple[Array, Array]:
    """Breaks in all, and breaks less groups that have any (the power of k with which the density rises from zero)."""
    r = np.stack([g.r for g in groups]).astype(float)
    return r.sum(axis=0), r.sum(axis=0) - (r > 0).sum(axis=0)


def _narrower(data: Array, prior: Array | float) -> Array:
    """Width of the product of two densities, from the width of each."""
    return np.asarray(1 / np.hypot(1 / data, 1 / np.asarray(prior)))


def weibull_nodes(
    groups: Sequence[Scaled],
    reach: float,
    tail: float,
    *,
    extra: int = 0,
    prior: LogPrior | None = None,
    prior_width: Array | float = np.inf,
    grid: tuple[float, float] = FINE,
) -> Nodes:
    """Grid for the smallest-extreme distribution of log load.

    Parameters
    ----------
    groups : sequence of Scaled
        The target first; siblings share its spread. All on the target's scale; rows with the same number of breaks.
    reach : float
        Distance ``|w|`` of the percentile asked for; sets the closest spacing.
    tail : float
        Probability below the bound that is looked for.
    extra : int
        Added to the gamma index of the location: 1 where the spread comes from outside knowledge.
    prior : callable, optional
        Log density of ``t = ln k`` (scaled axis), up to a constant, in place of the flat one.
    prior_width : (B,) array or float
        Width of that density at its top; the nodes stand close enough for it.
    grid : (float, float)
        Spacing, see `quadrature`.
    """
    breaks, slope = _degrees(groups)
    tops = [g.z.max(axis=1) for g in groups]
    vs = [g.z - top[:, None] for g, top in zip(groups, tops, strict=True)]
    pull = np.asarray(sum(np.where(g.fail, v, 0.0).sum(axis=1) for g, v in zip(groups, vs, strict=True)))

    def log_total(t: Array, v: Array) -> Array:
        return log_sums(np.exp(t), v)

    def log_density(t: Array) -> Array:
        out = slope[:, None] * t + np.exp(t) * pull[:, None]
        for g, v in zip(groups, vs, strict=True):
            out -= g.r[:, None] * log_total(t, v)
        return np.asarray(out if prior is None else out + prior(t))

    index = int(groups[0].r[0]) + extra
    soft = np.maximum(slope, 0.5)
    start = np.log(1.2 * soft / np.maximum(breaks, 1.0))
    sharp = 0.6 if index <= 4 else 1.0  # few breaks: the switch has a steep side
    n = groups[0].n.astype(float)
    away = np.maximum(reach + np.log(index), np.log(n / index))  # far above few breaks of many the switch is as steep
    narrow = sharp / (np.sqrt(index) * np.maximum(1.0, away))
    t, weight = make_grid(
        log_density, start, soft, narrow, _narrower(0.75 / np.sqrt(breaks + 1.0), prior_width), tail, grid
    )
    k, total, top = np.exp(t), log_total(t, vs[0]), tops[0]

    def cdf(q: Array, w: float) -> tuple[Array, Array]:
        below, dens = upper_gamma_density(index, w + total - k * (q - top)[:, None])
        return np.einsum("ij,ij->i", weight, below), np.einsum("ij,ij->i", weight * k, dens)

    def middle(w: float) -> Array:
        return np.asarray(top[:, None] + (w + total - np.log(index - 0.33)) / k)

    def draw(kk: Array, row: int, rng: np.random.Generator) -> Array:
        v = vs[0][row]
        if kk.size * v.size > WHOLE:  # the sum is smooth in ln k, and the nodes stand close where k is drawn
            exposure = CubicSpline(t[row], total[row])(np.log(kk))
        else:
            exposure = log_sums(kk[None], v[None])[0]
        return np.asarray(top[row] + (exposure - np.log(rng.standard_gamma(float(index), kk.size))) / kk)

    return Nodes(k, weight, cdf, middle, draw)


def normal_nodes(
    groups: Sequence[Scaled],
    reach: float,
    tail: float,
    *,
    prior: LogPrior | None = None,
    prior_width: Array | float = np.inf,
    grid: tuple[float, float] = FINE,
) -> Nodes:
    """Grid for the normal distribution (of the load, or of its logarithm). Parameters as in `weibull_nodes`."""
    parts = [normal_location(g) for g in groups]
    _, slope = _degrees(groups)
    square = np.asarray(sum(p.square for p in parts))

    def log_density(t: Array) -> Array:
        k = np.exp(t)
        out = slope[:, None] * t - 0.5 * k * k * square[:, None]
        for p in parts:
            if p.censored:
                out += p.log_total(k)[0]
        return np.asarray(out if prior is None else out + prior(t))

    target, soft = parts[0], np.maximum(slope, 0.5)
    start = 0.5 * np.log(soft / np.maximum(square, 1e-300))
    away = -ndtri(target.r / np.maximum(groups[0].n, target.r) / 2)  # of few breaks of many, from the middle
    narrow = 1 / (target.root * np.maximum(1.0, np.maximum(reach, away)))
    t, weight = make_grid(
        log_density, start, soft, narrow, _narrower(0.7 / np.sqrt(slope + 1.0), prior_width), tail, grid
    )
    k = np.exp(t)
    total, low, high = target.log_total(k)
    root, mean = target.root[:, None], target.mean[:, None]

    def cdf(q: Array, w: float) -> tuple[Array, Array]:
        a = root * (k * (q[:, None] - mean) - w)
        below = target.below(k, a, total, low, high)
        dens = target.density(k, a, total)
        return np.einsum("ij,ij->i", weight, below), np.einsum("ij,ij->i", weight * root * k, dens)

    def middle(w: float) -> Array:
        v = high - 8.4 if target.censored else np.zeros_like(k)
        return np.asarray(mean + (v / root + w) / k)

    return Nodes(k, weight, cdf, middle, target.draw)
