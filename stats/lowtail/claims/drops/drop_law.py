"""Broke or held at a drop severity: the probit or logit distribution on a grid, plain and bias-reduced, many series.

``t`` is the severity on the axis of the distribution (its logarithm, or itself); P(broke) = F((t - middle) / spread).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from lowtail.errors import InputError

__all__ = ["LINKS", "Counts", "count", "fit_counts", "information", "severity_interval", "tolerance"]

Array = NDArray[np.float64]
Link = Literal["probit", "logit"]
LINKS: tuple[str, ...] = get_args(Link)
_SPREADS = 49
_STEPS = 240
_REACH = 3  # an end farther outside the tested range than this many ranges is no limit


@dataclass(frozen=True, slots=True, eq=False)
class Counts:
    """Drops and breaks at each distinct severity, in rising order."""

    t: Array
    n: Array
    k: Array

    @property
    def separated(self) -> bool:
        """True where no specimen held above one that broke: the likelihood then has no finite maximum."""
        held, broke = self.t[self.k < self.n], self.t[self.k > 0]
        return bool(held.size == 0 or broke.size == 0 or held.max() <= broke.min())


def count(t: ArrayLike, broke: ArrayLike) -> Counts:
    """Drops and breaks at each distinct severity."""
    value, place = np.unique(np.asarray(t, dtype=np.float64), return_inverse=True)
    n: Array = np.asarray(np.bincount(place, minlength=value.size), dtype=np.float64)
    broken = np.asarray(broke, dtype=np.float64)
    k: Array = np.asarray(np.bincount(place, weights=broken, minlength=value.size), dtype=np.float64)
    return Counts(value, n, k)


def tolerance(link: str, fraction: float) -> float:
    """Standard quantile of the link's distribution at a fraction broken."""
    return float(stats.norm.ppf(fraction) if link == "probit" else special.logit(fraction))


def _logs(link: str, z: Array) -> tuple[Array, Array, Array]:
    """Log of P(broke), of P(held), and the information weight of one drop on the z scale."""
    if link == "probit":
        broke, held = special.log_ndtr(z), special.log_ndtr(-z)
        return broke, held, np.exp(-z * z - np.log(2 * np.pi) - broke - held)
    if link != "logit":
        raise InputError(f"`link` must be one of {', '.join(map(repr, LINKS))}, got {link!r}.")
    broke, held = special.log_expit(z), special.log_expit(-z)
    return broke, held, np.exp(broke + held)


def information(link: str, counts: Counts, middle: ArrayLike, spread: ArrayLike) -> Array:
    """Expected information of (intercept, slope), shape (..., 2, 2)."""
    m, s = np.asarray(middle, dtype=float)[..., None], np.asarray(spread, dtype=float)[..., None]
    weight = counts.n * _logs(link, (counts.t - m) / s)[2]
    moments = [(weight * counts.t**j).sum(axis=-1) for j in (0, 1, 2)]
    return np.stack([np.stack([moments[0], moments[1]], -1), np.stack([moments[1], moments[2]], -1)], -2)


def _penalty(link: str, counts: Counts, middle: Array, spread: Array) -> Array:
    centre = counts.t.mean()
    z = (counts.t - middle[..., None]) / spread[..., None]
    weight = counts.n * _logs(link, z)[2]
    gap = counts.t - centre
    first = weight.sum(axis=-1)
    det = first * (weight * gap**2).sum(axis=-1) - (weight * gap).sum(axis=-1) ** 2
    return np.asarray(0.5 * np.log(np.maximum(det, 1e-300)))


def fit_counts(link: str, counts: Counts) -> tuple[float, float]:
    """Bias-reduced (middle, spread): the maximum of likelihood times the root of the information's determinant.

    Finite where outcomes separate and where the plain maximum would be infinite.

    References
    ----------
    Firth (1993), Biometrika 80, 27-38; Heinze and Schemper (2002), Statistics in Medicine 21, 2409-2419 (from memory).
    """
    from scipy.optimize import minimize

    reach = float(np.ptp(counts.t))

    def minus(theta: Array) -> float:
        middle, spread = np.array(theta[0]), np.array(np.exp(theta[1]))
        broke, held, _ = _logs(link, (counts.t - middle) / spread)
        value = float((counts.k * broke + (counts.n - counts.k) * held).sum())
        return -(value + float(_penalty(link, counts, middle, spread)))

    start = [float(np.average(counts.t)), np.log(reach / 4)]
    found = minimize(minus, start, method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10, "maxiter": 4000})
    return float(found.x[0]), float(np.exp(found.x[1]))


def severity_interval(
    link: str,
    counts: Counts,
    fraction: float,
    fitted: tuple[float, float],
    confidence: float,
    draws: int,
    rng: np.random.Generator,
) -> tuple[float, float, float]:
    """Two-sided interval of the severity at which ``fraction`` break: (low, high, critical value).

    Bias-reduced profile likelihood, its critical value taken from ``draws`` series simulated at the fit (never below
    the chi-square one); ends at -inf or inf where the data give no limit.
    """
    reach = float(np.ptp(counts.t))
    at = fitted[0] + fitted[1] * tolerance(link, fraction)
    spread = np.exp(np.linspace(np.log(reach / 60), np.log(8 * reach), _SPREADS))
    below = np.geomspace(1e-3, 10, _STEPS // 2) * reach
    row = np.concatenate([at - below[::-1], [at], at + below])
    middle = row[:, None] - spread[None, :] * tolerance(link, fraction)
    wide = np.broadcast_to(spread, middle.shape)
    broke, held, _ = _logs(link, (counts.t - middle[..., None]) / wide[..., None])
    penalty = _penalty(link, counts, middle, wide)
    home = _STEPS // 2
    chance = np.exp(_logs(link, (counts.t - fitted[0]) / fitted[1])[0])
    simulated = rng.binomial(counts.n.astype(int), chance, size=(draws, counts.n.size)).astype(float)
    drop = np.empty(draws)
    for start in range(0, draws, 100):
        part = simulated[start : start + 100]
        value = broke @ part.T + held @ (counts.n - part).T + penalty[..., None]
        profile = value.max(axis=1)
        drop[start : start + 100] = 2 * (profile.max(axis=0) - profile[home])
    critical = max(float(np.quantile(drop, confidence)), float(stats.chi2.ppf(confidence, 1)))
    profile = (broke @ counts.k + held @ (counts.n - counts.k) + penalty).max(axis=1)
    short = 2 * (profile.max() - profile) - critical
    low, high = _end(row, short, -1), _end(row, short, 1)
    low = low if low > counts.t[0] - _REACH * reach else -np.inf
    high = high if high < counts.t[-1] + _REACH * reach else np.inf
    return low, high, critical


def _end(row: Array, short: Array, side: int) -> float:
    """Where the profile last stays within the critical value on one side; infinite where it never leaves it."""
    order = slice(None, None, -side)  # walk from the outside in
    x, y = row[order], short[order]
    if y[0] <= 0:
        return side * float("inf")
    i = int(np.flatnonzero(y <= 0)[0])
    return float(x[i] + (x[i - 1] - x[i]) * (0 - y[i]) / (y[i - 1] - y[i]))
