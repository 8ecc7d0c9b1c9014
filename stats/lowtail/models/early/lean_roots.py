"""Signed roots of the likelihood ratio at one strength for many simulated samples at once, on arrays.

Samples are columns on the axis ``v = y - q``, with q the strength at the fraction below. The standard value of a
specimen is ``c + h v`` with h = 1 / spread; the strength at the fraction below is q where c = w, its standard quantile.
Held specimens enter by their different loads and how many held at each; breaks of the normal distribution by three
sums.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, Self, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx

__all__ = ["Columns", "Terms", "climb", "signed_roots"]

Array = NDArray[np.float64]
X = TypeVar("X", bound="Takes")
Terms = Callable[[X, Array], tuple[Array, list[Array], list[Array]]]

ABSENT = -1e300  # a break that is not there: no weight under any h
_STEPS = 100
_ENOUGH = 1e-8  # squared Newton decrement: what the log-likelihood can still rise
_ROOT2, _HAZARD = np.sqrt(2.0), np.sqrt(2.0 / np.pi)


class Takes(Protocol):
    """Samples as columns that can be left out."""

    def take(self, keep: NDArray[np.intp] | NDArray[np.bool_]) -> Self:
        """Only the columns ``keep``."""


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Samples as columns.

    Attributes
    ----------
    v, count : (m, M) arrays
        Different loads, and how many specimens stand at each: those that held, and for the Weibull those that broke.
        `ABSENT` with a count of 0 fills up.
    top : (M,) array
        Highest of them.
    r, first, second : (M,) arrays
        Number of breaks, their sum and their sum of squares.
    """

    v: Array
    count: Array
    top: Array
    r: Array
    first: Array
    second: Array

    @classmethod
    def of(cls, v: Array, fail: NDArray[np.bool_], limit: Array, held: Array, *, weibull: bool) -> Columns:
        """From values (n, M), whether each one broke, the loads held (K, M), and how many held there."""
        there = np.where(fail, v, 0.0)
        r = fail.sum(axis=0)
        at, count = np.where(held > 0, limit, ABSENT), held
        if weibull:
            breaks = np.where(fail, v, ABSENT)
            most = int(r.max(initial=0))
            if most < 0.7 * v.shape[0]:
                breaks = np.sort(breaks, axis=0)[v.shape[0] - most :]
            at = np.concatenate([breaks, at])
            count = np.concatenate([(breaks > ABSENT).astype(float), held])
        top = at.max(axis=0, initial=ABSENT)
        at = at if weibull else np.where(held > 0, limit, 0.0)
        return cls(at, count, top, r.astype(float), there.sum(axis=0), (there * there).sum(axis=0))

    def take(self, keep: NDArray[np.intp] | NDArray[np.bool_]) -> Columns:
        """Only the columns ``keep``."""
        return Columns(
            self.v[:, keep], self.count[:, keep], self.top[keep], self.r[keep], self.first[keep], self.second[keep]
        )


def _weibull_sums(x: Columns, shift: Array, h: Array) -> tuple[Array, Array, Array]:
    """Sums over all specimens of e^(shift + h v), the same times v, and times v squared."""
    e = h * x.v
    e += shift
    np.minimum(e, 300.0, out=e)
    np.exp(e, out=e)
    e *= x.count
    zero = e.sum(axis=0)
    e *= x.v
    one = e.sum(axis=0)
    e *= x.v
    return zero, one, e.sum(axis=0)


def _weibull_fixed(w: float) -> Terms[Columns]:
    def terms(x: Columns, theta: Array) -> tuple[Array, list[Array], list[Array]]:
        (h,) = theta
        zero, one, two = _weibull_sums(x, np.asarray(w), h)
        value = x.r * (np.log(h) + w) + h * x.first - zero
        return value, [x.r / h + x.first - one], [-x.r / h**2 - two]

    return terms


def _weibull_free(x: Columns, theta: Array) -> tuple[Array, list[Array], list[Array]]:
    """The location is at its best for each h: ``c = ln(r / sum e^(h v))``."""
    (h,) = theta
    zero, one, two = _weibull_sums(x, -h * x.top, h)
    mean = one / zero
    value = x.r * (np.log(h) + np.log(x.r) - np.log(zero) - h * x.top - 1.0) + h * x.first
    return value, [x.r / h + x.first - x.r * mean], [-x.r / h**2 - x.r * (two / zero - mean * mean)]


def _weibull_place(x: Columns, theta: Array) -> Array:
    (h,) = theta
    return np.asarray(np.log(x.r) - np.log(_weibull_sums(x, -h * x.top, h)[0]) - h * x.top)


def _normal_held(x: Columns, at: Array) -> tuple[Array, Array, Array]:
    """Log chance to hold at standard values (K, M), summed; hazard and its slope, each times the number that held."""
    inside = np.clip(at, -36.0, 1e8)
    scaled = erfcx(inside / _ROOT2)
    hazard = _HAZARD / scaled
    value = (x.count * (np.log(scaled / 2) - 0.5 * inside * inside)).sum(axis=0)
    return value, x.count * hazard, x.count * hazard * (hazard - inside)


