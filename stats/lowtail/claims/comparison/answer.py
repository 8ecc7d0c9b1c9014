"""The answer of a comparison and its sentences: never more than the data carry, rounded away from the bold side."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from lowtail._shared.interval import Interval
from lowtail._shared.numbers import p_text
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.claims.comparison.deciding import Difference, Margin
from lowtail.claims.comparison.ratios import LowRatio

__all__ = ["Comparison", "difference_phrase", "low_phrase", "margin_phrase", "names", "sentence", "under_read_phrase"]

_HOPELESS = 0.5  # a design that would only show a loss of more than half is called hopeless


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison(Record):
    """Two arms compared: ratios are other over reference, below 1 where the other is the weaker.

    Attributes
    ----------
    reference, other : str
        Names of the arms.
    n_reference, n_other, n_broken_reference, n_broken_other : int
        Specimens, and how many of them broke.
    family, typical : str
        Distribution behind the ratio of typical strengths, and what "typical" is: "geometric mean", "mean" or "median".
    typical_reference, typical_other : float
        Typical strengths in kN.
    ratio, ratio_low, ratio_high : float
        Ratio of typical strengths with its two-sided interval.
    confidence : float
        Of the two-sided intervals, and of the one-sided statements on a margin.
    alternative, test, p_value : str, str, float
        The test named; never quote its p value without the interval.
    permutation_test, permutation_p, smallest_p : str, float, float
        Permutation test beside it, and the smallest p these loads can reach by it.
    detectable_ratio : float
        Ratio below 1 that a series of this size and scatter shows with 80 % power (scatter as observed); 0
        where no loss shows so often.
    difference : str
        "weaker", "stronger" or "no difference shown", by the interval.
    margin, keeps_low, keeps_high : float or None, float, float
        Share of the reference strength that the other must keep; one-sided bounds of the share kept.
    verdict : str
        With a margin "shown", "not shown" or "fails the margin"; without one the same as ``difference``.
    equivalence : str
        "shown" or "not shown": ratio within margin and 1 / margin by two one-sided tests; "" without a margin.
    low_fraction, low_family, low_ratio, low_ratio_low, low_ratio_high : float, str, float, float, float
        Ratio of low strengths at one fraction below, with its two-sided interval; NaN where the data carry none.
    low_ratios : tuple of LowRatio
        The same at 1, 5 and 10 %.
    scatter_ratio, scatter_ratio_low, scatter_ratio_high, scatter_p : float
        Ratio of the scatter of log load (Weibull spreads), and the permutation p of equal scatter (NaN with survivors).
    under_read_reference, under_read_other : float
        Shares by which peaks may read low at worst.
    ratio_low_read, ratio_high_read, under_read_explains : float, float, bool
        Interval widened by them on one side each, and whether they alone could explain the difference shown.
    notes : tuple of str
        What the reader must know beside the numbers.
    samples : tuple of Sample
        Reference and other, as compared.
    """

    reference: str
    other: str
    n_reference: int
    n_other: int
    n_broken_reference: int
    n_broken_other: int
    family: str
    typical: str
    typical_reference: float
    typical_other: float
    ratio: float
    ratio_low: float
    ratio_high: float
    confidence: float
    alternative: str
    test: str
    p_value: float
    permutation_test: str
    permutation_p: float
    smallest_p: float
    detectable_ratio: float
    difference: Difference
    margin: float | None
    keeps_low: float
    keeps_high: float
    verdict: Margin | Difference
    equivalence: str
    low_fraction: float
    low_family: str
    low_ratio: float
    low_ratio_low: float
    low_ratio_high: float
    low_ratios: tuple[LowRatio, ...]
    scatter_ratio: float
    scatter_ratio_low: float
    scatter_ratio_high: float
    scatter_p: float
    under_read_reference: float
    under_read_other: float
    ratio_low_read: float
    ratio_high_read: float
    under_read_explains: bool
    notes: tuple[str, ...]
    samples: tuple[Sample, Sample]

    def __str__(self) -> str:
        return sentence(self)

    def confidence_interval(self) -> Interval:
        """Two-sided interval of the ratio of typical strengths."""
        return Interval(self.ratio_low, self.ratio_high, self.confidence)

    def to_frame(self) -> Any:
        """One tidy row; the samples stay in the record."""
        row = Record.to_frame(self).drop(columns="samples")
        return row.assign(**{word: str(getattr(self, word)) for word in ("difference", "verdict", "equivalence")})


def names(reference: Sample, other: Sample) -> tuple[str, str]:
    """Shortest names that tell two samples apart: the one grouping value that differs, else the labels."""
    first, second = reference.group, other.group
    if first and set(first) == set(second):
        differs = [key for key in first if first[key] != second[key]]
        if len(differs) == 1 and first[differs[0]] and second[differs[0]]:
            return first[differs[0]], second[differs[0]]
    return reference.label or "reference", other.label or "other"


def _outward(value: float, step: Callable[[float], int], mark: float) -> str:
    """Round by ``step`` (floor or ceil) to 2 digits, or as many more as keep it on its side of ``mark``."""
    for digits in (2, 3, 4):
        scale = 10**digits
        slack = 1e-9 if step is math.floor else -1e-9
        rounded = step(value * scale + slack) / scale
        if (rounded < mark) == (value < mark) and (rounded > mark) == (value > mark):
            return f"{rounded:.{digits}f}"
    return f"{value:.6f}"


def _down(value: float, mark: float = 1.0) -> str:
    return _outward(value, math.floor, mark)


def _up(value: float, mark: float = 1.0) -> str:
    return _outward(value, math.ceil, mark)


def loss(ratio: float) -> str:
    """Loss in per cent, rounded up."""
    return f"{math.ceil((1 - ratio) * 100 - 1e-9):d} %"


def difference_phrase(result: Comparison) -> str:
    """What is shown of a difference, and what would have been shown."""
    small = math.isfinite(result.p_value) and result.p_value < 1 - result.confidence
    if result.difference is not Difference.NONE:
        apart = "" if small or not math.isfinite(result.p_value) else " by the interval; the test alone does not say so"
        return f"{result.difference} than {result.reference}{apart}"
    if small:
        return "no difference shown: the test alone would say so, but the interval, which rules, contains 1"
    if not result.detectable_ratio > 0:
        return "no difference shown, and with so few breaks no loss could have been shown dependably"
    if result.detectable_ratio < _HOPELESS:
        return (
            f"no difference shown, and hardly one could have been: only a loss of {loss(result.detectable_ratio)} or "
            "more would be detected 8 times in 10"
        )
    return f"no difference shown (a loss of {loss(result.detectable_ratio)} or more would be detected 8 times in 10)"


def low_phrase(result: Comparison) -> str:
    """The low strengths, where they are shown to differ and the typical strengths are not."""
    if result.difference is not Difference.NONE or result.low_ratio_low <= 1 <= result.low_ratio_high:
        return ""
    if not math.isfinite(result.low_ratio_low):
        return ""
    word = "weaker" if result.low_ratio_high < 1 else "stronger"
    return (
        f"its {result.low_fraction * 100:g} % strength is {word}: ratio {result.low_ratio:.2f} "
        f"({_down(result.low_ratio_low)} to {_up(result.low_ratio_high)})"
    )


def margin_phrase(result: Comparison) -> str:
    """The verdict on a margin with what is shown instead."""
    if result.margin is None:
        return ""
    claim = f"keeps at least {result.margin * 100:g} %"
    level = f"{result.confidence * 100:g} % confidence"
    if result.verdict is Margin.SHOWN:
        return f"{claim}: shown at {level}"
    if result.verdict is Margin.FAILS:
        return f"{claim}: fails the margin (at most {_up(result.keeps_high, result.margin)} at {level})"
    return f"{claim}: not shown (only {_down(result.keeps_low, result.margin)} is, at {level})"


def under_read_phrase(result: Comparison) -> str:
    """What a peak that reads low means for this comparison."""
    worst = max(result.under_read_reference, result.under_read_other)
    if worst <= 0:
        return ""
    share = f"{worst * 100:.2g} %"
    if result.under_read_explains:
        return f"peaks that read up to {share} low could alone explain this"
    return (
        f"with peaks that may read up to {share} low the interval is {_down(result.ratio_low_read)} to "
        f"{_up(result.ratio_high_read)}"
    )


def sentence(result: Comparison) -> str:
    """One plain sentence a reader can quote."""
    held = result.n_reference + result.n_other - result.n_broken_reference - result.n_broken_other
    size = f"{result.n_other} against {result.n_reference} specimens{f', {held} held' if held else ''}"
    parts = [
        f"{result.other} against {result.reference} ({size}): ratio of "
        f"typical strengths {result.ratio:.2f} ({result.confidence * 100:g} % interval {_down(result.ratio_low)} to "
        f"{_up(result.ratio_high)}; {result.test}, {p_text(result.p_value)}), {difference_phrase(result)}",
        low_phrase(result),
        margin_phrase(result),
        under_read_phrase(result),
    ]
    return "; ".join(p for p in parts if p) + "."
