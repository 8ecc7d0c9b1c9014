"""Paired and blocked comparisons: the same rope length, batch or age in both arms."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.sample import Sample
from lowtail.claims.comparison.design_parts import (
    Difference,
    block_difference,
    pair_difference,
    permute_within,
    shared_blocks,
)
from lowtail.claims.comparison.designs_held import answer_held
from lowtail.claims.comparison.ratios import ratio_from_error
from lowtail.claims.comparison.typical import Answer, typical_strength
from lowtail.errors import InputError

__all__ = ["answer_blocks", "answer_pairs"]

Array = NDArray[np.float64]


def _labels(
    reference: Sample, other: Sample, labels: Sequence[Any] | str, name: str
) -> tuple[NDArray[Any], NDArray[Any]]:
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


def answer_pairs(reference: Sample, other: Sample, pair: Sequence[Any] | str, alternative: str, rng: Any) -> Answer:
    """Paired t on log load with the exact sign-flip test beside it; with survivors `answer_held`."""
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
    if reference.n_censored or other.n_censored:
        return answer_held(reference, other, (first, second), "pair", alternative, rng)
    at = {label: i for i, label in enumerate(second)}
    order = [at[label] for label in first]
    log_ratio = np.log(other.load[order]) - np.log(reference.load)
    found = pair_difference(log_ratio)
    n = log_ratio.size
    score = np.concatenate([-log_ratio, log_ratio]) / 2
    arm = np.repeat([0.0, 1.0], n)
    p_flip, smallest = permute_within(score, arm, np.tile(first, 2), list(first), alternative, rng)
    return Answer(
        **_shared(reference, other, found, alternative),
        test="paired t on log load",
        permutation_test="sign flips of pairs",
        permutation_p=p_flip,
        smallest_p=smallest,
        notes=(f"{n} pairs; the low strengths and the scatter are compared as if the arms were independent.",),
    )


def answer_blocks(reference: Sample, other: Sample, block: Sequence[Any] | str, alternative: str, rng: Any) -> Answer:
    """Linear model of log load with a level for each block and robust errors, and permutation within blocks.

    With survivors `answer_held`.
    """
    first, second = _labels(reference, other, block, "block")
    if reference.n_censored or other.n_censored:
        return answer_held(reference, other, (first, second), "block", alternative, rng)
    blocks = shared_blocks(first, second)
    labels = np.concatenate([first, second])
    keep = np.isin(labels, blocks)
    y = np.log(np.concatenate([reference.load, other.load]))[keep]
    arm, labels = np.repeat([0.0, 1.0], [reference.n, other.n])[keep], labels[keep]
    found = block_difference(y, arm, labels, blocks)
    score = np.empty_like(y)
    for b in blocks:
        score[labels == b] = y[labels == b] - y[labels == b].mean()
    p_block, smallest = permute_within(score, arm, labels, blocks, alternative, rng)
    notes = [f"{len(blocks)} blocks hold both arms; low strengths and scatter are compared without regard to blocks."]
    if not keep.all():
        notes.append(
            f"{int((~keep).sum())} specimens stand in blocks with one arm only and take no part in the typical ratio."
        )
    return Answer(
        **_shared(reference, other, found, alternative),
        test="linear model of log load with blocks, robust errors",
        permutation_test="permutation within blocks",
        permutation_p=p_block,
        smallest_p=smallest,
        notes=tuple(notes),
    )


def _shared(reference: Sample, other: Sample, found: Difference, alternative: str) -> dict[str, Any]:
    """What pairs and blocks of broken specimens answer alike: ratio of geometric means and its p value."""
    return {
        "law": ratio_from_error(found.value, found.error, found.df),
        "family": "lognormal",
        "typical": "geometric mean",
        "typical_reference": typical_strength(reference, "lognormal", "geometric mean"),
        "typical_other": typical_strength(other, "lognormal", "geometric mean"),
        "p_value": found.p_value(alternative),
    }
