"""Difference of two complete arms' means of ln load: half a normal and half a Weibull confidence distribution.

Arm i has mean m_i, variance s_i^2, n_i specimens; e_i = s_i / sqrt(n_i). If ln load is normal, sqrt(n) (mean - true
mean) / s follows Student's t; if load is Weibull, it follows a distribution of its own, T_n, that depends on n alone.
The confidence distribution of the difference is then d - (e_2 T_2 - e_1 T_1), by either (Behrens-Fisher). Half and half
is the mean of the two distribution functions: its tails are the p values, its quantiles the interval, so that both
belong together. Error rates: ``tests/truth/compare_type1.csv``, ``compare_margins.csv``.

T_n is held as an increasing function of Student's t with n - 1 degrees of freedom, from seeded draws: both have the
tail index n - 1, so that their quotient settles in the tails.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["FAMILIES", "Arms", "limit", "reach", "tail"]

Array = NDArray[np.float64]

FAMILIES = ("half and half", "farther", "normal", "weibull")
DRAWS, _SEED = 400_000, 20_260
_SIZES = (2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 20, 30, 60, 120, 240)  # numbers drawn; between them T_n is interpolated
_MOST_DRAWN = 30  # larger numbers are put together from halves
_SCORES = np.linspace(-3.6, 3.6, 73)  # normal scores of the levels held: 64 of 400,000 draws lie beyond each end
_DENSE = np.linspace(-8.0, 8.0, 801)  # normal scores of the grid that is summed over
_ANGLES = 33  # at which limits are held; cubic between them


@dataclass(frozen=True, slots=True, eq=False)
class Arms:
    """Moments of pairs of complete arms on ln load, each of shape (B,): difference of means, s^2 / n, and n.

    Attributes
    ----------
    shift : array
        Mean of the other arm minus that of the reference.
    a, b : array
        Variance of the mean of the reference and of the other arm; at least one above 0.
    n_reference, n_other : int
        Specimens, at least 2.
    """

    shift: Array
    a: Array
    b: Array
    n_reference: int
    n_other: int

    @classmethod
    def of(cls, x: Array, y: Array) -> Arms:
        """From log loads: x (B, n) of the reference, y (B, m) of the other arm."""
        n, m = x.shape[1], y.shape[1]
        return cls(y.mean(axis=1) - x.mean(axis=1), x.var(axis=1, ddof=1) / n, y.var(axis=1, ddof=1) / m, n, m)

    @property
    def error(self) -> Array:
        """Standard error of the difference."""
        return np.asarray(np.sqrt(self.a + self.b))

    @property
    def angle(self) -> Array:
        """Angle whose sine is the share of the reference arm in the standard error, 0 to a right angle."""
        return np.asarray(np.arctan2(np.sqrt(self.a), np.sqrt(self.b)))


def limit(arms: Arms, confidence: float, family: str = "half and half") -> Array:
    """One-sided limit of the difference: it lies above the true one with this confidence (below: 1 - confidence).

    ``family`` "farther": the farther of the normal and the Weibull limit, for statements on one side.
    """
    return np.asarray(arms.shift + reach(arms.angle, arms.n_reference, arms.n_other, confidence, family) * arms.error)


def reach(angle: Array, n_reference: int, n_other: int, confidence: float, family: str = "half and half") -> Array:
    """Distance of a limit from the difference, in standard errors, by angle (see `Arms`); negative for a lower one."""
    from scipy.interpolate import CubicSpline

    if family == "farther":
        both = [reach(angle, n_reference, n_other, confidence, f) for f in ("normal", "weibull")]
        return np.asarray(np.maximum(*both) if confidence >= 0.5 else np.minimum(*both))
    knots, height = _reaches(n_reference, n_other, round(confidence, 12), family)
    return np.asarray(CubicSpline(knots, height)(angle))


def tail(arms: Arms, alternative: str = "two-sided", edge: float = 0.0, family: str = "half and half") -> Array:
    """P values of a difference of ``edge``: "less" (the other arm lies lower than that), "greater" or "two-sided"."""
    if family == "farther":
        return np.asarray(np.maximum(*(tail(arms, alternative, edge, f) for f in ("normal", "weibull"))))
    q = (arms.shift - edge) / arms.error
    sizes = (arms.n_reference, arms.n_other)
    below, above = (_share(q, arms.angle, *sizes, family, above=side) for side in (False, True))
    if alternative == "two-sided":
        return np.asarray(np.minimum(1.0, 2 * np.minimum(below, above)))
    return below if alternative == "less" else above


def _share(q: Array, angle: Array, n_1: int, n_2: int, family: str, *, above: bool) -> Array:
    """P(cos T_2 - sin T_1 above, or below, q) for each row: an average over the component that weighs less."""
    out = np.empty(q.size)
    flat = angle <= np.pi / 4
    for rows, turn, n, m, sign in ((flat, angle, n_1, n_2, 1.0), (~flat, np.pi / 2 - angle, n_2, n_1, -1.0)):
        at = np.flatnonzero(rows)
        for piece in np.array_split(at, max(1, at.size // 2000)):
            if piece.size:  # the other way round the difference changes its sign
                out[piece] = _lean(sign * q[piece], turn[piece], n, m, family, above=above == (sign > 0))
    return out


def _lean(q: Array, angle: Array, n_1: int, n_2: int, family: str, *, above: bool) -> Array:
    """The same at angles up to half a right angle: the first arm's part on a grid of normal scores."""
    sin, cos = np.sin(angle)[:, None], np.cos(angle)[:, None]
    every = 1 if n_1 <= 3 else 2 if n_1 <= 5 else 5  # heavy tails take a fine grid
    mass = np.exp(-(_DENSE[::every] ** 2) / 2)
    kinds = ("normal", "weibull") if family == "half and half" else (family,)
    side = -1.0 if above else 1.0
    total = np.zeros(q.size)
    for kind in kinds:
        value = (q[:, None] + sin * _pivot(n_1, kind)[::every]) / cos
        total += special.ndtr(side * np.interp(value, _pivot(n_2, kind), _DENSE)) @ mass
    return np.asarray(total / (len(kinds) * mass.sum()))


