"""Confidence density of location and spread where some breaks are known only to lie between two loads, on a 2-D grid.

The weight d(location) d(spread) / spread is that of the exact engine
(`lowtail.models.confidence.nodes`), so that the answer tends to the exact one as the intervals shrink
(``tests/models/confidence/test_interval_nodes.py``). Given the spread a window about the top of the likelihood is found
by zooming, and the location is summed on even steps in it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lowtail.models.confidence.nodes import Nodes
from lowtail.models.confidence.quadrature import check_cover
from lowtail.models.distributions.between import Between, log_density
from lowtail.models.distributions.families import Family

__all__ = ["FINE_2D", "QUICK_2D", "interval_nodes"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

FINE_2D = (240, 72, 27.0)  # nodes of ln(1 / spread), nodes of the location, log units below the top at which both end
QUICK_2D = (56, 36, 16.0)  # the same for simulation
_COARSE, _ZOOMS = {FINE_2D: 24, QUICK_2D: 14}, 40  # nodes of a window that is looked for
_EDGE = {FINE_2D: 1e-6, QUICK_2D: 1e-4}


def interval_nodes(b: Between, family: Family, grid: tuple[int, int, float] = FINE_2D) -> Nodes:
    """Grid of a batch, in the form of the exact engine (`nodes.Nodes`). Rows must not be `Between.same`.

    Raises
    ------
    NoAnswerError
        If a grid does not cover its mass.
    """
    n_spread, n_place, depth = grid
    coarse = _COARSE[grid]
    t = _spread_window(b, family, n_spread, depth, coarse)
    k = np.exp(t)
    start, step = _place_window(b, family, k, n_place, depth, coarse)
    at = start[:, :, None] + step[:, :, None] * np.arange(n_place)
    height = log_density(b, family, k, at)
    top = height.max(axis=2)
    density = np.exp(height - top[:, :, None])
    check_cover(density, "Location of the loads", edge=_EDGE[grid])
    mass = top + np.log(density.sum(axis=2) * step)
    weight = np.exp(mass - mass.max(axis=1, keepdims=True))
    check_cover(weight, "Spread of the loads", edge=_EDGE[grid])
    weight = weight / weight.sum(axis=1, keepdims=True)
    return _nodes(t, weight, start, step, density / (density.sum(axis=2) * step)[:, :, None])


def _spread_window(b: Between, family: Family, nodes: int, depth: float, coarse: int) -> Array:
    """Even nodes of ln k for each row, from ``depth`` below the top on one side to the same on the other."""
    first = np.full(b.centre.shape, -6.0)
    last = np.full(b.centre.shape, 6.0)
    share = np.linspace(0.0, 1.0, coarse)
    for _ in range(_ZOOMS):
        t = first[:, None] + (last - first)[:, None] * share
        k = np.exp(t)
        start, step = _place_window(b, family, k, coarse, depth, coarse)
        height = log_density(b, family, k, start[:, :, None] + step[:, :, None] * np.arange(coarse))
        top = height.max(axis=2)
        total = top + np.log(np.exp(height - top[:, :, None]).sum(axis=2) * step)
        first, last, settled = _zoom(total, first, last, depth)
        if settled.all():
            break
    return np.asarray(first[:, None] + (last - first)[:, None] * np.linspace(0.0, 1.0, nodes))


def _place_window(b: Between, family: Family, k: Array, nodes: int, depth: float, coarse: int) -> tuple[Array, Array]:
    """First node and step of the location for each row and spread."""
    lowest = np.where(b.broke, b.low, np.inf).min(axis=1)[:, None]
    highest = np.where(b.broke, b.up, -np.inf).max(axis=1)[:, None]
    first, last = lowest - 8.0 / k, highest + 14.0 / k
    share = np.linspace(0.0, 1.0, coarse)
    for _ in range(_ZOOMS):
        height = log_density(b, family, k, first[:, :, None] + (last - first)[:, :, None] * share)
        first, last, settled = _zoom(height, first, last, depth)
        if settled.all():
            break
    return first, (last - first) / (nodes - 1)


def _zoom(height: Array, first: Array, last: Array, depth: float) -> tuple[Array, Array, Flags]:
    """Narrow, or widen, windows to where a function with one top is within ``depth`` of it (last axis: the nodes)."""
    nodes = height.shape[-1]
    inside = height >= height.max(axis=-1, keepdims=True) - depth
    left, right = inside.argmax(axis=-1), nodes - 1 - inside[..., ::-1].argmax(axis=-1)
    gap = (last - first) / (nodes - 1)
    open_left, open_right = left == 0, right == nodes - 1
    settled = ~open_left & ~open_right & (right - left >= nodes // 2)
    new_first = np.where(open_left, first - (last - first) / 2, first + (left - 1) * gap)
    new_last = np.where(open_right, last + (last - first) / 2, first + (right + 1) * gap)
    return new_first, new_last, settled


def _nodes(t: Array, weight: Array, start: Array, step: Array, density: Array) -> Nodes:
    k = np.exp(t)
    slope = np.gradient(density, axis=2)  # per node
    cell = 0.5 * (density[:, :, 1:] + density[:, :, :-1]) + (slope[:, :, :-1] - slope[:, :, 1:]) / 12
    total = np.concatenate([np.zeros((*t.shape, 1)), np.cumsum(cell, axis=2)], axis=2) * step[:, :, None]
    total /= total[:, :, -1:]
    places = density.shape[2]
    mean = start + step * (density * np.arange(places)).sum(axis=2) / density.sum(axis=2)

    def cdf(q: Array, w: float) -> tuple[Array, Array]:
        u = np.clip((q[:, None] - w / k - start) / step, 0.0, places - 1.0)
        j = np.minimum(u.astype(np.intp), places - 2)
        f = u - j
        low, high = (np.take_along_axis(total, (j + i)[:, :, None], axis=2)[:, :, 0] for i in (0, 1))
        left, right = (np.take_along_axis(density, (j + i)[:, :, None], axis=2)[:, :, 0] for i in (0, 1))
        a, c = step * left, step * right  # cubic through the ends of the cell with their slopes
        d = high - low
        below = low + a * f + (3 * d - 2 * a - c) * f**2 + (a + c - 2 * d) * f**3
        here = left + (right - left) * f
        return np.einsum("ij,ij->i", weight, below), np.einsum("ij,ij->i", weight, here)

    def middle(w: float) -> Array:
        return np.asarray(mean + w / k)

    def draw(kk: Array, row: int, rng: np.random.Generator) -> Array:
        u = rng.random(kk.size)
        place = np.interp(np.log(kk), t[row], np.arange(t.shape[1]))
        left = np.minimum(place.astype(np.intp), t.shape[1] - 2)
        out = np.empty(kk.size)
        for j in np.unique(left):
            at = left == j
            both = [
                np.interp(u[at], total[row, i], start[row, i] + step[row, i] * np.arange(places)) for i in (j, j + 1)
            ]
            out[at] = both[0] + (place[at] - j) * (both[1] - both[0])
        return out

    return Nodes(k, weight, cdf, middle, draw)
