"""A distribution laid on weighted points: a multivariate t in quasi-random points around its top, each weighted."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from lowtail.errors import NoAnswerError
from lowtail.models.confidence.quadrature import pieces

__all__ = ["lay", "weighted_quantile"]

Array = NDArray[np.float64]

_DEGREES = 4.0
_WIDER = 1.4  # the proposal's covariance over the inverse curvature
_ENOUGH = 0.05  # effective points, as a share of all
_STEPS = 60


@lru_cache(maxsize=256)
def _cloud(d: int, count: int, turn: int) -> Array:
    """Quasi-random points of a standard multivariate t in ``d`` dimensions, the same ones for the same ``turn``."""
    cube = stats.qmc.Sobol(d + 1, rng=np.random.default_rng(20_250_108 + turn)).random(count)
    cube = np.clip(cube, 1e-9, 1 - 1e-9)
    widen = np.sqrt(_DEGREES / stats.chi2.ppf(cube[:, d], _DEGREES))
    points = np.asarray(special.ndtri(cube[:, :d]) * widen[:, None], dtype=float)
    points.flags.writeable = False
    return points


def _stencil(d: int) -> Array:
    """Centre, both neighbours along each axis, and the four corners of each pair of axes, in steps."""
    unit = np.eye(d)
    corners = [a * unit[i] + b * unit[j] for i in range(d) for j in range(i) for a in (1, -1) for b in (1, -1)]
    return np.vstack([np.zeros(d), unit, -unit, *corners])


def _slopes(value: Array, d: int) -> tuple[Array, Array]:
    """Gradient and Hessian in units of a step from the values on the stencil."""
    centre, up, down, corners = value[0], value[1 : d + 1], value[d + 1 : 2 * d + 1], value[2 * d + 1 :]
    hessian = np.diag(up + down - 2 * centre)
    pairs = [(i, j) for i in range(d) for j in range(i)]
    for (i, j), (pp, pm, mp, mm) in zip(pairs, corners.reshape(-1, 4), strict=True):
        hessian[i, j] = hessian[j, i] = (pp - pm - mp + mm) / 4
    return (up - down) / 2, hessian


def _climb(log_density: Callable[[Array], Array], start: Array, scale: Array) -> tuple[Array, Array]:
    """Top of the density and root (d, d) of its inverse curvature there."""
    d = start.size
    step = 0.02 * scale
    offsets = _stencil(d)
    here = start
    for _ in range(_STEPS):
        values = log_density(here + offsets * step)
        gradient, hessian = _slopes(values, d)
        size, axes = np.linalg.eigh(-hessian)
        size = np.maximum(np.abs(size), 1e-7)  # steps of 0.02: a curvature of 1 is 4e-4
        move = (axes @ ((axes.T @ gradient) / size)) * step
        shorter = move * 0.5 ** np.arange(12)[:, None]
        tried = log_density(here + shorter)
        best = int(np.nanargmax(tried))
        if not tried[best] > values[0] + 1e-9:
            break
        here = here + shorter[best]
    root = (axes / np.sqrt(size)) * step[:, None]
    return here, root


def lay(
    log_density: Callable[[Array], Array],
    start: Array,
    scale: Array,
    count: int,
    who: str,
    turn: int = 0,
    width: int = 1,
) -> tuple[Array, Array, float, Array]:
    """Points that stand for a distribution.

    Parameters
    ----------
    log_density : callable
        From points (m, d) to their log density (m,), up to a constant.
    start, scale : ndarray, shape (d,)
        A point near the top, and roughly the distribution's standard deviations.
    count : int
        Points, a power of two.
    who : str
        How messages name the sample.
    turn : int
        Number of the set of quasi-random points, so that the errors of distributions put together do not add up.
    width : int
        Array elements that the density needs for a point; only so many points at once as memory allows.

    Returns
    -------
    (points, weight, log_total, top)
        Points (m, d) and weights (m,) that sum to 1, log of the integral of the density, and its top (d,).

    Raises
    ------
    NoAnswerError
        If too few points carry the weight.
    """
    top, root = _climb(log_density, start, scale)
    d = top.size
    root = np.sqrt(_WIDER) * root
    scaled = _cloud(d, count, turn)
    points = top + scaled @ root.T
    rise = 0.5 * (_DEGREES + d) * np.log1p((scaled**2).sum(axis=1) / _DEGREES)
    log_weight = np.concatenate([log_density(points[p]) for p in pieces(count, width)]) + rise
    highest = float(log_weight.max())
    weight = np.exp(log_weight - highest)
    total = float(weight.sum())
    if not total**2 / float((weight**2).sum()) > _ENOUGH * count:
        raise NoAnswerError(
            f"{who}: the breaks are too few or too oddly placed for a reliable bound of a trend. Break more specimens "
            "at more settings."
        )
    flat = special.gammaln(_DEGREES / 2) - special.gammaln((_DEGREES + d) / 2) + 0.5 * d * np.log(_DEGREES * np.pi)
    log_total = highest + np.log(total / count) + float(flat) + float(np.linalg.slogdet(root)[1])
    heavy = weight > 1e-9 * weight.max()
    kept = weight[heavy]
    return points[heavy], kept / kept.sum(), log_total, top


def weighted_quantile(value: Array, weight: Array, tail: float) -> float:
    """Value below which the share ``tail`` of the weight lies, half of each point's weight counted at the point."""
    order = np.argsort(value)
    mass = np.cumsum(weight[order]) - 0.5 * weight[order]
    return float(np.interp(tail, mass, value[order]))
