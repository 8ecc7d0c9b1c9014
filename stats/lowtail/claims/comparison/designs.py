"""Paired and blocked comparisons: the same rope length, batch or age in both arms."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from math import comb, prod
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from lowtail._parallel import as_rng
from lowtail.claims.comparison.permutation import DRAWS, FULL_ENUMERATION
from lowtail.claims.comparison.ratios import ratio_from_error
from lowtail.claims.comparison.typical import Answer
from lowtail.errors import InputError, NoAnswerError
from lowtail.records.sample import Sample

__all__ = ["answer_blocks", "answer_pairs"]

Array = NDArray[np.float64]


def _labels(
    reference: Sample, other: Sample, labels: Sequence[Any] | str, name: str
) -> tuple[NDArray[Any], NDArray[Any]]:
    for sample in (reference, other):
        if sample.n_held:
            raise NoAnswerError(
                f"{sample.who}: `{name}` needs every specimen broken, but {sample.n_held} of {sample.n} held. Leave "
                f"`{name}` out to compare with survivors."
            )
    if isinstance(labels, str):
        labels = _batches(reference, other, labels, name)
    values = np.asarray([str(v) for v in labels], dtype=object)
    if values.size != reference.n + other.n:
        raise InputError(
            f"`{name}` must have one label for each of the {reference.n} + {other.n} specimens (reference first, then "
            f"other), got {values.size}."
        )
    return values[: reference.n], values[reference.n :]


def _batches(reference: Sample, other: Sample, word: str, name: str) -> Sequence[Any]:
    if word != "batch":
        raise InputError(f'`{name}` must be a sequence of labels or the word "batch", got {word!r}.')
    for sample in (reference, other):
        if sample.batch is None or any(str(b) == "" for b in sample.batch):
            raise InputError(f"{sample.who}: `{name}='batch'` needs the batch of every specimen. Record the batches.")
    return [*reference.batch, *other.batch]  # type: ignore[misc]


def _share(values: Array, observed: float, alternative: str) -> tuple[float, float]:
    """P value of an observed statistic among its permutations, and the smallest it could be."""
    if alternative == "two-sided":
        extreme, mine = np.abs(values), abs(observed)
    else:
        sign = 1.0 if alternative == "greater" else -1.0
        extreme, mine = sign * values, sign * observed
    slack = 1e-9 * np.abs(values).max()
    return float(np.mean(extreme >= mine - slack)), float(np.mean(extreme >= extreme.max() - slack))


def _p(statistic: float, df: float, alternative: str) -> float:
    if alternative == "two-sided":
        return float(2 * stats.t.sf(abs(statistic), df))
    return float(stats.t.sf(statistic if alternative == "greater" else -statistic, df))


def answer_pairs(reference: Sample, other: Sample, pair: Sequence[Any] | str, alternative: str, rng: Any) -> Answer:
    """Paired t on log load with the exact sign-flip test beside it."""
    first, second = _labels(reference, other, pair, "pair")
    for labels, sample in ((first, reference), (second, other)):
        repeated = [v for v in labels if (labels == v).sum() > 1]
        if repeated:
            raise InputError(
                f"{sample.who}: `pair` label {repeated[0]!r} stands at {(labels == repeated[0]).sum()} specimens; "
                "each label must stand once in each arm. Use `block` for several specimens a label."
            )
    if set(first) != set(second):
        lonely = sorted(set(first) ^ set(second))
        raise InputError(f"`pair` label {lonely[0]!r} stands in one arm only. Every pair needs a specimen in each arm.")
    at = {label: i for i, label in enumerate(second)}
    order = [at[label] for label in first]
    log_ratio = np.log(other.load[order]) - np.log(reference.load)
    n = log_ratio.size
    error = float(log_ratio.std(ddof=1) / np.sqrt(n))
    if error < 1e-12:
        raise NoAnswerError(
            f"All {n} pairs have the same ratio ({np.exp(log_ratio[0]):.4g}): nothing is known of its scatter. Record "
            "the loads to a finer resolution, or test more pairs."
        )
    if 2**n <= FULL_ENUMERATION:
        signs = np.array(list(product((1.0, -1.0), repeat=n)))
    else:
        signs = np.vstack([np.ones(n), as_rng(rng).choice((1.0, -1.0), size=(DRAWS, n))])
    p_flip, smallest = _share(signs @ log_ratio, float(log_ratio.sum()), alternative)
    difference = float(log_ratio.mean())
    return Answer(
        law=ratio_from_error(difference, error, n - 1),
        family="lognormal",
        typical="geometric mean",
        typical_reference=float(np.exp(np.log(reference.load).mean())),
        typical_other=float(np.exp(np.log(other.load).mean())),
        test="paired t on log load",
        p_value=_p(difference / error, n - 1, alternative),
        permutation_test="sign flips of pairs",
        permutation_p=p_flip,
        smallest_p=smallest,
        notes=(f"{n} pairs; the low strengths and the scatter are compared as if the arms were independent.",),
    )


def answer_blocks(reference: Sample, other: Sample, block: Sequence[Any] | str, alternative: str, rng: Any) -> Answer:
    """Linear model of log load with a level for each block and robust (HC3) errors, and permutation within blocks.

    References
    ----------
    MacKinnon and White (1985), Journal of Econometrics 29, 305-325 (from memory).
    """
    first, second = _labels(reference, other, block, "block")
    labels = np.concatenate([first, second])
    blocks = list(dict.fromkeys(labels))
    shared = [b for b in blocks if b in set(first) and b in set(second)]
    if not shared:
        raise NoAnswerError("No block holds specimens of both arms, so that arms and blocks cannot be told apart.")
    y = np.log(np.concatenate([reference.load, other.load]))
    arm = np.concatenate([np.zeros(reference.n), np.ones(other.n)])
    keep = np.isin(labels, shared)
    used = [b for b in blocks if b in shared]
    design = np.column_stack([arm[keep], *[(labels[keep] == b).astype(float) for b in used]])
    free = int(keep.sum()) - design.shape[1]
    if free < 1:
        raise NoAnswerError(
            f"{int(keep.sum())} specimens in {len(used)} blocks leave nothing to judge the scatter by. "
            "Test more specimens a block, or use `pair` for one specimen of each arm a block."
        )
    from statsmodels.regression.linear_model import OLS

    fitted = OLS(y[keep], design).fit(cov_type="HC3", use_t=True)
    difference, error = float(fitted.params[0]), float(fitted.bse[0])
    if not (np.isfinite(error) and error > 1e-12):
        raise NoAnswerError(
            "A specimen stands alone in its block and arm with no other to judge it by, or the blocks have "
            "no scatter: no robust error. Test more specimens a block."
        )
    p_block, smallest = _within_blocks(y[keep], arm[keep], labels[keep], used, alternative, rng)
    lost = int((~keep).sum())
    notes = [f"{len(used)} blocks hold both arms; low strengths and scatter are compared without regard to blocks."]
    if lost:
        notes.append(f"{lost} specimens stand in blocks with one arm only and take no part in the typical ratio.")
    return Answer(
        law=ratio_from_error(difference, error, free),
        family="lognormal",
        typical="geometric mean",
        typical_reference=float(np.exp(y[arm == 0].mean())),
        typical_other=float(np.exp(y[arm == 1].mean())),
        test="linear model of log load with blocks, robust errors",
        p_value=_p(difference / error, free, alternative),
        permutation_test="permutation within blocks",
        permutation_p=p_block,
        smallest_p=smallest,
        notes=tuple(notes),
    )


def _within_blocks(
    y: Array, arm: Array, labels: NDArray[Any], blocks: Sequence[Any], alternative: str, rng: Any
) -> tuple[float, float]:
    """Permute the arms within each block; the statistic is the linear model's difference."""
    score = np.empty_like(y)
    ways = []
    for b in blocks:
        inside = labels == b
        score[inside] = y[inside] - y[inside].mean()
        ways.append(comb(int(inside.sum()), int(arm[inside].sum())))
    observed = float(score @ arm)
    if prod(ways) <= FULL_ENUMERATION:
        values = np.zeros(1)
        for b in blocks:
            inside = labels == b
            values = (values[:, None] + _sums(score[inside], int(arm[inside].sum()))[None, :]).ravel()
    else:
        generator = as_rng(rng)
        values = np.zeros(DRAWS)
        for b in blocks:
            part, chosen = score[labels == b], int(arm[labels == b].sum())
            pick = np.argsort(generator.random((DRAWS, part.size)), axis=1)[:, :chosen]
            values += part[pick].sum(axis=1)
        values = np.concatenate([[observed], values])
    return _share(values, observed, alternative)


def _sums(score: Array, chosen: int) -> Array:
    from itertools import combinations

    return np.array([sum(c) for c in combinations(score, chosen)])
