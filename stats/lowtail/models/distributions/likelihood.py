"""One likelihood engine: right-censored maximum likelihood for a batch of samples at once.

Everything reduces to a location-scale distribution of ``y`` (load or log load). Rows are centred and scaled before any
exponential is taken, so that results do not depend on the unit. Weibull rows are solved by their profile equation in
the shape (safeguarded Newton, one bracketed root); normal rows with survivors by Newton in (location / spread, 1 /
spread), where the log-likelihood is concave; complete normal rows have a closed form.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfcx, log_ndtr

from lowtail._shared.resolution import SAME
from lowtail.errors import InputError
from lowtail.models.distributions.families import Family

__all__ = [
    "BAD_VALUE",
    "FEW_BREAKS",
    "NOT_CONVERGED",
    "NO_BREAKS",
    "OK",
    "STATUS_TEXT",
    "TIED",
    "Scaled",
    "maximise",
    "mills",
    "prepare",
    "weibull_root",
]

Array = NDArray[np.float64]

OK, NO_BREAKS, FEW_BREAKS, TIED, BAD_VALUE, NOT_CONVERGED = range(6)
STATUS_TEXT = (
    "",
    "no specimen broke",
    "fewer than 2 different loads at break",
    "every break is tied with the largest load",
    "a load is missing, infinite, zero or negative",
    "the search did not converge",
)
_MAX_STEPS = 200


@dataclass(frozen=True, slots=True, eq=False)
class Scaled:
    """A batch of samples on the scaled ``y`` axis; rows of B samples, columns of up to n specimens.

    ``z = (y - centre) / scale``; padding is ``-inf`` in ``z`` and False in ``fail`` and ``held``.
    """

    z: Array
    fail: NDArray[np.bool_]
    held: NDArray[np.bool_]
    centre: Array
    scale: Array
    n: NDArray[np.int64]
    r: NDArray[np.int64]
    distinct: NDArray[np.bool_]  # at least two different loads at break
    bounded: NDArray[np.bool_]  # not every break is tied with the largest load
    bad: NDArray[np.bool_]

    def rows(self, keep: Any) -> Scaled:
        """Return the same batch with only the rows ``keep``."""
        return Scaled(*(getattr(self, name)[keep] for name in self.__slots__))


def prepare(load: ArrayLike, broke: ArrayLike | None, family: Family) -> Scaled:
    """Check, transform, centre and scale a (B, n) batch of loads, NaN-padded.

    Parameters
    ----------
    load : array_like, shape (B, n) or (n,)
        Loads greater than 0; NaN marks padding.
    broke : array_like of bool, same shape, optional
        Default: every load is a break.
    family : Family

    Raises
    ------
    InputError
        If the shapes differ or are not one- or two-dimensional.
    """
    x = np.atleast_2d(np.asarray(load, dtype=np.float64))
    flags = np.ones(x.shape, dtype=bool) if broke is None else np.atleast_2d(np.asarray(broke, dtype=bool))
    if x.ndim != 2 or flags.shape != x.shape:
        raise InputError(f"`load` and `broke` must share one (B, n) shape, got {x.shape} and {flags.shape}.")
    there = ~np.isnan(x)
    bad = np.asarray((there & ~(np.isfinite(x) & (x > 0))).any(axis=1) | ~there.any(axis=1))
    usable = there & ~bad[:, None]
    with np.errstate(all="ignore"):
        y = np.where(usable, family.transform(np.where(usable, x, 1.0)), 0.0)
    fail, held = usable & flags, usable & ~flags
    n, r = usable.sum(axis=1), fail.sum(axis=1)
    pick = np.where((r > 0)[:, None], fail, usable)
    count = np.maximum(pick.sum(axis=1), 1)
    centre = np.where(pick, y, 0.0).sum(axis=1) / count
    high = np.where(usable, y, -np.inf).max(axis=1, initial=-np.inf)
    high_fail = np.where(fail, y, -np.inf).max(axis=1, initial=-np.inf)
    most, least = np.where(fail, x, 0.0).max(axis=1, initial=0.0), np.where(fail, x, np.inf).min(axis=1, initial=np.inf)
    apart = most - least > SAME * most  # noise in the last digits is no scatter
    below = np.where(usable, x, 0.0).max(axis=1, initial=0.0) - least > SAME * least
    centre = np.where((r > 0) & ~apart, high_fail, centre)  # exact for tied breaks
    dev = np.where(pick, y - centre[:, None], 0.0)
    scale = np.where((r > 0) & ~apart, 0.0, np.sqrt((dev**2).sum(axis=1) / count))
    rise = np.where(np.isfinite(high), high - centre, 0.0)
    scale = np.where(scale > 0, scale, np.where(rise > 0, rise, 1.0))
    with np.errstate(invalid="ignore"):
        z = np.where(usable, (y - centre[:, None]) / scale[:, None], -np.inf)
    return Scaled(z, fail, held, centre, scale, n, r, apart, below, bad)


def mills(x: Array) -> Array:
    """Ratio of the normal density to its distribution function at ``x``, stable in both tails."""
    with np.errstate(over="ignore", divide="ignore"):
        return np.asarray(np.sqrt(2 / np.pi) / erfcx(-x / np.sqrt(2)))


def weibull_root(v: Array, target: Array, numerator: Array, start: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Solve ``numerator / k + target - A(k) = 0`` for each row, ``A`` the ``exp(k v)``-weighted mean of ``v``.

    The left side falls strictly from plus infinity to ``target - max(v) < 0``: one root, kept in a bracket.

    Parameters
    ----------
    v : (B, n) array
        Deviations from the row's largest value (all <= 0, ``-inf`` for padding).
    target : (B,) array
        Mean of ``v`` over the breaks, below 0.
    numerator : (B,) array
        1 for the maximum of the likelihood, (r - 1) / r for the mode of the confidence density of ln k.
    start : (B,) array
        First guess of k.
    """
    low = -numerator / target  # A(k) <= 0 puts the root above this
    high = np.full(low.shape, np.inf)
    k = np.maximum(start, low)
    done = np.zeros(low.shape, dtype=bool)
    active = np.arange(low.size)
    v = np.maximum(v, -1e300)  # padding: no weight, and no inf times 0
    for _ in range(_MAX_STEPS):
        if not active.size:
            break
        every = active.size == k.size
        ka, va = (k, v) if every else (k[active], v[active])
        e = np.exp(ka[:, None] * va)
        total = e.sum(axis=1)
        e *= va
        mean = e.sum(axis=1) / total
        variance = np.maximum(np.einsum("ij,ij->i", e, va) / total - mean * mean, 0.0)
        g = numerator[active] / ka + target[active] - mean
        above = g < 0
        high[active] = np.where(above, np.minimum(high[active], ka), high[active])
        low[active] = np.where(above, low[active], np.maximum(low[active], ka))
        new = ka + g / (numerator[active] / ka**2 + variance)
        lo, hi = low[active], high[active]
        outside = ~((new >= lo) & (new <= hi))
        fallback = np.where(np.isinf(hi), 2.0 * ka, np.sqrt(lo * np.where(np.isinf(hi), 1.0, hi)))
        new = np.where(outside, fallback, new)
        settled = (~outside & (np.abs(new - ka) <= 2e-8 * ka)) | (hi - lo <= 4e-15 * lo)  # quadratic: this ends it
        k[active] = new
        done[active[settled]] = True
        active = active[~settled]
    return k, done


