"""A quick grid for the Weibull shape of many samples at once, for simulation: even steps in ln shape about its mode."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lowtail.models.confidence.quadrature import check_cover
from lowtail.models.distributions.likelihood import weibull_root

__all__ = ["spread_grid"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_STEP = 0.42  # of the grid in ln shape, in units of the curvature at its mode
_DEPTH = 16.0  # log units below the top at which the grid ends
_EDGE = 1e-3  # weight left at an end of the grid, over the highest
_SINGLE = 200  # specimens up to which sums are taken in single precision


def spread_grid(v: Array, fail: Flags, r: Array, step: float = _STEP) -> tuple[Array, Array, Array]:
    """Nodes of the shape, weights and log totals for rows with ``v <= 0`` (``-inf`` pads) and ``r >= 2`` breaks."""
    pull = np.where(fail, v, 0.0).sum(axis=1)
    mode, _ = weibull_root(v, pull / r, (r - 1) / r, 1.2 / np.maximum(-pull / r, 1e-12))
    flat = np.where(np.isneginf(v), 0.0, v)
    e = np.exp(mode[:, None] * v)
    total = e.sum(axis=1)
    first = (e * flat).sum(axis=1) / total
    variance = (e * flat * flat).sum(axis=1) / total - first**2
    sd = 1 / np.sqrt(r - 1 + r * mode**2 * np.maximum(variance, 0.0))
    left, right = np.maximum(_DEPTH / (r - 1) + 3.0 * sd, 6.0 * sd), 6.0 * sd
    nodes = int(np.ceil(((left + right) / (step * 0.78 / np.sqrt(r))).max()))
    share = np.linspace(0.0, 1.0, max(nodes, 16))
    shape = mode[:, None] * np.exp(-left[:, None] + (left + right)[:, None] * share)
    few = np.float32 if v.shape[1] <= _SINGLE else np.float64  # 7 digits are plenty for few specimens, and much faster
    single, columns = shape.astype(few), v.astype(few)
    sums = np.zeros_like(single)
    for column in range(v.shape[1]):
        sums += np.exp(single * columns[:, column, None])
    log_total = np.log(sums.astype(np.float64))
    log_density = (r - 1)[:, None] * np.log(shape) + pull[:, None] * shape - r[:, None] * log_total
    weight = np.exp(log_density - log_density.max(axis=1, keepdims=True))
    check_cover(weight, "Spread of simulated series", edge=_EDGE)
    return shape, weight / weight.sum(axis=1, keepdims=True), log_total