def _normal(x: Columns, c: Array | float, h: Array) -> tuple[Array, tuple[Array, Array], tuple[Array, Array, Array]]:
    """Log-likelihood, its slopes in (c, h), and its second derivatives (cc, ch, hh)."""
    held, hazard, bend = _normal_held(x, c + h * x.v)
    by, twice = hazard * x.v, bend * x.v
    value = x.r * np.log(h) - 0.5 * (x.r * c * c + 2 * c * h * x.first + h * h * x.second) + held
    slope = (-x.r * c - h * x.first - hazard.sum(axis=0), x.r / h - c * x.first - h * x.second - by.sum(axis=0))
    curve = (
        -x.r - bend.sum(axis=0),
        -x.first - twice.sum(axis=0),
        -x.r / h**2 - x.second - (twice * x.v).sum(axis=0),
    )
    return value, slope, curve


def _normal_fixed(w: float) -> Terms[Columns]:
    def terms(x: Columns, theta: Array) -> tuple[Array, list[Array], list[Array]]:
        value, slope, curve = _normal(x, w, theta[0])
        return value, [slope[1]], [curve[2]]

    return terms


def _normal_free(x: Columns, theta: Array) -> tuple[Array, list[Array], list[Array]]:
    value, slope, curve = _normal(x, theta[0], theta[1])
    return value, list(slope), list(curve)


def _newton(slope: list[Array], curve: list[Array]) -> tuple[Array, Array]:
    """Newton step, and the rise it promises (twice); ``curve`` holds the upper triangle row by row."""
    if len(slope) == 1:
        step = (-slope[0] / curve[0])[None]
    elif len(slope) == 2:
        (a, b), (aa, ab, bb) = slope, curve
        det = aa * bb - ab * ab
        step = np.stack([-(bb * a - ab * b) / det, -(aa * b - ab * a) / det])
    else:
        step = _solve(slope, curve)
    return step, np.asarray(sum(a * b for a, b in zip(slope, step, strict=True)))


def _solve(slope: list[Array], curve: list[Array]) -> Array:
    """Newton step in three variables or more, in units of the curvature along each; never singular."""
    size = len(slope)
    hessian = np.empty((slope[0].size, size, size))
    pairs = [(i, j) for i in range(size) for j in range(i, size)]
    for (i, j), each in zip(pairs, curve, strict=True):
        hessian[:, i, j] = hessian[:, j, i] = np.nan_to_num(-each)
    along = np.einsum("mii->mi", hessian)
    unit = 1 / np.sqrt(np.where((along > 1e-200) & (along < 1e200), along, 1.0))
    hessian *= unit[:, :, None] * unit[:, None, :]
    hessian[:, range(size), range(size)] = 1.0 + 1e-9  # a concave function: the others lie between -1 and 1
    right = np.nan_to_num(np.stack(slope, axis=1)) * unit
    return np.asarray((np.linalg.solve(np.clip(hessian, -1.0, 1.0 + 1e-9), right[..., None])[..., 0] * unit).T)


def climb(terms: Terms[X], x: X, theta: Array) -> tuple[Array, Array]:
    """Maximise every column by Newton steps, halved where they do not rise; h is the last variable, kept positive."""
    out, best = theta.copy(), np.full(theta.shape[1], -np.inf)
    active = np.arange(theta.shape[1])
    here, value = theta, best
    step = np.zeros_like(theta)
    for _ in range(_STEPS):
        trial = here + step
        trial[-1] = np.clip(trial[-1], here[-1] / 4, here[-1] * 4)
        with np.errstate(all="ignore"):
            new, slope, curve = terms(x, trial)
            fresh, gain = _newton(slope, curve)
        good = new >= value - 1e-10 * (1 + np.abs(new))
        here, value = np.where(good, trial, here), np.where(good, new, value)
        step = np.where(good, fresh, step / 2)
        done = good & (gain <= _ENOUGH)
        out[:, active], best[active] = here, value + np.where(done, gain / 2, 0.0)
        left = ~done
        if not left.any():
            break
        if left.sum() < 0.7 * active.size:
            active, x = active[left], x.take(left)
            here, value, step = here[:, left], value[left], step[:, left]
        else:
            step[:, done] = 0.0
    return out, best


def signed_roots(law: str, w: float, x: Columns, start: Array) -> tuple[Array, Array]:
    """Signed root of the likelihood ratio at v = 0, and 1 / spread fitted with the strength held there, one a column.

    Parameters
    ----------
    law : {"weibull", "normal", "lognormal"}
    w : float
        Standard quantile of the fraction below.
    x : Columns
        Samples with 2 different loads at break.
    start : (M,) array
        First guess of 1 / spread.

    Returns
    -------
    root, h : (M,) arrays
        Positive roots where the fitted strength lies above v = 0.
    """
    if law == "weibull":
        with np.errstate(divide="ignore"):  # from the left, where Newton is quick; from the right it crawls
            reach = (3.0 + abs(w)) / np.maximum(x.top, 1e-300)
        held, value = climb(_weibull_fixed(w), x, np.minimum(start, reach)[None])
        free, best = climb(_weibull_free, x, held)
        place = _weibull_place(x, free)
    else:
        held, value = climb(_normal_fixed(w), x, start[None])
        free, best = climb(_normal_free, x, np.stack([np.full(start.size, w), held[0]]))
        place = free[0]
    return np.sign(w - place) * np.sqrt(np.maximum(2 * (best - value), 0.0)), held[0]
