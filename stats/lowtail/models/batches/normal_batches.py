"""Bounds across batches drawn at random (one-way random effects, normal distribution), on arrays.

The generalised pivotal quantity for the strength at a fraction below is evaluated by quadrature, not by drawing: for
batch means with sum of squares S about their plain mean, squares E within batches, a batches and N specimens,

    G = mean + Z sqrt(S / (a U)) + z sqrt(S / U + (1 - 1/n) E / V),   U ~ chi2(a - 1), V ~ chi2(N - a), Z ~ normal,

with n the harmonic mean of the batch sizes (exact squares where batches are equal). The bound is the quantile of G at
1 - confidence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from lowtail.models.bounds.tolerance import tolerance_factor
from lowtail.models.confidence.quadrature import check_cover

__all__ = ["BatchSums", "anova_low", "batch_sums", "pivotal_below", "pivotal_gap", "pivotal_low"]

Array = NDArray[np.float64]
SMALL_BETWEEN = 0.05  # ratio of squares below which the other order of integration is the accurate one


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSums:
    """What the bounds need of a set of batches.

    Attributes
    ----------
    sizes : tuple of int
        Specimens of each batch.
    mean : float
        Plain mean of the batch means.
    grand_mean : float
        Mean of all specimens.
    between : float
        Sum of squares of the batch means about ``mean``.
    weighted : float
        Sum of squares between batches, each batch mean weighted by its size, about ``grand_mean``.
    within : float
        Sum of squares within batches.
    """

    sizes: tuple[int, ...]
    mean: float
    grand_mean: float
    between: float
    weighted: float
    within: float

    @property
    def batches(self) -> int:
        """Number of batches."""
        return len(self.sizes)

    @property
    def total(self) -> int:
        """Number of specimens."""
        return sum(self.sizes)

    @property
    def inverse_size(self) -> float:
        """Mean of 1 / size: the inverse of the harmonic mean size."""
        return float(np.mean([1 / s for s in self.sizes]))

    @property
    def mean_square_between(self) -> float:
        """Mean square between batches."""
        return self.weighted / (self.batches - 1)

    @property
    def mean_square_within(self) -> float:
        """Mean square within batches; 0 where every batch holds one specimen."""
        degrees = self.total - self.batches
        return self.within / degrees if degrees else 0.0

    @property
    def variances(self) -> tuple[float, float]:
        """Estimated variances between (not below 0) and within batches, from the plain batch means."""
        within = self.mean_square_within
        return max(0.0, self.between / (self.batches - 1) - within * self.inverse_size), within


def batch_sums(groups: Sequence[ArrayLike]) -> BatchSums:
    """Sums of squares of batches of y values, centred first so that leading digits do no harm."""
    arrays = [np.asarray(g, dtype=np.float64) for g in groups]
    shift = float(np.median(np.concatenate(arrays)))
    arrays = [g - shift for g in arrays]
    sizes = np.array([g.size for g in arrays])
    means = np.array([g.mean() for g in arrays])
    grand = float((sizes * means).sum() / sizes.sum())
    return BatchSums(
        sizes=tuple(int(s) for s in sizes),
        mean=float(means.mean()) + shift,
        grand_mean=grand + shift,
        between=float(((means - means.mean()) ** 2).sum()),
        weighted=float((sizes * (means - grand) ** 2).sum()),
        within=float(sum(((g - m) ** 2).sum() for g, m in zip(arrays, means, strict=True))),
    )


@lru_cache(maxsize=128)
def chi_square_nodes(degrees: int, nodes: int) -> tuple[Array, Array]:
    """Nodes and weights of a chi-square distribution, trapezoid in its logarithm, 36 log units deep."""
    a = degrees / 2
    top = np.log(2 * a)

    def depth(x: float) -> float:
        return float(a * x - a * np.expm1(x) + 36)

    low = optimize.brentq(depth, -40 / a - 2, 0.0)
    high = optimize.brentq(depth, 0.0, 2 + 12 / np.sqrt(a))
    x = np.linspace(low, high, nodes)
    weight = np.exp(a * x - a * np.expm1(x))
    check_cover(weight, f"Chi-square distribution with {degrees} degrees of freedom")
    return np.exp(top + x), weight / weight.sum()


def pivotal_below(
    gap: Array, between: Array, within: Array, sizes: tuple[int, ...], z: float, nodes: int = 240
) -> Array:
    """Probability that the pivotal quantity lies below ``mean - gap``; arrays of shape (B,).

    Parameters
    ----------
    gap : array, shape (B,)
        Distance below the mean of the batch means.
    between, within : array, shape (B,)
        Sums of squares S and E.
    sizes : tuple of int
        Batch sizes, at least 2 batches.
    z : float
        Standard normal quantile at the fraction below (negative for a low fraction).
    nodes : int
        Quadrature nodes an axis.
    """
    a, total = len(sizes), sum(sizes)
    inner = 1 - float(np.mean([1 / s for s in sizes]))
    u, weight_u = chi_square_nodes(a - 1, nodes)
    degrees = total - a
    out = np.empty(gap.shape)
    for i in range(gap.size):
        s, e = float(between[i]), float(within[i])
        if degrees == 0:
            x = -np.sqrt(a / s) * float(gap[i]) * np.sqrt(u) - z * np.sqrt(a)
            out[i] = weight_u @ special.ndtr(x)
        elif s / (a - 1) > SMALL_BETWEEN * inner * e / degrees:
            v, weight_v = chi_square_nodes(degrees, nodes)
            spread = np.sqrt(s + (inner * e) * (u[:, None] / v[None, :]))
            x = np.sqrt(a / s) * (-float(gap[i]) * np.sqrt(u)[:, None] - z * spread)
            out[i] = weight_u @ special.ndtr(x) @ weight_v
        else:  # the normal part is nearly a step: integrate it, and take the chi-square of V in closed form
            x = np.linspace(-8.5, 8.5, nodes)
            weight_x = np.exp(-(x**2) / 2)
            reach = float(gap[i]) + x[None, :] * np.sqrt(s / (a * u))[:, None]
            rest = (np.maximum(reach, 0.0) / z) ** 2 - (s / u)[:, None]
            with np.errstate(divide="ignore"):
                limit = np.where(rest > 0, inner * e / rest, np.inf)
            out[i] = weight_u @ special.chdtr(degrees, limit) @ (weight_x / weight_x.sum())
    return out


def pivotal_gap(
    between: float, within: float, sizes: tuple[int, ...], fraction_below: float, confidence: float, nodes: int = 240
) -> float:
    """How far below the mean of the batch means the bound lies; scales with the y axis."""
    z = float(special.ndtri(fraction_below))
    unit = float(np.sqrt(between / len(sizes) + within / sum(sizes)))
    one = np.ones(1)
    s, e = one * between / unit**2, one * within / unit**2

    def excess(gap: float) -> float:
        return float(pivotal_below(one * gap, s, e, sizes, z, nodes)[0]) - (1 - confidence)

    low, high = -1.0, 1.0
    while excess(high) > 0:
        high *= 2
    while excess(low) < 0:
        low *= 2
    return unit * float(optimize.brentq(excess, low, high, xtol=1e-12, rtol=1e-12))


def pivotal_low(sums: BatchSums, fraction_below: float, confidence: float, nodes: int = 240) -> float:
    """Lower bound on the y axis by the generalised pivotal quantity."""
    return sums.mean - pivotal_gap(sums.between, sums.within, sums.sizes, fraction_below, confidence, nodes)


def anova_factor(
    square_ratio: Array, sizes: tuple[int, ...], fraction_below: float, confidence: float
) -> tuple[Array, float]:
    """Handbook factor T as a function of mean square between over within, and the effective batch size."""
    a, total = len(sizes), sum(sizes)
    size = (total - sum(s * s for s in sizes) / total) / (a - 1)
    k0, k1 = tolerance_factor(total, fraction_below, confidence), tolerance_factor(a, fraction_below, confidence)
    if size <= 1 + 1e-12:
        return np.full_like(square_ratio, k1), size
    u = np.maximum(square_ratio, 1.0)
    share = np.sqrt(u / (u + size - 1))
    root = np.sqrt(size)
    return (k0 - k1 / root + (k1 - k0) * share) / (1 - 1 / root), size


def anova_low(sums: BatchSums, fraction_below: float, confidence: float) -> float:
    """Handbook bound on the y axis: mean of all specimens minus T times the total spread estimated by mean squares.

    Mee & Owen (1983) J. Amer. Statist. Assoc. 78:901-905; Vangel (1992) Technometrics 34:176-185; MIL-HDBK-17-1F
    section 8.3.5 (all from memory).
    """
    between, within = sums.mean_square_between, sums.mean_square_within
    ratio = np.array(between / within if within > 0 else np.inf)
    factor, size = anova_factor(ratio, sums.sizes, fraction_below, confidence)
    if not np.isfinite(ratio):
        factor = np.array(tolerance_factor(sums.batches, fraction_below, confidence))
    spread = np.sqrt(between / size + (size - 1) / size * within)
    return sums.grand_mean - float(factor) * float(spread)
