"""What a comparison is to show, and the search for the numbers of specimens in its two arms."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.claims.basis import check_fraction
from lowtail.claims.comparison.deciding import ends_of, shown
from lowtail.claims.planning.core.claim import Claim, positive
from lowtail.claims.planning.core.simulate import Series
from lowtail.claims.planning.core.trials import Along, Answer, Chances, ExactChances
from lowtail.claims.planning.core.trials import answer as find
from lowtail.errors import InputError
from lowtail.models.confidence.location_grid import location_above
from lowtail.models.series.weibull_ratio import ratio_confidence, take
from lowtail.models.two_samples import half_and_half
from lowtail.models.two_samples.permutation import Alternative, check_alternative

__all__ = ["ComparisonAim", "Goal", "Split", "check_costs", "make_aim", "split_arms"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

Goal = Literal["difference", "no worse than", "equivalence"]
GOALS: tuple[str, ...] = get_args(Goal)


@dataclass(frozen=True, slots=True)
class ComparisonAim:
    """Goal of a comparison: what must be shown, at which confidence, against which margin (1 where it has none)."""

    goal: str
    margin: float
    confidence: float
    alternative: Alternative = "two-sided"

    @property
    def words(self) -> str:
        """The claim in words."""
        if self.goal == "difference":
            side = {"two-sided": "", "less": " (the other arm weaker)", "greater": " (the other arm stronger)"}
            return "a difference of typical strengths" + side[self.alternative]
        if self.goal == "no worse than":
            return f"that the other arm keeps at least {100 * self.margin:g} % of the reference's typical strength"
        return f"that the ratio of typical strengths lies between {self.margin:g} and {1 / self.margin:.4g}"

    def check_ratio(self, ratio: float) -> None:
        """Raise where no number of specimens can succeed at a true ratio."""
        never = "This cannot succeed with any number of specimens"
        if self.goal == "difference":
            if ratio == 1:
                raise InputError(
                    f"{never}: at `ratio` 1 there is no difference to find. Give the smallest ratio worth finding, or "
                    "`margin` to show that the arms agree."
                )
            if (self.alternative == "less" and ratio > 1) or (self.alternative == "greater" and ratio < 1):
                raise InputError(
                    f"{never}: `alternative` {self.alternative!r} looks the other way from ratio {ratio:g}."
                )
        elif ratio <= self.margin:
            raise InputError(f"{never}: the true ratio {ratio:g} is not above the margin {self.margin:g}.")
        elif self.goal == "equivalence" and ratio >= 1 / self.margin:
            raise InputError(f"{never}: the true ratio {ratio:g} is not below 1/margin = {1 / self.margin:.4g}.")

    def reached(self, reference: Series, other: Series) -> Flags:
        """Whether the ratio of medians of each pair of series (log loads, breaks) reaches the aim, as in `compare`.

        On one side both the Weibull and the lognormal distributions must reach it.
        """
        edge = math.log(self.margin)
        if self.goal == "difference" and self.alternative == "two-sided":
            level = (1 + self.confidence) / 2
            above = ratio_confidence(reference, other, edge, (level, 1 - level))
            return np.asarray((above >= level) | (above <= 1 - level))
        if self.alternative == "less":
            return _both_above(other, reference, edge, self.confidence)
        won = _both_above(reference, other, edge, self.confidence)
        if self.goal == "equivalence":
            rows = np.flatnonzero(won)
            won[rows] = _both_above(take(other, rows), take(reference, rows), edge, self.confidence)
        return won

    def reached_complete(self, reference: Array, other: Array) -> Flags:
        """Whether each pair of complete series of log loads reaches the aim by the interval that `compare` gives."""
        ends = ends_of(half_and_half.Arms.of(reference, other), self.confidence)
        return np.asarray(shown(ends, self.goal, self.margin, self.alternative))


def _both_above(reference: Series, other: Series, edge: float, level: float) -> Flags:
    """Whether the medians differ by more than ``edge`` at a confidence, by Weibull and by lognormal distributions.

    The second are asked only where the first are near the level, by as much as both were seen to lie apart.
    """
    above = ratio_confidence(reference, other, edge, (level,))
    won = np.asarray(above >= level)
    breaks = [y.shape[1] if broke is None else broke.sum(axis=1) for y, broke in (reference, other)]
    sure = special.ndtr(special.ndtri(level) + 0.4 + 3 / np.maximum(np.minimum(*breaks), 1))
    rows = np.flatnonzero(won & (above < sure))
    won[rows] = location_above(take(reference, rows), take(other, rows), edge) >= level
    return won


def make_aim(
    goal: str | None, margin: float | Claim | None, confidence: float, alternative: Alternative
) -> ComparisonAim:
    """Goal, margin and confidence from what the caller gave; a Claim settles all three."""
    check_alternative(alternative)
    level = check_fraction(confidence, "confidence")
    if isinstance(margin, Claim):
        if margin.kind != "comparison":
            raise InputError(f"`margin` must be a number or a Claim with `keeps` or `same_within`, got: {margin}.")
        found = "no worse than" if margin.keeps is not None else "equivalence"
        if goal not in (None, found):
            raise InputError(f"`goal` {goal!r} does not fit the claim ({margin}); leave `goal` out.")
        edge = margin.keeps if margin.keeps is not None else margin.same_within
        return ComparisonAim(found, float(edge or 0.0), margin.confidence)
    chosen = goal if goal is not None else ("difference" if margin is None else "no worse than")
    if chosen not in GOALS:
        raise InputError(f"`goal` must be one of {', '.join(map(repr, GOALS))}, got {goal!r}.")
    if chosen == "difference":
        if margin is not None:
            raise InputError('`margin` plays no part in a difference; leave it out, or set `goal` to "no worse than".')
        return ComparisonAim(chosen, 1.0, level, alternative)
    if margin is None:
        raise InputError(f"`goal` {chosen!r} needs `margin`, e.g. margin=0.9.")
    return ComparisonAim(chosen, check_fraction(margin, "margin"), level)


def check_costs(cost: tuple[float, float] | None) -> tuple[float, float] | None:
    """Return the cost of a specimen in each arm, or None."""
    if cost is None:
        return None
    if not isinstance(cost, (tuple, list)) or len(cost) != 2:
        raise InputError(
            f"`cost` must hold two numbers, for a specimen of the reference and of the other arm, got {cost!r}."
        )
    return positive(cost[0], "cost", "a cost per specimen"), positive(cost[1], "cost", "a cost per specimen")


@dataclass(frozen=True, slots=True)
class Split:
    """Numbers in the arms (None where the limit is not enough), and the answer with the curve along the split."""

    arms: tuple[int, int] | None
    answer: Answer


def split_arms(
    power: Chances[tuple[int, int]],
    target: float,
    most: int,
    share: float,
    spread: tuple[float, float],
    costs: tuple[float, float] | None,
) -> Split:
    """Smallest arms in a given proportion, or the cheapest split, that reach the target."""
    if costs is not None:
        share = math.sqrt(costs[0] / costs[1]) * spread[1] / spread[0]

    def pair(n: int) -> tuple[int, int]:
        return n, max(2, math.ceil(share * n - 1e-9))

    cap = most if share <= 1 else max(2, math.floor(most / share))
    found = find(Along(power, pair), target, 2, cap, 40 if isinstance(power, ExactChances) else 4)
    if found.n is None:
        return Split(None, found)
    if costs is None:
        return Split(pair(found.n), found)
    arms = cheapest(power, target, most, pair(found.n), costs)
    fewer = [f for f in ((arms[0] - 1, arms[1]), (arms[0], arms[1] - 1)) if min(f) >= 2]
    chance, error = power.full(arms)
    before = max([power.full(f)[0] for f in fewer], default=math.nan)
    return Split(arms, replace(found, n=arms[0], chance=chance, error=error, before=before))


def cheapest(
    power: Chances[tuple[int, int]], target: float, most: int, start: tuple[int, int], costs: tuple[float, float]
) -> tuple[int, int]:
    """Cheapest pair that reaches the target: walk along the numbers of the reference arm, both ways.

    At each the largest other number that is still cheaper is tried first; where it fails, no smaller one can do.
    """

    def reaches(a: int, b: int) -> bool:
        return power.chance((a, b))[0] >= target and power.full((a, b))[0] >= target

    best, price = start, start[0] * costs[0] + start[1] * costs[1]
    for way in (-1, 1):
        n, misses = start[0], 0
        while misses < 4:
            n += way
            room = min(most, math.ceil((price - n * costs[0]) / costs[1] - 1e-9) - 1)
            if n < 2 or n > most or room < 2:
                break
            if not reaches(n, room):
                misses += 1
                continue
            low, high = 1, room
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (low, middle) if reaches(n, middle) else (middle, high)
            best, price, misses = (n, high), n * costs[0] + high * costs[1], 0
    return best
