"""What a comparison shows: one rule for `compare` and for every plan of a comparison, on single pairs or batches.

A two-sided difference goes by the two-sided interval; every statement on one side (a margin kept or failed,
equivalence, a difference looked for on one side) goes by one-sided limits, each the farther of a normal and a Weibull
one. False statements at the edge of the truth: ``tests/truth/compare_margins.csv``.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lowtail.models.two_samples import half_and_half
from lowtail.models.two_samples.half_and_half import Arms

__all__ = [
    "GOALS",
    "Difference",
    "Ends",
    "Margin",
    "ends_of",
    "equivalent",
    "fails",
    "keeps",
    "shown",
    "stronger",
    "weaker",
]

Array = NDArray[np.float64]
GOALS = ("difference", "no worse than", "equivalence")


class Difference(StrEnum):
    """What is shown of a difference; the text is what a reader sees."""

    WEAKER = "weaker"
    STRONGER = "stronger"
    NONE = "no difference shown"
    NO_ANSWER = "no answer"


class Margin(StrEnum):
    """What is shown of a margin to keep; the text is what a reader sees."""

    SHOWN = "shown"
    NOT_SHOWN = "not shown"
    FAILS = "fails the margin"
    NO_ANSWER = "no answer"


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """Limits of the log ratio, numbers or (B,) arrays: two-sided ``low`` and ``high``, and a limit on each side."""

    low: Any
    high: Any
    one_low: Any
    one_high: Any


def ends_of(arms: Arms, confidence: float) -> Ends:
    """Limits for pairs of complete arms: half and half on two sides, the farther of both distributions on one."""
    tail = 1 - confidence
    return Ends(
        half_and_half.limit(arms, tail / 2),
        half_and_half.limit(arms, 1 - tail / 2),
        half_and_half.limit(arms, tail, "farther"),
        half_and_half.limit(arms, confidence, "farther"),
    )


def weaker(ends: Ends, alternative: str) -> Any:
    """Whether the other arm is shown to be the weaker one."""
    return {"two-sided": ends.high < 0, "less": ends.one_high < 0}.get(alternative, ends.high < -np.inf)


def stronger(ends: Ends, alternative: str) -> Any:
    """Whether the other arm is shown to be the stronger one."""
    return {"two-sided": ends.low > 0, "greater": ends.one_low > 0}.get(alternative, ends.low > np.inf)


def keeps(ends: Ends, margin: float) -> Any:
    """Whether the other arm is shown to keep a share of the reference's typical strength."""
    return ends.one_low >= np.log(margin)


def fails(ends: Ends, margin: float) -> Any:
    """Whether it is shown to keep less."""
    return ends.one_high < np.log(margin)


def equivalent(ends: Ends, margin: float) -> Any:
    """Whether the ratio is shown to lie between the margin and its inverse."""
    edge = np.log(margin)
    return (ends.one_low > edge) & (ends.one_high < -edge)


def shown(ends: Ends, goal: str, margin: float = 1.0, alternative: str = "two-sided") -> Any:
    """Whether a goal is reached."""
    if goal == "difference":
        return weaker(ends, alternative) | stronger(ends, alternative)
    return keeps(ends, margin) if goal == "no worse than" else equivalent(ends, margin)