def _weibull(s: Scaled) -> tuple[Array, Array, NDArray[np.bool_]]:
    top = s.z.max(axis=1)
    v = s.z - top[:, None]
    target = np.where(s.fail, v, 0.0).sum(axis=1) / s.r
    k, done = weibull_root(v, target, np.ones(s.r.size), np.full(s.r.size, 1.2))
    log_total = np.log(np.exp(k[:, None] * v).sum(axis=1))
    return top + (log_total - np.log(s.r)) / k, 1 / k, done


def _normal(s: Scaled) -> tuple[Array, Array, NDArray[np.bool_]]:
    zero = np.where(s.fail | s.held, s.z, 0.0)
    zf = np.where(s.fail, zero, 0.0)
    spread = np.sqrt((zf**2).sum(axis=1) / s.r - (zf.sum(axis=1) / s.r) ** 2)
    location = zf.sum(axis=1) / s.r
    done = s.n == s.r
    rows = np.flatnonzero(~done)
    if rows.size:
        sub = s.rows(rows)
        location[rows], spread[rows], done[rows] = _normal_newton(sub)
    return location, spread, done


def _normal_newton(s: Scaled) -> tuple[Array, Array, NDArray[np.bool_]]:
    z = np.where(s.fail | s.held, s.z, 0.0)
    zf, fail, held = np.where(s.fail, z, 0.0), s.fail, s.held
    r = s.r.astype(float)
    sum1, sum2 = zf.sum(axis=1), (zf**2).sum(axis=1)

    def value(a: Array, h: Array, idx: NDArray[np.intp]) -> Array:
        with np.errstate(divide="ignore", invalid="ignore"):
            tail = np.where(held[idx], log_ndtr(a[:, None] - h[:, None] * z[idx]), 0.0).sum(axis=1)
            body = r[idx] * np.log(h) - 0.5 * (h * h * sum2[idx] - 2 * a * h * sum1[idx] + r[idx] * a * a)
        return np.where(h > 0, body + tail, -np.inf)

    n = s.n.astype(float)
    mean = z.sum(axis=1) / n
    spread = np.sqrt(np.maximum((np.where(fail | held, z - mean[:, None], 0.0) ** 2).sum(axis=1) / n, 0.01))
    a, h = mean / spread, 1 / spread
    done = np.zeros(r.size, dtype=bool)
    active = np.arange(r.size)
    best = value(a, h, active)
    for _ in range(_MAX_STEPS):
        if not active.size:
            break
        ai, hi, zi = a[active], h[active], z[active]
        x = ai[:, None] - hi[:, None] * zi
        m = np.where(held[active], mills(np.where(held[active], x, 0.0)), 0.0)
        curve = np.where(held[active], m * (m + x), 0.0)
        ga = hi * sum1[active] - r[active] * ai + m.sum(axis=1)
        gh = r[active] / hi - hi * sum2[active] + ai * sum1[active] - (m * zi).sum(axis=1)
        aa = -r[active] - curve.sum(axis=1)
        ah = sum1[active] + (curve * zi).sum(axis=1)
        hh = -r[active] / hi**2 - sum2[active] - (curve * zi * zi).sum(axis=1)
        det = aa * hh - ah * ah
        da, dh = -(hh * ga - ah * gh) / det, -(aa * gh - ah * ga) / det
        step = np.minimum(1.0, np.where(dh < 0, 0.9 * hi / np.maximum(-dh, 1e-300), 1.0))
        # the Newton decrement measures how far the log-likelihood can still rise
        rise = ga * da + gh * dh
        for _half in range(60):
            na, nh = ai + step * da, hi + step * dh
            new = value(na, nh, active)
            worse = ~(new >= best[active] - 1e-12 * (1 + np.abs(best[active])))
            if not worse.any():
                break
            step = np.where(worse, 0.5 * step, step)
        small = (np.abs(da) <= 1e-12 * (1 + np.abs(ai))) & (np.abs(dh) <= 1e-12 * hi)
        settled = small | (rise <= 1e-26)
        a[active], h[active], best[active] = na, nh, np.maximum(new, best[active])
        done[active[settled]] = True
        keep = ~settled
        if _ > 30:
            tiny = rise <= 1e-18 * (1 + np.abs(best[active]))
            done[active[tiny]] = True
            keep &= ~tiny
        active = active[keep]
    return a / h, 1 / h, done


