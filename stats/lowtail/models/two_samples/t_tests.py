"""Tests of two arms in which every specimen broke, by name: arrays in, one small record out.

The first arm is the reference, the second the other; ``alternative="less"`` asks whether the other is weaker. The
large-sample versions (``pooled t``, ``Brunner-Munzel t``) stand here for comparison only: their error rates at 3 to 10
specimens an arm are in ``tests/truth/compare_type1.csv``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from lowtail.errors import InputError, NoAnswerError
from lowtail.models.confidence.quadrature import angle_share, check_cover
from lowtail.models.two_samples.permutation import Index, Permuted, check_alternative, permute, welch_of

__all__ = [
    "Contrast",
    "arms",
    "behrens_fisher",
    "fieller",
    "holm",
    "permutation_mean",
    "permutation_welch",
    "pooled_t",
    "scatter_permutation",
    "welch",
]

Array = NDArray[np.float64]
_PANELS, _POINTS = 40, 16  # composite Gauss-Legendre rule of the Behrens-Fisher distribution


@dataclass(frozen=True, slots=True)
class Contrast:
    """Other minus reference on the scale of the test: difference, interval, statistic, degrees of freedom and p."""

    difference: float
    low: float
    high: float
    statistic: float
    df: float
    p_value: float
    standard_error: float


def arms(reference: ArrayLike, other: ArrayLike, least: int) -> tuple[Array, Array]:
    """Both arms as arrays, checked."""
    both = np.asarray(reference, dtype=float), np.asarray(other, dtype=float)
    for name, arm in zip(("reference", "other"), both, strict=True):
        if arm.ndim != 1 or not np.isfinite(arm).all():
            raise InputError(f"`{name}` must be a one-dimensional array of finite numbers, got {arm!r}.")
        if arm.size < least:
            raise NoAnswerError(
                f"This test needs at least {least} specimens in each arm, but `{name}` has {arm.size}. "
                "Test more specimens."
            )
    return both


def _tails(statistic: float, sf: Any, alternative: str) -> float:
    check_alternative(alternative)
    if alternative == "two-sided":
        return float(min(1.0, 2 * sf(abs(statistic))))
    return float(sf(statistic) if alternative == "greater" else sf(-statistic))


def _moments(reference: Array, other: Array) -> tuple[float, float, float]:
    difference = float(other.mean() - reference.mean())
    part_first, part_second = (float(arm.var(ddof=1) / arm.size) for arm in (reference, other))
    if part_first + part_second == 0:
        raise NoAnswerError(
            "All loads are equal within each arm, so that nothing is known of the scatter. Record the loads to a finer "
            "resolution, or test more specimens."
        )
    return difference, part_first, part_second


def welch(
    reference: ArrayLike, other: ArrayLike, *, confidence: float = 0.95, alternative: str = "two-sided"
) -> Contrast:
    """Welch's t test and two-sided interval for a difference of means, any two spreads.

    References
    ----------
    Welch (1947), Biometrika 34, 28-35 (from memory).
    """
    x, y = arms(reference, other, 2)
    difference, a, b = _moments(x, y)
    df = (a + b) ** 2 / (a**2 / (x.size - 1) + b**2 / (y.size - 1))
    return _t_contrast(difference, float(np.sqrt(a + b)), df, confidence, alternative)


def pooled_t(
    reference: ArrayLike, other: ArrayLike, *, confidence: float = 0.95, alternative: str = "two-sided"
) -> Contrast:
    """Student's t test with a pooled spread: for comparison only, it fails where spreads and numbers differ."""
    x, y = arms(reference, other, 2)
    difference, a, b = _moments(x, y)
    df = x.size + y.size - 2
    pooled = (a * x.size * (x.size - 1) + b * y.size * (y.size - 1)) / df
    return _t_contrast(difference, float(np.sqrt(pooled * (1 / x.size + 1 / y.size))), df, confidence, alternative)


def _t_contrast(difference: float, error: float, df: float, confidence: float, alternative: str) -> Contrast:
    t = difference / error
    reach = float(stats.t.ppf((1 + confidence) / 2, df)) * error
    p = _tails(t, lambda q: stats.t.sf(q, df), alternative)
    return Contrast(difference, difference - reach, difference + reach, t, float(df), p, error)


def behrens_fisher(
    reference: ArrayLike, other: ArrayLike, *, confidence: float = 0.95, alternative: str = "two-sided"
) -> Contrast:
    """Behrens-Fisher test and interval: the difference of the two arms' own t distributions, any two spreads.

    The same answer as the contrast of two normal confidence distributions. Wider than Welch's, and held at its level
    where a small arm that scatters more meets a larger one, where Welch's rejects too often.

    References
    ----------
    Fisher (1935), Annals of Eugenics 6, 391-398 (from memory); error rates: ``tests/truth/compare_type1.csv``.
    """
    x, y = arms(reference, other, 2)
    difference, a, b = _moments(x, y)
    error = float(np.sqrt(a + b))
    upper = _behrens_fisher_sf(np.sqrt(a) / error, np.sqrt(b) / error, x.size - 1, y.size - 1)
    statistic = difference / error
    tail = (1 - confidence) / 2
    top = 2.0
    while upper(top) > tail:
        top *= 2
    from scipy.optimize import brentq

    reach = float(brentq(lambda q: upper(q) - tail, 0.0, top, xtol=1e-12)) * error
    p = _tails(statistic, upper, alternative)
    return Contrast(difference, difference - reach, difference + reach, statistic, float("nan"), p, error)


