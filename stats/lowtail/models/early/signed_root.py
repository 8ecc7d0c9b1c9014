"""The signed root of the likelihood ratio and the standard error of a percentile, for a batch on the scaled axis.

Written in the strength itself: standard value ``x = w + h * (z - q)`` with q the strength at the fraction below, w its
standard quantile and h = 1 / spread. With q fixed the log-likelihood is concave in h.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import log_ndtr

from lowtail.errors import NoAnswerError
from lowtail.models.distributions.families import Family
from lowtail.models.distributions.likelihood import OK, STATUS_TEXT, Scaled, maximise, mills, prepare

__all__ = ["fit_top", "on_y", "or_refuse", "plain", "profile", "signed_root", "standard_error", "terms", "usable"]

Array = NDArray[np.float64]


def terms(s: Scaled, law: Family, x: Array) -> tuple[Array, Array, Array]:
    """Log-likelihood of each specimen at standard value x (less ln h), and its first two derivatives in x."""
    if law.name == "weibull":
        with np.errstate(over="ignore"):
            e = np.exp(np.minimum(x, 600.0))
        value = np.where(s.fail, x, 0.0) - e
        return value, np.where(s.fail, 1.0, 0.0) - e, -e
    m = mills(-x)
    value = np.where(s.fail, -0.5 * x * x, log_ndtr(-x))
    return value, np.where(s.fail, -x, -m), np.where(s.fail, -1.0, -m * (m - x))


def profile(s: Scaled, law: Family, w: float, q: Array, start: Array) -> tuple[Array, Array]:
    """Maximise over h with the strength at the fraction below fixed at q; return h and the log-likelihood.

    The log-likelihood is concave in h; Newton steps never shrink or stretch h by more than a factor 4.
    """
    there = s.fail | s.held
    v = np.where(there, s.z - q[:, None], 0.0)
    reach = (3.0 + abs(w)) / np.maximum(np.abs(v).max(axis=1), 1e-300)
    h = np.minimum(start, reach)  # from the left, where Newton is quick; from the right it crawls down an exponential
    for _ in range(100):
        _, first, second = terms(s, law, w + h[:, None] * v)
        slope = s.r / h + np.where(there, first * v, 0.0).sum(axis=1)
        curve = -s.r / h**2 + np.where(there, second * v * v, 0.0).sum(axis=1)
        new = np.clip(h - slope / curve, h / 4, 4 * h)
        done = np.abs(new - h) <= 1e-9 * h
        h = new
        if done.all():
            break
    value, _, _ = terms(s, law, w + h[:, None] * v)
    return h, np.where(there, value, 0.0).sum(axis=1) + s.r * np.log(h)


def fit_top(s: Scaled, law: Family, w: float) -> tuple[Array, Array, Array]:
    """Unconstrained fit on the scaled axis: strength at the fraction below, 1 / spread, log-likelihood."""
    location, spread, _, _ = maximise(s, law)
    h = s.scale / spread
    top = (location - s.centre) / s.scale + w / h
    there = s.fail | s.held
    value, _, _ = terms(s, law, w + h[:, None] * np.where(there, s.z - top[:, None], 0.0))
    return top, h, np.where(there, value, 0.0).sum(axis=1) + s.r * np.log(h)


def signed_root(s: Scaled, law: Family, w: float, q: Array) -> Array:
    """Signed root of the likelihood ratio at the strength q (scaled axis), one a row; falls as q rises."""
    top, h, best = fit_top(s, law, w)
    _, value = profile(s, law, w, q, h)
    return np.asarray(np.sign(top - q) * np.sqrt(np.maximum(2 * (best - value), 0.0)))


def usable(load: ArrayLike, broke: ArrayLike | None, law: Family) -> tuple[Scaled, NDArray[np.intp], NDArray[np.int8]]:
    """Prepare a batch: the samples, the rows that have a fit, and the status of every row."""
    s = prepare(load, broke, law)
    status = maximise(s, law)[3]
    return s, np.flatnonzero(status == OK), status


def standard_error(s: Scaled, law: Family, w: float, top: Array, h: Array) -> Array:
    """Standard error of the strength at the fraction below, from the observed information."""
    there = s.fail | s.held
    x = w + h[:, None] * np.where(there, s.z - top[:, None], 0.0)
    minus = np.where(there, -terms(s, law, x)[2], 0.0)
    aa, ab = minus.sum(axis=1), (minus * x).sum(axis=1)
    bb = (minus * x * x).sum(axis=1) + s.r
    return np.asarray(np.sqrt((bb - 2 * w * ab + w * w * aa) / (aa * bb - ab**2)) / h)


def _same(x: Array) -> Array:
    return x


def on_y(y: Array, broke: NDArray[np.bool_]) -> Scaled:
    """A batch that is already on the y axis (of either sign), without padding."""
    shift = y.min() - 1.0 - (y.max() - y.min())
    s = prepare(y - shift, broke, Family("plain", None, _same, _same))
    return Scaled(s.z, s.fail, s.held, s.centre + shift, s.scale, s.n, s.r, s.distinct, s.bounded, s.bad)


def plain(law: Family) -> Family:
    """The distribution of values that are on the y axis already."""
    return Family(law.name, law.standard, _same, _same)


def or_refuse(many: Array, load: ArrayLike, broke: ArrayLike | None, law: Family) -> float:
    """Return the only bound of a batch of one, or say why there is none."""
    if np.isnan(many[0]):
        reason = STATUS_TEXT[int(usable(load, broke, law)[2][0])]
        raise NoAnswerError(
            f"No bound by this method: {reason}. Test on until loads at break differ, or give `shape=` from an earlier "
            "series to the confidence distribution."
        )
    return float(many[0])