def maximise(s: Scaled, family: Family) -> tuple[Array, Array, Array, NDArray[np.int8]]:
    """Right-censored maximum likelihood of every row.

    Returns
    -------
    location, spread, loglik, status : (B,) arrays
        On the unscaled ``y`` axis; ``loglik`` is that of the loads in the unit given (constants included). NaN where
        there is no answer; ``status`` then says why (`STATUS_TEXT`).
    """
    size = s.r.size
    location, spread, loglik = (np.full(size, np.nan) for _ in range(3))
    status = np.full(size, OK, dtype=np.int8)
    status[~s.bounded] = TIED
    status[s.r == 0] = NO_BREAKS
    status[s.bad] = BAD_VALUE
    rows = np.flatnonzero(status == OK)
    if rows.size:
        sub = s.rows(rows)
        loc, spr, done = _weibull(sub) if family.name == "weibull" else _normal(sub)
        loglik[rows] = log_likelihood(sub, family, loc, spr)
        location[rows] = sub.centre + sub.scale * loc
        spread[rows] = sub.scale * spr
        failed = rows[~done]
        status[failed] = NOT_CONVERGED
        for out in (location, spread, loglik):
            out[failed] = np.nan
    return location, spread, loglik, status


def log_likelihood(s: Scaled, family: Family, location: Array, spread: Array) -> Array:
    """Log-likelihood of the loads at a location and spread on the scaled axis, one value a row."""
    z = np.where(s.fail | s.held, s.z, 0.0)
    x = (z - location[:, None]) / spread[:, None]
    if family.name == "weibull":
        with np.errstate(over="ignore"):
            each = np.where(s.fail, x, 0.0) - np.where(s.fail | s.held, np.exp(x), 0.0)
    else:
        each = np.where(s.fail, -0.5 * x * x - 0.5 * np.log(2 * np.pi), np.where(s.held, log_ndtr(-x), 0.0))
    out = each.sum(axis=1) - s.r * np.log(spread * s.scale)
    if family.on_log:  # density of the load, not of its logarithm
        out = out - np.where(s.fail, s.centre[:, None] + s.scale[:, None] * z, 0.0).sum(axis=1)
    return np.asarray(out)
