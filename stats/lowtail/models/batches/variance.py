"""Spread between batches against spread within them: analysis of variance and the exact interval of their ratio."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from lowtail.errors import InputError
from lowtail.models.batches.k_sample import as_groups

__all__ = ["BetweenBatches", "between_batches", "ratio_interval"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class BetweenBatches:
    """One-way analysis of variance with batches drawn at random.

    Attributes
    ----------
    mean_square_between, mean_square_within, f, p_value : float
        The usual table; ``p_value`` of the exact F test (normal distribution).
    size : float
        Effective specimens a batch, ``(N - sum n_i^2 / N) / (k - 1)``.
    variance_between, variance_within : float
        Analysis-of-variance estimates; the first may be negative.
    ratio_low, ratio_high : float
        Exact interval of variance_between / variance_within (0 where the limit is negative).
    """

    mean_square_between: float
    mean_square_within: float
    f: float
    p_value: float
    size: float
    variance_between: float
    variance_within: float
    ratio_low: float
    ratio_high: float


def between_batches(groups: Sequence[ArrayLike], confidence: float = 0.90) -> BetweenBatches:
    """Variance between and within batches, with an exact two-sided interval of their ratio at ``confidence``.

    Normal distribution within batches and between them. Loads are centred first, so that many constant leading digits
    do no harm. The interval is Wald's for unequal batches (exact for any sizes).

    References
    ----------
    Wald (1947), Ann. Math. Stat. 18:586-589; Searle, Casella and McCulloch (1992), Variance Components, section 3.6
    (both from memory).
    """
    arrays = as_groups(groups)
    shift = float(np.median(np.concatenate(arrays)))
    arrays = [a - shift for a in arrays]
    sizes = np.array([a.size for a in arrays], dtype=float)
    total, k = float(sizes.sum()), len(arrays)
    if total <= k:
        raise InputError(f"`groups` must hold more loads than batches, got {int(total)} loads in {k} batches.")
    means = np.array([a.mean() for a in arrays])
    grand = float((sizes * means).sum() / total)
    between = float((sizes * (means - grand) ** 2).sum()) / (k - 1)
    within = float(sum(((a - m) ** 2).sum() for a, m in zip(arrays, means, strict=True))) / (total - k)
    size = (total - float((sizes**2).sum()) / total) / (k - 1)
    f = between / within if within > 0 else np.inf
    labels = np.repeat(np.arange(k), sizes.astype(int))
    low, high = ratio_interval(np.concatenate(arrays), np.ones((int(total), 1)), labels, confidence)
    return BetweenBatches(
        mean_square_between=between,
        mean_square_within=within,
        f=f,
        p_value=float(stats.f.sf(f, k - 1, total - k)),
        size=size,
        variance_between=(between - within) / size,
        variance_within=within,
        ratio_low=low,
        ratio_high=high,
    )


def ratio_interval(y: Array, design: Array, labels: NDArray[np.intp], confidence: float) -> tuple[float, float]:
    """Exact two-sided interval of (variance between batches) / (variance within), after any regression ``design``.

    Raises
    ------
    InputError
        If the batches leave no room: nothing varies within them beside the design, or nothing between them.

    References
    ----------
    Wald (1947), Ann. Math. Stat. 18:586-589; Harville and Fenech (1985), Biometrics 41:137-152 (both from memory).
    """
    member = (labels[:, None] == np.unique(labels)[None, :]).astype(float)
    basis = np.linalg.qr(design)[0]
    cleaned = member - basis @ (basis.T @ member)
    axes, strength, _ = np.linalg.svd(cleaned, full_matrices=False)
    kept = strength > 1e-9 * max(1.0, float(strength.max()))
    axes, weight = axes[:, kept], strength[kept] ** 2
    rest = y - basis @ (basis.T @ y)
    scores = axes.T @ rest
    free = y.size - design.shape[1] - int(kept.sum())
    if free < 1 or not kept.any():
        raise InputError(
            "The spread between batches is confounded with the rest: give at least 2 batches, with more than one "
            "specimen in some, that do not coincide with the settings of the regression."
        )
    noise: float = (rest @ rest - scores @ scores) / free
    tail = (1 - confidence) / 2
    count = int(kept.sum())

    def surplus(ratio: float, limit: float) -> float:
        return np.sum(scores**2 / (1 + ratio * weight)).item() / count - limit * noise

    def solve(limit: float) -> float:
        if surplus(0.0, limit) <= 0:
            return 0.0
        top = 1.0
        while surplus(top, limit) > 0 and top < 1e12:
            top *= 4
        root: float = optimize.brentq(surplus, 0.0, top, args=(limit,)) if top < 1e12 else float("inf")
        return root

    return solve(float(stats.f.isf(tail, count, free))), solve(float(stats.f.ppf(tail, count, free)))
