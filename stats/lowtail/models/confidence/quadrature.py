"""Grid in ``ln k`` for the confidence engine: trapezoid rule in a stretched variable.

The nodes stand closest at two places: where the density of ln k has its top, and at the quantile of ln k where the
distribution of the location given k switches from below to above the bound. Each place is a hyperbolic-sine cluster;
the density of nodes is their sum, so that the rule keeps its exponential convergence with a third of the nodes of an
even grid.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from lowtail.errors import NoAnswerError

__all__ = ["CUT", "FINE", "QUICK", "SMOOTH", "WHOLE", "angle_share", "check_cover", "log_sums", "make_grid", "pieces"]

Array = NDArray[np.float64]

CUT = 34.0  # log units below the top at which the grid ends
FINE = (0.06, 0.45)  # step in the stretched variable; closest spacing in units of the narrowest feature
QUICK = (0.12, 0.6)  # the same for batches
SMOOTH = (0.02, 0.12)  # the same for draws, which interpolate between nodes
_COARSE = 40
_TABLE = 600
_EDGE = 1e-6  # weight at an end of a grid, over the highest, up to which the grid covers its mass
_HEAVIEST = 0.5  # share of the mass on one node up to which the nodes stand close enough
WHOLE = 2**22  # array elements worked on at once


def check_cover(weight: Array, what: str, *, edge: float = _EDGE, heaviest: float = _HEAVIEST) -> None:
    """Refuse a grid that ends before its mass does, or whose nodes stand too far apart for it.

    The one check of every numerical integration: no limit of a grid may bend an answer unseen.

    Parameters
    ----------
    weight : ndarray, shape (..., m)
        Weights of the nodes along the last axis, not negative, in any unit.
    what : str
        What is integrated, for the message.
    edge : float
        Largest weight allowed at either end, over the highest of the row.
    heaviest : float
        Largest share of a row's mass allowed on one node.

    Raises
    ------
    NoAnswerError
        If a row's mass runs over an end, stands on one node, or is not a number.
    """
    if not weight.size:
        return
    highest = weight.max(axis=-1)
    ends = np.maximum(weight[..., 0], weight[..., -1])
    good = (ends <= edge * highest) & (highest <= heaviest * weight.sum(axis=-1))
    if not good.all():
        first = int(np.flatnonzero(~np.atleast_1d(good))[0])
        row = f" (row {first})" if np.size(good) > 1 else ""
        raise NoAnswerError(
            f"{what}{row}: the grid of the numerical integration does not cover where the probability lies, so that no "
            "number is given. Check the loads for a slip of the unit; if they are right, this sample cannot be "
            "answered."
        )


def angle_share(df: float) -> float:
    """Share of a right angle that holds Student's t written as ``sqrt(df) tan(angle)``: all of it up to 60 degrees.

    Above that the density, ``cos(angle)^(df - 1)``, is nearly normal with a width of ``1 / sqrt(df)``; 9 widths hold
    all but 1e-17 of it.
    """
    return 1.0 if df <= 60 else 9.0 / np.sqrt(df) / (np.pi / 2)


def pieces(columns: int, width: int, whole: int = WHOLE) -> list[slice]:
    """Cut ``columns`` into slices such that a slice times ``width`` array elements stays within ``whole``."""
    size = max(1, whole // max(width, 1))
    return [slice(i, i + size) for i in range(0, columns, size)]


def log_sums(k: Array, v: Array) -> Array:
    """Log of the sum of ``exp(k v)`` over the specimens of each row: k (B, m), v (B, n) at most 0, to (B, m)."""
    parts = pieces(k.shape[1], v.size)
    if len(parts) <= 1:
        return np.asarray(np.log(np.exp(k[:, :, None] * v[:, None, :]).sum(axis=2)))
    return np.concatenate([np.log(np.exp(k[:, p, None] * v[:, None, :]).sum(axis=2)) for p in parts], axis=1)


def make_grid(
    log_density: Callable[[Array], Array],
    start: Array,
    slope: Array,
    narrow: Array,
    bulk: Array,
    tail: float,
    grid: tuple[float, float],
) -> tuple[Array, Array]:
    """Nodes and weights of a batch; rows should be alike (same number of breaks), since they share one stretch.

    Parameters
    ----------
    log_density : callable
        Log density of ``t = ln k`` up to a constant, (B, m) -> (B, m); one top a row.
    start, slope : (B,) arrays
        A guess of the top; the power of k with which the density falls to the left.
    narrow, bulk : (B,) arrays
        Width in t of the switch and of the density.
    tail : float
        Probability below the bound that is looked for.
    grid : (float, float)
        `FINE` or `QUICK`.

    Returns
    -------
    t, weight : (B, m) arrays
        Each row of ``weight`` sums to 1.
    """
    t, logp, first, last = _window(log_density, start, slope)
    rows = np.arange(t.shape[0])
    top = t[rows, logp.argmax(axis=1)]
    left, right = t[rows, np.maximum(first - 1, 0)] - top, t[rows, np.minimum(last + 1, _COARSE - 1)] - top
    switch = np.median(_quantile(t, logp, tail) - top)
    step, fine = grid
    wide = float(bulk.min())
    spans = np.array([min(float(narrow.min()), wide), wide]) * fine / step
    offset, rate = _stretch(float(left.min()), float(right.max()), np.array([switch, 0.0]), spans, step)
    t = top[:, None] + offset
    logp = log_density(t)
    weight = np.exp(logp - logp.max(axis=1, keepdims=True)) / rate
    weight[:, [0, -1]] *= 0.5
    check_cover(weight, "Spread of the loads")
    return t, np.asarray(weight / weight.sum(axis=1, keepdims=True))


def _window(
    log_density: Callable[[Array], Array], start: Array, slope: Array
) -> tuple[Array, Array, NDArray[np.intp], NDArray[np.intp]]:
    """Coarse grid over the density, with the first and last point within `CUT` of its top."""
    left = start - (CUT + 6.0) / np.minimum(slope, 40.0) - 2.5
    right = start + 3.0
    share = np.linspace(0.0, 1.0, _COARSE)
    for _ in range(12):
        t = left[:, None] + (right - left)[:, None] * share
        logp = log_density(t)
        inside = logp >= (logp.max(axis=1) - CUT)[:, None]
        first, last = inside.argmax(axis=1), _COARSE - 1 - inside[:, ::-1].argmax(axis=1)
        gap = (right - left) / (_COARSE - 1)
        open_left, open_right = first == 0, last == _COARSE - 1
        settled = ~open_left & ~open_right & (last - first >= 10)
        if settled.all():
            break
        further = np.where(open_left, left - (right - left), np.where(settled, left, left + (first - 1) * gap))
        right = np.where(open_right, right + 3.0, np.where(settled, right, left + (last + 1) * gap))
        left = further
    return t, logp, first, last


def _stretch(left: float, right: float, centres: Array, spans: Array, step: float) -> tuple[Array, Array]:
    """Offsets between ``left`` and ``right`` with one cluster a centre, and the density of nodes there."""

    def stretched(t: Array) -> Array:
        return np.asarray(np.arcsinh((t[:, None] - centres) / spans).sum(axis=1))

    def rate(t: Array) -> Array:
        return np.asarray((1 / np.hypot(spans, t[:, None] - centres)).sum(axis=1))

    low, high = stretched(np.array([left, right]))
    x = np.linspace(low, high, max(int(np.ceil((high - low) / step)) + 1, 24))
    near = np.sinh(np.linspace(-9.0, 9.0, _TABLE // 2)) * np.exp(-9.0)
    table = np.concatenate([np.linspace(left, right, _TABLE), *(c + 2 * (right - left) * near for c in centres)])
    table = np.unique(np.clip(table, left, right))
    t = np.interp(x, stretched(table), table)
    for _ in range(4):
        t = np.clip(t - (stretched(t) - x) / rate(t), left, right)
    return t, rate(t)


def _quantile(t: Array, logp: Array, tail: float) -> Array:
    """Quantile of ln k from a coarse grid, taken as log-linear between its points."""
    size = np.abs(np.diff(logp, axis=1))
    top = np.maximum(logp[:, 1:], logp[:, :-1]) - logp.max(axis=1, keepdims=True)
    mass = np.exp(top) * np.where(size > 1e-6, -np.expm1(-size) / np.maximum(size, 1e-6), 1.0)
    total = np.cumsum(mass, axis=1)
    goal = tail * total[:, -1]
    j = np.minimum((total < goal[:, None]).sum(axis=1), mass.shape[1] - 1)
    rows = np.arange(j.size)
    part = np.clip((goal - total[rows, j] + mass[rows, j]) / mass[rows, j], 0.0, 1.0)
    return np.asarray(t[rows, j] + part * (t[rows, j + 1] - t[rows, j]))
