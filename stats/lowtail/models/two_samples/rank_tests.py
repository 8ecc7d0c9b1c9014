"""Rank tests of two arms in which every specimen broke, exact with ties; their large-sample versions for comparison."""

from __future__ import annotations

from math import comb
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from lowtail.models.two_samples.permutation import Index, Permuted, check_alternative, permute
from lowtail.models.two_samples.t_tests import arms

__all__ = ["brunner_munzel", "brunner_munzel_t", "mann_whitney", "mann_whitney_normal"]

Array = NDArray[np.float64]


def mann_whitney(reference: ArrayLike, other: ArrayLike, *, alternative: str = "two-sided") -> Permuted:
    """Mann-Whitney test with the exact distribution of the mid-ranks, ties included, at any number of specimens.

    ``statistic`` is U of the other arm: pairs in which the other is the stronger, half for a tie.
    """
    check_alternative(alternative)
    x, y = arms(reference, other, 1)
    doubled = np.rint(2 * stats.rankdata(np.concatenate([x, y]))).astype(int)
    chosen = y.size
    top = int(np.sort(doubled)[-chosen:].sum())
    ways = np.zeros((chosen + 1, top + 1))
    ways[0, 0] = 1.0
    for rank in doubled:  # how many choices of k specimens have this sum of doubled mid-ranks
        ways[1:, rank:] += ways[:-1, : top + 1 - rank].copy()
    law = ways[chosen] / ways[chosen].sum()
    sums = np.arange(top + 1)
    centre = chosen * (doubled.sum() / doubled.size)
    observed = int(doubled[x.size :].sum())
    sign = {"two-sided": 0, "less": -1, "greater": 1}[alternative]
    extreme = np.abs(sums - centre) if sign == 0 else sign * (sums - centre)
    mine = abs(observed - centre) if sign == 0 else sign * (observed - centre)
    reachable = law > 0
    highest = extreme[reachable].max()
    return Permuted(
        statistic=observed / 2 - chosen * (chosen + 1) / 2,
        p_value=float(min(1.0, law[extreme >= mine - 1e-9].sum())),
        smallest_p=float(law[extreme >= highest - 1e-9].sum()),
        arrangements=comb(doubled.size, chosen),
        exact=True,
    )


def mann_whitney_normal(
    reference: ArrayLike, other: ArrayLike, *, alternative: str = "two-sided"
) -> tuple[float, float]:
    """U of the other arm and the normal-approximation p (ties and continuity corrected): for comparison only."""
    word: Any = check_alternative(alternative)
    x, y = arms(reference, other, 1)
    result = stats.mannwhitneyu(y, x, alternative=word, method="asymptotic", use_continuity=True)
    return float(result.statistic), float(result.pvalue)


def brunner_munzel(reference: ArrayLike, other: ArrayLike, *, alternative: str = "two-sided", rng: Any = 0) -> Permuted:
    """Permutation test with the Brunner-Munzel statistic: is a specimen of one arm likely to outlast one of the other.

    References
    ----------
    Brunner and Munzel (2000), Biometrical Journal 42, 17-25; Neubert and Brunner (2007), Computational Statistics and
    Data Analysis 51, 5192-5204 (both from memory).
    """
    x, y = arms(reference, other, 2)
    z = np.concatenate([x, y])
    return permute(x.size, y.size, _brunner_munzel_of(z, y.size), alternative=alternative, rng=rng)


def brunner_munzel_t(reference: ArrayLike, other: ArrayLike, *, alternative: str = "two-sided") -> tuple[float, float]:
    """Brunner-Munzel statistic and its t-approximation p: for comparison only, 6 to 14 % true nulls rejected at 3 to 5.

    NaN where the arms do not overlap: the approximation has no answer there.
    """
    word: Any = check_alternative(alternative)
    x, y = arms(reference, other, 2)
    if x.max() < y.min() or y.max() < x.min():
        return float("nan"), float("nan")
    result = stats.brunnermunzel(y, x, alternative=word)
    return -float(result.statistic), float(result.pvalue)


def _brunner_munzel_of(z: Array, n_second: int) -> Any:
    n_first = z.size - n_second
    below = (z[:, None] < z[None, :]) + 0.5 * (z[:, None] == z[None, :])  # [j, i]: j counts below i
    rank = below.sum(axis=0) + 0.5

    def statistic(index: Index) -> Array:
        out = np.empty(len(index))
        for start in range(0, len(index), 20_000):
            part = index[start : start + 20_000]
            member = np.zeros((len(part), z.size))
            np.put_along_axis(member, part, 1.0, axis=1)
            inside_second = member @ below + 0.5
            outside = 1 - member
            inside_first = outside @ below + 0.5
            out[start : start + 20_000] = _studentised_ranks(
                rank, member, inside_first, inside_second, n_first, n_second
            )
        return out

    return statistic


def _studentised_ranks(
    rank: Array, member: Array, inside_first: Array, inside_second: Array, n_first: int, n_second: int
) -> Array:
    other = 1 - member
    mean_second, mean_first = member @ rank / n_second, other @ rank / n_first
    spread_first = other * (rank - inside_first - mean_first[:, None] + (n_first + 1) / 2)
    spread_second = member * (rank - inside_second - mean_second[:, None] + (n_second + 1) / 2)
    variance = n_first * (spread_first**2).sum(axis=1) / (n_first - 1) + n_second * (spread_second**2).sum(axis=1) / (
        n_second - 1
    )
    variance = np.where(variance < 1e-12, 0.0, variance)
    difference = mean_second - mean_first
    with np.errstate(divide="ignore", invalid="ignore"):
        w = n_first * n_second * difference / (n_first + n_second) / np.sqrt(variance)
    return np.asarray(np.where(np.abs(difference) < 1e-12, 0.0, w), dtype=float)