@lru_cache(maxsize=1024)
def _pivot(n: int, kind: str) -> Array:
    """Student's t ("normal") or T_n ("weibull") at the normal scores `_DENSE`; beyond `_SCORES` the quotient stays."""
    half = special.stdtrit(n - 1, special.ndtr(_DENSE[: _DENSE.size // 2]))  # the lower half: sharp in the tail
    student = np.concatenate([half, [0.0], -half[::-1]])
    if kind == "normal":
        return student
    at = np.interp(_SCORES, _DENSE, student)
    pivot = np.interp(student, at, at + _excess(n))
    far = np.abs(_DENSE) > _SCORES[-1]
    quotient = 1 + _excess(n)[[0, -1]] / at[[0, -1]]
    pivot[far] = student[far] * np.where(_DENSE[far] < 0, *quotient)
    return np.asarray(pivot)


def _excess(n: int) -> Array:
    """T_n less Student's t at the levels held; straight in 1 / sqrt(n) between the numbers drawn, none without end."""
    if n in _SIZES:
        return _drawn(n)
    below = max(s for s in _SIZES if s < n)
    above = min((s for s in _SIZES if s > n), default=None)
    u_1, u_2 = below**-0.5, 0.0 if above is None else above**-0.5
    share = (n**-0.5 - u_2) / (u_1 - u_2)
    return np.asarray(share * _drawn(below) + (0.0 if above is None else (1 - share) * _drawn(above)))


@lru_cache(maxsize=len(_SIZES))
def _drawn(n: int) -> Array:
    mean, square = _moments(n)
    pivot = mean * np.sqrt(n * (n - 1) / square)
    return np.asarray(np.quantile(pivot, special.ndtr(_SCORES)) - special.stdtrit(n - 1, special.ndtr(_SCORES)))


@lru_cache(maxsize=len(_SIZES))
def _moments(n: int) -> tuple[Array, Array]:
    """Means and sums of squared distances of n log loads, standard extreme value about their expectation, seeded."""
    rng = np.random.default_rng([_SEED, n])
    if n > _MOST_DRAWN:
        mean, square = _moments(n // 2)
        one, two = rng.permutation(DRAWS), rng.permutation(DRAWS)
        return (mean[one] + mean[two]) / 2, square[one] + square[two] + n / 4 * (mean[one] - mean[two]) ** 2
    total, square = np.zeros(DRAWS), np.zeros(DRAWS)
    for i in range(n):  # Welford's recurrence: one array at a time
        gap = np.log(rng.standard_exponential(DRAWS)) + np.euler_gamma - total
        total += gap / (i + 1)
        square += gap * gap * (i / (i + 1))
    return total, square


@lru_cache(maxsize=4096)
def _reaches(n_1: int, n_2: int, confidence: float, family: str) -> tuple[Array, Array]:
    """Reach of a limit over a grid of angles, by false position in asinh of the reach, nearly straight there."""
    angle = (1 - np.cos(np.linspace(0.0, np.pi, _ANGLES))) * np.pi / 4  # closer at both ends, where one arm rules
    want = float(special.logit(confidence))

    def miss(at: Array) -> Array:
        got = _share(-np.sinh(at), angle, n_1, n_2, family, above=True)
        return np.asarray(special.logit(np.clip(got, 1e-300, 1 - 1e-16)) - want)

    student = (special.stdtrit(n - 1, confidence) for n in (n_1, n_2))
    start = np.arcsinh(np.hypot(*(s * turn for s, turn in zip(student, (np.sin(angle), np.cos(angle)), strict=True))))
    start = start if confidence >= 0.5 else -start
    low, high, step = start - 0.1, start + 0.1, 0.1
    below, above = miss(low), miss(high)
    while (below > 0).any() or (above < 0).any():
        step *= 2
        low, high = np.where(below > 0, low - step, low), np.where(above < 0, high + step, high)
        below, above = miss(low), miss(high)
    for _ in range(60):
        middle = low - below * (high - low) / (above - below)
        off = miss(middle)
        if np.abs(off).max() < 1e-8:
            break
        short = off < 0  # the end that stays counts half: the Illinois rule
        low, below = np.where(short, middle, low), np.where(short, off, below / 2)
        high, above = np.where(short, high, middle), np.where(short, above / 2, off)
    return angle, np.sinh(middle)
