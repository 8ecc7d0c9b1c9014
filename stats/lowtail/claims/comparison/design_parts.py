"""Parts of paired and blocked comparisons: differences with their error, and permutation within blocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb, prod
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from lowtail._shared.parallel import as_rng
from lowtail.errors import NoAnswerError
from lowtail.models.two_samples.permutation import DRAWS, FULL_ENUMERATION

__all__ = ["Difference", "block_difference", "pair_difference", "permute_within", "shared_blocks"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Difference:
    """Other minus reference on log load, its standard error and degrees of freedom."""

    value: float
    error: float
    df: int

    def p_value(self, alternative: str) -> float:
        """P value by Student's t."""
        t = self.value / self.error
        if alternative == "two-sided":
            return float(2 * stats.t.sf(abs(t), self.df))
        return float(stats.t.sf(t if alternative == "greater" else -t, self.df))


def pair_difference(log_ratio: Array) -> Difference:
    """Mean of the log ratios of pairs."""
    n = log_ratio.size
    error = float(log_ratio.std(ddof=1) / np.sqrt(n))
    if error < 1e-12:
        raise NoAnswerError(
            f"All {n} pairs have the same ratio ({np.exp(log_ratio[0]):.4g}): nothing is known of its scatter. Record "
            "the loads to a finer resolution, or test more pairs."
        )
    return Difference(float(log_ratio.mean()), error, n - 1)


def shared_blocks(first: NDArray[Any], second: NDArray[Any]) -> list[Any]:
    """Labels of the blocks that hold specimens of both arms, in order of appearance."""
    one, two = set(first), set(second)
    shared = [b for b in dict.fromkeys([*first, *second]) if b in one and b in two]
    if not shared:
        raise NoAnswerError("No block holds specimens of both arms, so that arms and blocks cannot be told apart.")
    return shared


def block_difference(y: Array, arm: Array, labels: NDArray[Any], blocks: Sequence[Any]) -> Difference:
    """Linear model with a level for each block and robust (HC3) errors.

    References
    ----------
    MacKinnon and White (1985), Journal of Econometrics 29, 305-325 (from memory).
    """
    design = np.column_stack([arm, *[(labels == b).astype(float) for b in blocks]])
    free = y.size - design.shape[1]
    if free < 1:
        raise NoAnswerError(
            f"{y.size} specimens in {len(blocks)} blocks leave nothing to judge the scatter by. "
            "Test more specimens a block, or use `pair` for one specimen of each arm a block."
        )
    from statsmodels.regression.linear_model import OLS

    fitted = OLS(y, design).fit(cov_type="HC3", use_t=True)
    error = float(fitted.bse[0])
    if not (np.isfinite(error) and error > 1e-12):
        raise NoAnswerError(
            "A specimen stands alone in its block and arm with no other to judge it by, or the blocks have "
            "no scatter: no robust error. Test more specimens a block."
        )
    return Difference(float(fitted.params[0]), error, free)


def permute_within(
    score: Array, arm: Array, labels: NDArray[Any], blocks: Sequence[Any], alternative: str, rng: Any
) -> tuple[float, float]:
    """P value of the other arm's sum of scores when arms are permuted within each block, and the smallest it could be.

    Every arrangement up to `FULL_ENUMERATION`; beyond, seeded draws with the observed one among them.
    """
    inside = [labels == b for b in blocks]
    chosen = [int(arm[i].sum()) for i in inside]
    observed = float(score @ arm)
    if prod(comb(int(i.sum()), c) for i, c in zip(inside, chosen, strict=True)) <= FULL_ENUMERATION:
        values = np.zeros(1)
        for i, c in zip(inside, chosen, strict=True):
            sums = np.array([sum(part) for part in combinations(score[i], c)])
            values = (values[:, None] + sums[None, :]).ravel()
    else:
        generator = as_rng(rng)
        values = np.zeros(DRAWS)
        for i, c in zip(inside, chosen, strict=True):
            part = score[i]
            pick = np.argsort(generator.random((DRAWS, part.size)), axis=1)[:, :c]
            values += part[pick].sum(axis=1)
        values = np.concatenate([[observed], values])
    return _share(values, observed, alternative)


def _share(values: Array, observed: float, alternative: str) -> tuple[float, float]:
    if alternative == "two-sided":
        extreme, mine = np.abs(values), abs(observed)
    else:
        sign = 1.0 if alternative == "greater" else -1.0
        extreme, mine = sign * values, sign * observed
    slack = 1e-9 * np.abs(values).max()
    return float(np.mean(extreme >= mine - slack)), float(np.mean(extreme >= extreme.max() - slack))
