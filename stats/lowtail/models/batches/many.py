"""Confidence that the percentile over all batches reaches a claim, for many sets of batches at once.

The bounds are those of `lowtail.models.batches.normal_batches` and `lowtail.models.batches.weibull_batches`, the second
on a coarser grid.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.models.batches.normal_batches import chi_square_nodes
from lowtail.models.batches.weibull_batches import mixed_quantile
from lowtail.models.confidence.quadrature import check_cover

__all__ = ["normal_batch_confidence", "normal_batch_reaches", "weibull_batch_confidence"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_NODES, _FEW = 36, {1: 144, 2: 72}  # of a chi-square distribution; more where few degrees spread it wide
_EDGE = 1e-2  # weight at an end of the grid of shapes, over the highest: good to about 0.002 of a confidence
_CHI = 44  # nodes of the chi-square distribution under Weibull scatter
_TOP, _FINE = 16.0, 400.0  # table of quantiles: largest arcsinh of the ratio of spreads, points a unit


def weibull_batch_confidence(y: Array, broke: Flags, claim: float, fraction_below: float) -> Array:
    """Confidence that the percentile over all batches is at least ``claim``, for many sets of batches.

    Parameters
    ----------
    y : (B, a, m) array
        Ln loads; places that a shorter batch leaves free hold ``-inf``.
    broke : (B, a, m) array of bool
        False at free places.
    claim : float
        Ln of the strength claimed.
    fraction_below : float

    Returns
    -------
    (B,) array
        0 where a batch has no break, or none has two different loads: there is no bound.
    """
    r = broke.sum(axis=2)
    rows = np.flatnonzero((r > 0).all(axis=1) & (r > 1).any(axis=1))
    out = np.zeros(y.shape[0])
    for part in np.array_split(rows, max(1, rows.size * y.shape[1] * y.shape[2] // 20_000)):
        if part.size:
            out[part] = _confidence(y[part], broke[part], r[part].astype(float), claim, fraction_below)
    return out


def _confidence(y: Array, broke: Flags, r: Array, claim: float, fraction_below: float) -> Array:
    a = y.shape[1]
    top = y.max(axis=2)
    away = y - top[:, :, None]
    pull = np.where(broke, away, 0.0).sum(axis=(1, 2))
    free = r.sum(axis=1) - a
    t = _mode(away, pull, r, free)
    _, curve = _slopes(t, away, pull, r, free)
    sd = 1 / np.sqrt(-curve)
    left, right = 9.0 / free + 3.0 * sd, 4.5 * sd
    share = np.linspace(0.0, 1.0, 16 + 48 // a)  # few batches: a kink where the spread between them vanishes
    t = t[:, None] - left[:, None] + (left + right)[:, None] * share
    k = np.exp(t)
    totals = np.log(np.exp(k[:, None, :, None] * away[:, :, None, :]).sum(axis=3))  # (B, a, K), tops left out
    density = free[:, None] * t + k * pull[:, None] - np.einsum("ba,bak->bk", r, totals)
    weight = np.exp(density - density.max(axis=1, keepdims=True))
    check_cover(weight, "Shape of simulated batches", edge=_EDGE)
    weight /= weight.sum(axis=1, keepdims=True)
    place = top[:, :, None] + (totals - special.digamma(r)[:, :, None]) / k[:, None, :]
    centre = place.mean(axis=1)
    squares = np.maximum(((place - centre[:, None]) ** 2).sum(axis=1), 1e-300)
    error = special.polygamma(1, r).mean(axis=1)[:, None]
    row, column = np.nonzero(weight > 1e-5)  # a third of the nodes carry nothing
    at_k, square = k[row, column][:, None], squares[row, column][:, None]
    u, chi = chi_square_nodes(a - 1, _CHI)
    u, chi = u[chi > 1e-5], chi[chi > 1e-5]
    ratio = np.sqrt(np.maximum(square / u * at_k**2 - error[row], 0.0))
    at = centre[row, column][:, None] + _quick_quantile(fraction_below, ratio) / at_k
    above = special.ndtr((at - claim) / np.sqrt(square / (a * u))) @ (chi / chi.sum())
    return np.asarray(np.bincount(row, above * weight[row, column], minlength=y.shape[0]), dtype=np.float64)


@lru_cache(maxsize=32)
def _quantile_table(fraction_below: float) -> Array:
    return mixed_quantile(fraction_below, np.sinh(np.arange(int(_TOP * _FINE) + 3) / _FINE))


def _quick_quantile(fraction_below: float, ratio: Array) -> Array:
    """`mixed_quantile` from a fine table, linear between its points (error below 1e-4)."""
    table = _quantile_table(fraction_below)
    place = np.minimum(np.arcsinh(ratio), _TOP) * _FINE
    left = place.astype(np.intp)
    low = table[left]
    return np.asarray(low + (place - left) * (table[left + 1] - low))


def _slopes(t: Array, away: Array, pull: Array, r: Array, free: Array) -> tuple[Array, Array]:
    """First and second derivative of the log density of ln k."""
    k = np.exp(t)
    e = np.exp(k[:, None, None] * away)
    flat = np.where(np.isneginf(away), 0.0, away)
    total = e.sum(axis=2)
    mean = (e * flat).sum(axis=2) / total
    variance = np.maximum((e * flat * flat).sum(axis=2) / total - mean * mean, 0.0)
    first = k * (pull - (r * mean).sum(axis=1))
    return free + first, first - k * k * (r * variance).sum(axis=1)


def _mode(away: Array, pull: Array, r: Array, free: Array) -> Array:
    """Ln k at the top of its density, by damped Newton steps."""
    t = np.log(np.maximum(free, 0.5) / np.maximum(-pull, 1e-12))
    for _ in range(12):
        slope, curve = _slopes(t, away, pull, r, free)
        step = np.clip(slope / np.maximum(-curve, 0.2 * free), -1.0, 1.0)
        t = t + step
        if np.abs(step).max() < 1e-4:
            break
    return t


def normal_batch_reaches(load: Array, filled: Flags, fraction_below: float, confidence: float) -> Flags:
    """Whether the normal bound over batches of loads (B, a, m), over the claim, reaches 1; all of them breaks."""
    sizes = filled.sum(axis=1)
    means = np.where(filled, load, 0.0).sum(axis=2) / sizes
    centre = means.mean(axis=1)
    squares = ((means - centre[:, None]) ** 2).sum(axis=1)
    within = np.where(filled, (load - means[:, :, None]) ** 2, 0.0).sum(axis=(1, 2))
    got = normal_batch_confidence(
        centre - 1,
        squares,
        within,
        sizes.size,
        float(np.mean(1 / sizes)),
        int(sizes.sum()) - sizes.size,
        fraction_below,
    )
    return got >= confidence


def normal_batch_confidence(
    centre: Array, squares: Array, within: Array, number: int, inverse_size: float, degrees: int, fraction_below: float
) -> Array:
    """Confidence that the percentile across batches is at least 0, by the generalised pivotal quantity.

    ``centre`` is the mean of the batch means less the claim, ``squares`` the sum of squares of the batch means about
    their mean, ``within`` the sum of squares within batches, each of shape (B,); ``inverse_size`` the mean of one over
    the size of a batch, ``degrees`` the specimens less the batches.
    """
    u, w_u = chi_square_nodes(number - 1, _FEW.get(number - 1, _NODES))
    v, w_v = chi_square_nodes(degrees, _FEW.get(degrees, _NODES))
    keep_u, keep_v = w_u > 1e-8, w_v > 1e-8
    u, w_u, v, w_v = u[keep_u], w_u[keep_u], v[keep_v], w_v[keep_v]
    z = float(special.ndtri(fraction_below))
    out = np.zeros(centre.size)
    squares = np.maximum(squares, 1e-300)
    for i in range(u.size):
        total = (squares / u[i])[:, None] + (1 - inverse_size) * within[:, None] / v
        edge = (centre[:, None] + z * np.sqrt(total)) / np.sqrt(squares / (number * u[i]))[:, None]
        out += w_u[i] * (special.ndtr(edge) @ w_v)
    return out