@lru_cache(maxsize=1)
def _rule() -> tuple[Array, Array]:
    """Angles in (-pi/2, pi/2) and weights, panels narrowing towards both ends."""
    node, weight = np.polynomial.legendre.leggauss(_POINTS)
    edge = np.sin(np.linspace(-np.pi / 2, np.pi / 2, _PANELS + 1)) * np.pi / 2
    half = np.diff(edge) / 2
    return (edge[:-1, None] + half[:, None] * (node + 1)).ravel(), (half[:, None] * weight).ravel()


def _behrens_fisher_sf(first: float, second: float, df_first: int, df_second: int) -> Any:
    """Survival function of ``first * t1 + second * t2``, by quadrature over the component that weighs less."""
    if first > second:
        first, second, df_first, df_second = second, first, df_second, df_first
    angle, weight = _rule()  # t = sqrt(df) tan(angle): the density becomes cos(angle)^(df - 1)
    angle = angle * angle_share(df_first)
    inner = np.sqrt(df_first) * np.tan(angle)
    mass = weight * np.cos(angle) ** (df_first - 1)
    check_cover(mass, "Difference of two means", edge=np.inf)  # 1 degree of freedom: an even density
    mass = mass / mass.sum()

    def upper(q: float) -> float:
        return float(np.sum(mass * stats.t.sf((q - first * inner) / second, df_second)))

    return upper


def permutation_welch(
    reference: ArrayLike, other: ArrayLike, *, alternative: str = "two-sided", rng: Any = 0
) -> Permuted:
    """Permutation test with Welch's statistic (Janssen 1997, Statistics and Probability Letters 36; from memory)."""
    x, y = arms(reference, other, 1)
    return permute(x.size, y.size, welch_of(np.concatenate([x, y]), y.size), alternative=alternative, rng=rng)


def permutation_mean(
    reference: ArrayLike, other: ArrayLike, *, alternative: str = "two-sided", rng: Any = 0
) -> Permuted:
    """Permutation test with the plain difference of means: for comparison only, it needs equal spreads."""
    x, y = arms(reference, other, 1)
    z = np.concatenate([x, y])
    z = z - z.mean()

    def difference(index: Index) -> Array:
        total: Array = z[index].sum(axis=1)
        return total

    return permute(x.size, y.size, difference, alternative=alternative, rng=rng)


def fieller(
    reference: ArrayLike, other: ArrayLike, *, confidence: float = 0.95, equal_scale: bool = False
) -> tuple[float, float, float]:
    """Ratio of means (other over reference) with Fieller's two-sided interval: (ratio, low, high).

    ``equal_scale=True`` pools the variances; otherwise each arm keeps its own, with Welch's degrees of freedom taken
    at the estimated ratio.

    Raises
    ------
    NoAnswerError
        If the reference mean is not clearly above zero, so that the interval is unbounded.

    References
    ----------
    Fieller (1954), Journal of the Royal Statistical Society B 16, 175-185 (from memory).
    """
    x, y = arms(reference, other, 2)
    _moments(x, y)
    ratio = float(y.mean() / x.mean())
    if equal_scale:
        df = float(x.size + y.size - 2)
        pooled = ((x.size - 1) * x.var(ddof=1) + (y.size - 1) * y.var(ddof=1)) / df
        a, b = pooled / x.size, pooled / y.size
    else:
        a, b = x.var(ddof=1) / x.size, y.var(ddof=1) / y.size
        df = (b + ratio**2 * a) ** 2 / ((ratio**2 * a) ** 2 / (x.size - 1) + b**2 / (y.size - 1))
    t = float(stats.t.ppf((1 + confidence) / 2, df))
    square = x.mean() ** 2 - t**2 * a
    if square <= 0:
        raise NoAnswerError(
            "The ratio of means has no bounded interval: the reference mean is not clearly above zero for its scatter. "
            "Compare on log load, or test more specimens."
        )
    cross = x.mean() * y.mean()
    root = float(np.sqrt(cross**2 - square * (y.mean() ** 2 - t**2 * b)))
    return ratio, float((cross - root) / square), float((cross + root) / square)


def scatter_permutation(reference: ArrayLike, other: ArrayLike, *, rng: Any = 0) -> Permuted:
    """Is the scatter equal: permutation of the distances from each arm's own median, with Welch's statistic.

    The distances of an odd arm hold one zero by construction; the smallest is left out there (Hines and Hines 2000,
    Biometrics 56, 451-454; from memory).
    """
    x, y = arms(reference, other, 2)
    distance = [np.sort(np.abs(arm - np.median(arm)))[arm.size % 2 :] for arm in (x, y)]
    pooled = np.concatenate(distance)
    return permute(distance[0].size, distance[1].size, welch_of(pooled, distance[1].size), rng=rng)


def holm(p_values: ArrayLike) -> Array:
    """Holm's adjusted p values (Holm 1979, Scandinavian Journal of Statistics 6, 65-70; from memory); NaN stays NaN."""
    p = np.asarray(p_values, dtype=float)
    out = np.full(p.shape, np.nan)
    known = np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known], kind="stable")]
    steps = p[order] * np.arange(known.size, 0, -1)
    out[order] = np.minimum(1.0, np.maximum.accumulate(steps)) if known.size else steps
    return out
