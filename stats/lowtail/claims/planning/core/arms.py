"""What a comparison is to show, and the search for the numbers of specimens in its two arms."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal, Protocol, get_args

from lowtail.claims.basis import check_fraction
from lowtail.claims.planning.core.answer import Answer
from lowtail.claims.planning.core.answer import answer as find
from lowtail.claims.planning.core.plan import Claim, positive
from lowtail.claims.planning.core.trials import SEARCH, ExactChances
from lowtail.errors import InputError
from lowtail.models.two_samples.permutation import Alternative, check_alternative

__all__ = ["Aim", "Pairs", "Split", "check_costs", "make_aim", "split_arms"]

Goal = Literal["difference", "no worse than", "equivalence"]
GOALS: tuple[str, ...] = get_args(Goal)


@dataclass(frozen=True, slots=True)
class Aim:
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


def make_aim(goal: str | None, margin: float | Claim | None, confidence: float, alternative: Alternative) -> Aim:
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
        return Aim(found, float(edge or 0.0), margin.confidence)
    chosen = goal if goal is not None else ("difference" if margin is None else "no worse than")
    if chosen not in GOALS:
        raise InputError(f"`goal` must be one of {', '.join(map(repr, GOALS))}, got {goal!r}.")
    if chosen == "difference":
        if margin is not None:
            raise InputError('`margin` plays no part in a difference; leave it out, or set `goal` to "no worse than".')
        return Aim(chosen, 1.0, level, alternative)
    if margin is None:
        raise InputError(f"`goal` {chosen!r} needs `margin`, e.g. margin=0.9.")
    return Aim(chosen, check_fraction(margin, "margin"), level)


def check_costs(cost: tuple[float, float] | None) -> tuple[float, float] | None:
    """Return the cost of a specimen in each arm, or None."""
    if cost is None:
        return None
    if not isinstance(cost, (tuple, list)) or len(cost) != 2:
        raise InputError(
            f"`cost` must hold two numbers, for a specimen of the reference and of the other arm, got {cost!r}."
        )
    return positive(cost[0], "cost", "a cost per specimen"), positive(cost[1], "cost", "a cost per specimen")


class Pairs(Protocol):
    """Power by the numbers in both arms: `Trials` (simulated) or `ExactChances` (computed)."""

    def chance(self, size: tuple[int, int], limit: float = SEARCH) -> tuple[float, float]:
        """Power with its error, as exact as the search needs."""

    def full(self, size: tuple[int, int]) -> tuple[float, float]:
        """Power with its error, as exact as it gets."""


@dataclass(frozen=True, slots=True)
class Split:
    """Numbers in the arms (None where the limit is not enough), and the answer with the curve along the split."""

    arms: tuple[int, int] | None
    answer: Answer


@dataclass(frozen=True, slots=True)
class _Along:
    """Power along a fixed proportion, by the number in the reference arm."""

    power: Pairs
    share: float

    def pair(self, n: int) -> tuple[int, int]:
        return n, max(2, math.ceil(self.share * n - 1e-9))

    def chance(self, size: int, limit: float = SEARCH) -> tuple[float, float]:
        return self.power.chance(self.pair(size), limit)

    def full(self, size: int) -> tuple[float, float]:
        return self.power.full(self.pair(size))


def split_arms(
    power: Pairs,
    target: float,
    most: int,
    share: float,
    spread: tuple[float, float],
    costs: tuple[float, float] | None,
) -> Split:
    """Smallest arms in a given proportion, or the cheapest split, that reach the target."""
    if costs is not None:
        share = math.sqrt(costs[0] / costs[1]) * spread[1] / spread[0]
    along = _Along(power, share)
    cap = most if share <= 1 else max(2, math.floor(most / share))
    found = find(along, target, 2, cap, 40 if isinstance(power, ExactChances) else 4)
    if found.n is None:
        return Split(None, found)
    if costs is None:
        return Split(along.pair(found.n), found)
    arms = cheapest(power, target, most, along.pair(found.n), costs)
    fewer = [f for f in ((arms[0] - 1, arms[1]), (arms[0], arms[1] - 1)) if min(f) >= 2]
    chance, error = power.full(arms)
    before = max([power.full(f)[0] for f in fewer], default=math.nan)
    return Split(arms, replace(found, n=arms[0], chance=chance, error=error, before=before))


def cheapest(
    power: Pairs, target: float, most: int, start: tuple[int, int], costs: tuple[float, float]
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
