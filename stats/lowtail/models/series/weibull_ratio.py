"""Fast confidence for the ratio of medians of two Weibull series, for many pairs at once.

A saddlepoint form of the two confidence distributions (from the likelihood at its maximum, and at its maximum with the
ratio held) places almost every pair far from the level asked for; those whose error might carry them across it are
averaged over draws. Series are log loads, so that a ratio is a difference of medians.

References
----------
DiCiccio and Martin (1993) J. R. Statist. Soc. B 55:305-316 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.models.distributions.likelihood import weibull_root
from lowtail.models.series.weibull_draws import Drawn, points

__all__ = ["ratio_confidence", "take"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Series = tuple[Array, Flags | None]

_HAZARD = math.log(math.log(2.0))  # of the median
_STEPS, _CLOSE = 25, 1e-4
_PIECE = 1000  # rows at a time: about the size of a core's cache


def ratio_confidence(reference: Series, other: Series, edge: float, levels: tuple[float, ...]) -> Array:
    """Confidence that the medians differ by more than ``edge`` (other - reference), sharp near the levels.

    Parameters
    ----------
    reference, other : (load, broke)
        Log loads (B, n) without padding, and which broke (None: all).
    edge : float
        Logarithm of the ratio asked about.
    levels : tuple of float
        Confidences near which the answer must be sharp.

    Returns
    -------
    (B,) array
        NaN where an arm has fewer than 2 different loads at break.
    """
    arms = (_Arm.of(*reference), _Arm.of(*other))
    out = np.full(arms[0].r.size, np.nan)
    usable = np.flatnonzero(arms[0].known & arms[1].known)
    if not usable.size:
        return out
    for rows in np.array_split(usable, max(1, usable.size // _PIECE)):
        out[rows] = _saddlepoint(arms[0].rows(rows), arms[1].rows(rows), edge)
    score = special.ndtri(np.clip(out[usable], 1e-12, 1 - 1e-12))
    doubt = _doubt(arms[0].r[usable], arms[1].r[usable])
    near = np.logical_or.reduce([np.abs(score - special.ndtri(level)) < doubt for level in levels])
    rows = usable[near | np.isnan(score)]
    if rows.size:
        out[rows] = _by_draws(take(reference, rows), take(other, rows), edge)
    return out


def take(series: Series, rows: NDArray[np.intp]) -> Series:
    """Rows of a batch of series."""
    return series[0][rows], None if series[1] is None else series[1][rows]


def _by_draws(reference: Series, other: Series, edge: float) -> Array:
    u = points(reference[0].shape[0])
    first, second = Drawn(*reference, u[0]), Drawn(*other, u[2])
    return second.above(first.percentile(_HAZARD, u[1]) + edge, _HAZARD)


def _doubt(r_1: Array, r_2: Array) -> Array:
    """Largest error of the saddlepoint form seen in simulation, as a normal score, with a margin."""
    return np.asarray(1.5 * (1 / r_1 + 1 / r_2) ** 1.5)


@dataclass(frozen=True, slots=True, eq=False)
class _Arm:
    """Series of one arm: log loads, breaks and their mean, their number, and whether there is a distribution."""

    y: Array
    mean: Array
    r: Array
    known: Flags

    @classmethod
    def of(cls, y: Array, broke: Flags | None) -> _Arm:
        if broke is None:
            return cls(y, y.mean(axis=1), np.full(y.shape[0], float(y.shape[1])), np.ptp(y, axis=1) > 0)
        r = broke.sum(axis=1).astype(float)
        mean = np.where(broke, y, 0.0).sum(axis=1) / np.maximum(r, 1)
        low, high = np.where(broke, y, np.inf).min(axis=1), np.where(broke, y, -np.inf).max(axis=1)
        return cls(y, mean, r, (r >= 2) & (low < high))

    def rows(self, rows: NDArray[np.intp]) -> _Arm:
        return _Arm(self.y[rows], self.mean[rows], self.r[rows], self.known[rows])

    def fitted(self) -> tuple[Array, Array]:
        """Median and ln(1 / spread) of largest likelihood."""
        top = self.y.max(axis=1)
        target = self.mean - top
        k, _ = weibull_root(self.y - top[:, None], target, np.ones_like(top), 1.2 / np.maximum(-target, 1e-12))
        total = np.log(np.exp(k[:, None] * (self.y - top[:, None])).sum(axis=1))
        return top + (_HAZARD + total - np.log(self.r)) / k, np.log(k)

    def parts(self, q: Array, t: Array) -> tuple[Array, Array, Array, Array, Array, Array]:
        """Log-likelihood in median q and t = ln(1 / spread): value, d/dq, d/dt, d2/dq2, d2/dq dt, d2/dt2."""
        k = np.exp(t)
        d = k[:, None] * (self.y - q[:, None])
        e = np.exp(np.minimum(d + _HAZARD, 60.0))
        s0 = e.sum(axis=1)
        e *= d
        s1, s2 = e.sum(axis=1), np.einsum("ij,ij->i", e, d)
        pull = self.r * k * (self.mean - q)
        return (
            self.r * t + pull - s0,
            k * (s0 - self.r),
            self.r + pull - s1,
            -(k**2) * s0,
            k * (s0 - self.r + s1),
            pull - s1 - s2,
        )


def _saddlepoint(one: _Arm, two: _Arm, edge: float) -> Array:
    """Confidence by the saddlepoint form; NaN where it has none."""
    (q_1, t_1), (q_2, t_2) = one.fitted(), two.fitted()
    with np.errstate(all="ignore"):
        top = one.parts(q_1, t_1), two.parts(q_2, t_2)
        q, u_1, u_2, settled = _held(one, two, edge, (q_1, t_1), (q_2, t_2))
        low = one.parts(q, u_1), two.parts(q + edge, u_2)
        fall = top[0][0] + top[1][0] - low[0][0] - low[1][0]
        root = np.sign(q_2 - q_1 - edge) * np.sqrt(np.maximum(2 * fall, 0.0))
        free = np.prod([p[3] * p[5] - p[4] ** 2 for p in top], axis=0)
        bound = -(low[0][3] + low[1][3]) * low[0][5] * low[1][5]
        bound += low[0][4] ** 2 * low[1][5] + low[1][4] ** 2 * low[0][5]
        u = low[1][1] * np.sqrt(bound / free)
        got = special.ndtr(root + np.log(u / root) / root)
    return np.where(settled & (np.abs(root) > 0.05), got, np.nan)  # at the top itself the form is 0 / 0


def _held(
    one: _Arm, two: _Arm, edge: float, first: tuple[Array, Array], second: tuple[Array, Array]
) -> tuple[Array, Array, Array, Flags]:
    """Median of the reference and both t of largest likelihood with the ratio held, by damped Newton steps."""
    k_1, k_2 = np.exp(first[1]), np.exp(second[1])
    w_1, w_2 = one.r * k_1**2, two.r * k_2**2
    q = (w_1 * first[0] + w_2 * (second[0] - edge)) / (w_1 + w_2)
    t_1 = first[1] - 0.5 * np.log1p((k_1 * (q - first[0])) ** 2)
    t_2 = second[1] - 0.5 * np.log1p((k_2 * (q + edge - second[0])) ** 2)
    done = np.zeros(q.size, dtype=bool)
    rows = np.arange(q.size)
    for _ in range(_STEPS):
        a = one.rows(rows).parts(q[rows], t_1[rows])
        b = two.rows(rows).parts(q[rows] + edge, t_2[rows])
        d_1, d_2 = np.minimum(a[5], -0.5 * one.r[rows]), np.minimum(b[5], -0.5 * two.r[rows])
        curve = a[3] + b[3] - a[4] ** 2 / d_1 - b[4] ** 2 / d_2
        curve = np.minimum(curve, 0.2 * (a[3] + b[3]))
        width = np.exp(-np.maximum(t_1[rows], t_2[rows]))
        step = np.clip(-(a[1] + b[1] - a[4] * a[2] / d_1 - b[4] * b[2] / d_2) / curve, -width, width)
        s_1, s_2 = np.clip(-(a[2] + a[4] * step) / d_1, -0.7, 0.7), np.clip(-(b[2] + b[4] * step) / d_2, -0.7, 0.7)
        q[rows] += step
        t_1[rows] += s_1
        t_2[rows] += s_2
        small = np.abs(step) / width + np.abs(s_1) + np.abs(s_2) < _CLOSE
        done[rows[small]] = True
        rows = rows[~small]
        if not rows.size:
            break
    return q, t_1, t_2, done
