"""Several differences of two arms at once: their mean, how many are below a mark, whether they differ, and the next.

Arrays only. Group g has a difference ``d`` (other minus reference, log scale) with variance ``v1 + v2`` on ``f1`` and
``f2`` degrees of freedom. Nothing is assumed of how the true differences are spread: the target is the mean of exactly
these groups. Evidence by simulation: ``tests/truth/joint.csv``.

References
----------
Satterthwaite (1946), Biometrics Bulletin 2:110-114; Welch (1951), Biometrika 38:330-336; Marcus, Peritz and Gabriel
(1976), Biometrika 63:655-660; Goeman and Solari (2011), Statistical Science 26:584-597 (all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["MOST", "Differences", "at_least", "heterogeneity", "largest_p", "mean_of", "predict", "set_p", "subsets"]

Array = NDArray[np.float64]
MOST = 16  # groups whose every subset is tested: 65,535 sets


@dataclass(frozen=True, slots=True, eq=False)
class Differences:
    """Differences of G groups, each array of shape (..., G): the difference, and variance and freedom of both arms."""

    d: Array
    v1: Array
    f1: Array
    v2: Array
    f2: Array


def mean_of(x: Differences, weight: Array) -> tuple[Array, Array, Array]:
    """Weighted mean of the differences, its standard error and Satterthwaite's degrees of freedom.

    ``weight`` (..., G) or (S, G) for S sets of groups; weights are fixed beforehand, never from observed scatter.
    """
    w = weight / weight.sum(axis=-1, keepdims=True)
    variance = (x.v1 + x.v2) @ np.swapaxes(w * w, -1, -2) if w.ndim > 1 else (w * w * (x.v1 + x.v2)).sum(-1)
    fourth = x.v1**2 / x.f1 + x.v2**2 / x.f2
    fourth = fourth @ np.swapaxes(w**4, -1, -2) if w.ndim > 1 else (w**4 * fourth).sum(-1)
    middle = x.d @ np.swapaxes(w, -1, -2) if w.ndim > 1 else (w * x.d).sum(-1)
    return np.asarray(middle), np.asarray(np.sqrt(variance)), np.asarray(variance**2 / fourth)


def subsets(groups: int) -> Array:
    """Every set of groups but the empty one, as rows of 0 and 1: shape (2**G - 1, G)."""
    codes = np.arange(1, 2**groups)
    return ((codes[:, None] >> np.arange(groups)) & 1).astype(float)


def set_p(x: Differences, sets: Array, mark: float = 0.0, above: bool = False) -> Array:
    """One-sided p of every set, shape (..., S): its mean lies at or above ``mark``, against below (or the reverse)."""
    middle, error, freedom = mean_of(x, sets)
    side = -1.0 if above else 1.0
    return np.asarray(special.stdtr(freedom, side * (middle - mark) / error))


def at_least(p: Array, sets: Array, among: Array, level: float = 0.05) -> NDArray[np.int64]:
    """How many groups of ``among`` (G,) of 0 and 1 are below the mark for certain, at one level for all choices.

    Closed testing: |S| less the largest part of S that a set not rejected covers. ``p`` has shape (..., S).
    """
    covered = sets @ among
    return np.asarray(among.sum() - np.where(p > level, covered, 0.0).max(axis=-1)).astype(np.int64)


def largest_p(p: Array, sets: Array) -> Array:
    """Adjusted p of each single group, shape (..., G): the largest of the sets that hold it."""
    return np.asarray(np.max(np.where(sets.T > 0, p[..., None, :], 0.0), axis=-1))


def heterogeneity(x: Differences) -> tuple[Array, Array]:
    """Welch's F of equal differences and its p-value; two groups or more."""
    groups = x.d.shape[-1]
    v = x.v1 + x.v2
    freedom = v**2 / (x.v1**2 / x.f1 + x.v2**2 / x.f2)
    w = 1 / v
    share = w / w.sum(axis=-1, keepdims=True)
    middle = (share * x.d).sum(axis=-1, keepdims=True)
    between = (w * (x.d - middle) ** 2).sum(axis=-1) / (groups - 1)
    lost = ((1 - share) ** 2 / freedom).sum(axis=-1)
    ratio = between / (1 + 2 * (groups - 2) / (groups**2 - 1) * lost)
    return np.asarray(ratio), np.asarray(special.fdtrc(groups - 1, (groups**2 - 1) / (3 * lost), ratio))


def predict(d: Array, confidence: float) -> tuple[Array, Array]:
    """Interval for the difference of one more group as alike as these, shape (...,); differences on normal scatter."""
    groups = d.shape[-1]
    half = special.stdtrit(groups - 1, (1 + confidence) / 2) * d.std(axis=-1, ddof=1) * np.sqrt(1 + 1 / groups)
    middle = d.mean(axis=-1)
    return np.asarray(middle - half), np.asarray(middle + half)
