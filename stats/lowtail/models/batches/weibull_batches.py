"""Bound across batches: Weibull scatter within each batch, normal scatter of ln load between batches, on arrays.

With u = ln load, k the shape shared by the batches, r_i breaks and T_i(k) = sum of exp(k u) over all specimens of
batch i, the confidence distribution of k is exact for complete and type-II samples (each batch keeps a location of its
own):

    p(k) ~ k^(R - a - 1) exp(k sum of u over breaks) prod T_i(k)^(-r_i),   R breaks in a batches.

Given k, exp(-k location) T_i(k) is Gamma(r_i): (ln T_i(k) - digamma(r_i)) / k is the batch's location with an error of
variance trigamma(r_i) / k^2. Their sum of squares over a chi-square gives the variance between batches, less that error
and not below 0, and the strength at a fraction below is a quantile of normal plus smallest-extreme scatter. Survivors
enter through T_i. The normal form of the batch locations is the one approximation; its coverage is tabulated.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, optimize, special

from lowtail.models.batches.normal_batches import chi_square_nodes
from lowtail.models.confidence.quadrature import check_cover, pieces

__all__ = ["WeibullBatches", "mixed_quantile", "weibull_batches"]

Array = NDArray[np.float64]
_EULER = 0.5772156649015329
_REACH = 1000.0  # ratio of spreads beyond which the quantile follows its expansion


@lru_cache(maxsize=32)
def _quantile_spline(fraction_below: float) -> interpolate.CubicSpline:
    """Quantile of ``ratio * normal + smallest extreme`` against arcsinh(ratio)."""
    grid = np.linspace(0.0, np.arcsinh(_REACH), 241)
    extreme, normal = np.log(-np.log1p(-fraction_below)), float(special.ndtri(fraction_below))
    x = np.linspace(-8.6, 8.6, 401)
    weight_x = np.exp(-(x**2) / 2)
    e = np.linspace(-40.0, 4.0, 441)
    weight_e = np.exp(e - np.exp(e))

    def solve(ratio: Array, average: Callable[[Array, Array], Array]) -> Array:
        low = np.minimum(extreme, 0.0) + np.minimum(normal, 0.0) * ratio - 3.0
        high = np.maximum(extreme, 0.0) + np.maximum(normal, 0.0) * ratio + 3.0
        for _ in range(54):
            middle = (low + high) / 2
            short = average(middle[:, None], ratio[:, None]) < fraction_below
            low, high = np.where(short, middle, low), np.where(short, high, middle)
        return np.asarray((low + high) / 2)

    def over_normal(q: Array, ratio: Array) -> Array:
        return np.asarray(-np.expm1(-np.exp(np.minimum(q - ratio * x, 5.0))) @ (weight_x / weight_x.sum()))

    def over_extreme(q: Array, ratio: Array) -> Array:
        return np.asarray(special.ndtr((q - e) / ratio) @ (weight_e / weight_e.sum()))

    ratio = np.sinh(grid)
    small = ratio <= 1  # average over the wider distribution, so that the integrand is smooth
    value = np.concatenate([solve(ratio[small], over_normal), solve(ratio[~small], over_extreme)])
    return interpolate.CubicSpline(grid, value)


def mixed_quantile(fraction_below: float, ratio: Array) -> Array:
    """Quantile of ``ratio * Z + E``, Z standard normal, E standard smallest extreme value.

    ``ratio`` is the spread between batches over the Weibull spread 1 / shape, at least 0.
    """
    near = np.minimum(ratio, _REACH)
    inside = np.asarray(_quantile_spline(fraction_below)(np.arcsinh(near)))
    z = float(special.ndtri(fraction_below))
    far = z * ratio - _EULER + z * np.pi**2 / (12 * np.maximum(ratio, 1.0))
    return np.where(ratio > _REACH, far, inside)


@dataclass(frozen=True, slots=True, eq=False)
class WeibullBatches:
    """Quadrature of one set of batches; build it with `weibull_batches`.

    Attributes
    ----------
    k, weight : array, shape (K,)
        Nodes of the shape and their weights.
    centre, squares : array, shape (K,)
        Mean of the batch locations given k, and their sum of squares.
    error : float
        Mean of trigamma(r_i).
    batches : int
    shape, between : float
        Estimates: shape at the top of its marginal distribution, and spread between batches on ln load.
    middle : float
        Estimate of the mean batch location.
    """

    k: Array
    weight: Array
    centre: Array
    squares: Array
    error: float
    batches: int
    shape: float
    between: float
    middle: float

    def _parts(self, fraction_below: float, nodes: int) -> tuple[Array, Array, Array]:
        u, weight_u = chi_square_nodes(self.batches - 1, nodes)
        squares = np.maximum(self.squares, 1e-300)[:, None]
        ratio = np.sqrt(np.maximum(squares / u * self.k[:, None] ** 2 - self.error, 0.0))
        place = self.centre[:, None] + mixed_quantile(fraction_below, ratio) / self.k[:, None]
        return place, np.sqrt(squares / (self.batches * u)), weight_u

    def below(self, q: float, fraction_below: float, nodes: int = 160) -> float:
        """Probability that the pivotal quantity lies below q (ln load)."""
        place, error, weight_u = self._parts(fraction_below, nodes)
        return float(self.weight @ special.ndtr((q - place) / error) @ weight_u)

    def low(self, fraction_below: float, confidence: float, nodes: int = 160) -> float:
        """Lower confidence bound of ln load at ``fraction_below``."""
        place, error, weight_u = self._parts(fraction_below, nodes)

        def excess(q: float) -> float:
            return float(self.weight @ special.ndtr((q - place) / error) @ weight_u) - (1 - confidence)

        step = 1 / self.shape + self.between
        high = low = self.estimate(fraction_below)
        while excess(high) < 0:
            high, step = high + step, 2 * step
        step = 1 / self.shape + self.between
        while excess(low) > 0:
            low, step = low - step, 2 * step
        return float(optimize.brentq(excess, low, high, xtol=1e-12, rtol=1e-12))

    def estimate(self, fraction_below: float) -> float:
        """Estimate of ln load at ``fraction_below``."""
        ratio = np.array(self.between * self.shape)
        return self.middle + float(mixed_quantile(fraction_below, ratio)) / self.shape


def weibull_batches(u: Array, broke: NDArray[np.bool_], batch: NDArray[np.intp], nodes: int = 320) -> WeibullBatches:
    """Prepare the quadrature.

    Parameters
    ----------
    u : array, shape (n,)
        ln load.
    broke : array of bool, shape (n,)
    batch : array of int, shape (n,)
        Batch number, 0 to a - 1; every batch has at least one break, and at least one has two different loads.
    nodes : int
        Nodes of the shape.
    """
    a = int(batch.max()) + 1
    shift = float(u.mean())
    order = np.argsort(batch, kind="stable")
    v, broke, batch = (u - shift)[order], broke[order], batch[order]
    sizes = np.bincount(batch)
    starts = np.append(0, np.cumsum(sizes)[:-1])
    r = np.bincount(batch[broke], minlength=a)
    total = int(r.sum())
    top = np.maximum.reduceat(v, starts)
    away = v - top[batch]

    def log_totals(t: Array) -> Array:
        parts = [np.add.reduceat(np.exp(np.exp(t[p])[:, None] * away), starts, axis=1) for p in pieces(t.size, v.size)]
        return np.asarray(np.log(np.concatenate(parts)) + np.exp(t)[:, None] * top)

    def log_density(t: Array, power: float) -> Array:
        return np.asarray(power * t + np.exp(t) * v[broke].sum() - log_totals(t) @ r)

    spread = max(float(np.sqrt(((v - np.bincount(batch, v)[batch] / sizes[batch]) ** 2).mean())), 1e-12)
    wide = np.linspace(-45.0 / (total - a) - 3.0, 8.0, 481) - np.log(spread)
    rough = log_density(wide, total - a)
    inside = np.flatnonzero(rough > rough.max() - 30)
    t = np.linspace(wide[max(inside[0] - 1, 0)], wide[min(inside[-1] + 1, wide.size - 1)], nodes)
    density = log_density(t, total - a)
    weight = np.exp(density - density.max())
    check_cover(weight, "Shape of the batches")
    k, place = np.exp(t), (log_totals(t) - special.digamma(r)) / np.exp(t)[:, None]
    near = wide[
        np.argmax(rough)
    ]  # mode of the marginal distribution: the joint maximum overrates the shape in small batches
    peak = optimize.minimize_scalar(
        lambda x: -float(log_density(np.array([x]), total - a)[0]),
        bounds=(near - 0.5, near + 0.5),
        method="bounded",
        options={"xatol": 1e-10},
    )
    shape = float(np.exp(peak.x))
    at = (log_totals(np.log(np.array([shape])))[0] - special.digamma(r)) / shape
    error = float(special.polygamma(1, r).mean())
    between = float(np.sqrt(max(0.0, at.var(ddof=1) - error / shape**2)))
    centre = place.mean(axis=1)
    return WeibullBatches(
        k=k,
        weight=weight / weight.sum(),
        centre=centre + shift,
        squares=((place - centre[:, None]) ** 2).sum(axis=1),
        error=error,
        batches=a,
        shape=shape,
        between=between,
        middle=float(at.mean()) + shift,
    )
