"""Pairs and blocks in which some specimens held: the farther of two intervals, and log-rank scores within blocks."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.caution import UNRELATED
from lowtail._shared.numbers import p_text
from lowtail._shared.sample import Sample
from lowtail.claims.comparison.design_parts import (
    Difference,
    block_difference,
    pair_difference,
    permute_within,
    shared_blocks,
)
from lowtail.claims.comparison.ratios import farther_ratio
from lowtail.claims.comparison.typical import Answer, typical_strength
from lowtail.errors import NoAnswerError
from lowtail.models.two_samples.level_free import Blocks, LevelFreeLaw, level_free_law
from lowtail.models.two_samples.survivor_tests import log_rank_scores

__all__ = ["answer_held"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_PERMUTED = {"pair": "sign test of pairs", "block": "permutation log-rank within blocks"}


def answer_held(
    reference: Sample,
    other: Sample,
    labels: tuple[NDArray[Any], NDArray[Any]],
    name: str,
    alternative: str,
    rng: Any,
) -> Answer:
    """Ratio within pairs or blocks with survivors; ``name`` is "pair" or "block".

    Each end of the interval is the farther of two: the distribution of the difference with the levels of the blocks
    taken out, and the complete-sample interval with every survivor taken as broken at the load it held. Where one arm
    holds more than the other, the first alone lies too high for that arm (the load that a pair's partner broke at tells
    of the loads, not only of the difference), and the second too low. Beside it arms are permuted within blocks, with
    log-rank scores: in pairs that is the sign test of the pairs whose order is known, exact whatever the loads held.

    Error rates and coverage: ``tests/truth/compare_designs.csv``.
    """
    word = f"{name}s"
    blocks = shared_blocks(*labels)
    label = np.concatenate(labels)
    broke = np.concatenate([reference.broke, other.broke])
    informative = [b for b in blocks if broke[label == b].any()]
    keep = np.isin(label, informative)
    y = np.log(np.concatenate([reference.load, other.load]))[keep]
    arm = np.repeat([0.0, 1.0], [reference.n, other.n])[keep]
    lone = int((~np.isin(label, blocks)).sum())
    label, broke = label[keep], broke[keep]
    score = _scores(y, broke, label, informative)
    p_permuted, smallest = (
        permute_within(score, arm, label, informative, alternative, rng) if informative else (1.0, 1.0)
    )
    beside = f"The {_PERMUTED[name]} alone gives {p_text(p_permuted)}. "
    law = _law(y, broke, arm, label, informative, name, beside)
    ratio = farther_ratio(law, _as_broken(y, arm, label, informative, name))
    below = ratio.confidence_below_one()
    p = {"two-sided": 2 * min(below, 1 - below), "less": 1 - below, "greater": below}[alternative]
    return Answer(
        law=ratio,
        family="weibull",
        typical="median",
        typical_reference=typical_strength(reference, "weibull", "median"),
        typical_other=typical_strength(other, "weibull", "median"),
        test=f"confidence distribution of {word} with survivors",
        p_value=min(max(p, 1e-5), 1.0),
        permutation_test=_PERMUTED[name],
        permutation_p=p_permuted,
        smallest_p=smallest,
        notes=_notes(word, len(informative), len(blocks) - len(informative), lone),
    )


def _notes(word: str, used: int, silent: int, lone: int) -> tuple[str, ...]:
    notes = [f"{used} {word} tell of the ratio; low strengths and scatter are compared without regard to {word}."]
    if silent:
        notes.append(f"{silent} {word} in which every specimen held say nothing of the ratio and take no part in it.")
    if lone:
        notes.append(f"{lone} specimens stand in {word} with one arm only and take no part in the typical ratio.")
    notes.append(
        "Each end of the ratio's interval is the farther of two: survivors counted as stronger than the load they "
        "held, and as broken at it."
    )
    notes.append(UNRELATED)
    return tuple(notes)


def _scores(y: Array, broke: Flags, label: NDArray[Any], blocks: list[Any]) -> Array:
    score = np.zeros(y.size)
    for b in blocks:
        score[label == b] = log_rank_scores(y[label == b], broke[label == b])
    return score


def _law(
    y: Array, broke: Flags, arm: Array, label: NDArray[Any], blocks: list[Any], name: str, beside: str
) -> LevelFreeLaw:
    free = sum(int(broke[label == b].sum()) - 1 for b in blocks) - 1
    if free < 1:
        found = free + 1
        need = (
            "at least 2 pairs in which both specimens broke"
            if name == "pair"
            else "at least 2 breaks more than blocks with a break"
        )
        raise NoAnswerError(
            f"`{name}` with survivors needs {need}, but there {'is' if found == 1 else 'are'} {found}. {beside}Test on "
            f"until more break, or leave `{name}` out."
        )
    other = arm > 0
    if not (broke[other].any() and broke[~other].any()):
        raise NoAnswerError(
            f"In the {name}s that hold both arms and a break, no specimen of one arm broke: the ratio has no bound. "
            f"{beside}Test on until both arms break."
        )
    place = np.array([blocks.index(b) for b in label])
    law = level_free_law(Blocks(y[None, :], broke[None, :], other, place))
    if not law.proper[0]:
        raise NoAnswerError(
            f"The breaks within {name}s have no scatter about one ratio, so that no interval can be given. {beside}"
            "Record the loads to a finer resolution, or test more."
        )
    return law


def _as_broken(y: Array, arm: Array, label: NDArray[Any], blocks: list[Any], name: str) -> Difference:
    if name == "block":
        return block_difference(y, arm, label, blocks)
    return pair_difference(np.array([y[(label == b) & (arm > 0)][0] - y[(label == b) & (arm == 0)][0] for b in blocks]))
