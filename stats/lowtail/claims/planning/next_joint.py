"""Chances of backing several claims together, and the search for the best allocation of further specimens."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from lowtail._shared.sample import Sample
from lowtail.claims.planning.core.arms import make_aim
from lowtail.claims.planning.core.claim import Claim
from lowtail.claims.planning.core.experiments import ComparedArms
from lowtail.claims.planning.core.populations import BLOCKS, ArmPopulations
from lowtail.claims.planning.core.trials import SEARCH, Trials, share_and_error

__all__ = ["Joint", "best_allocation", "even_allocation"]

Curve = Sequence[tuple[float, float]]
GRID = (0, 1, 2, 3, 4, 6, 8, 11, 15, 20, 27, 40)


@dataclass(slots=True)
class Joint:
    """Chance that every claim is shown, for an allocation of further specimens over all groups.

    Attributes
    ----------
    trials : dict
        By group, success against the reference by (further reference, further other).
    curves : dict
        By group, chance and error of its own strength claim by further specimens.
    ceilings : dict
        By compared group, the share of simulated populations in which its claim is true.
    """

    trials: dict[int, Trials[tuple[int, int]]]
    curves: dict[int, list[tuple[float, float]]]
    ceilings: dict[int, float] = field(default_factory=dict)

    @classmethod
    def draw(
        cls,
        groups: Sequence[Sample],
        compared: Sequence[int],
        claims: Sequence[float | Claim | None],
        curves: dict[int, list[tuple[float, float]]],
        room: Sequence[int],
        rng: np.random.Generator,
    ) -> Joint:
        """Simulated populations of the reference and of every group compared with it."""
        members = [0, *compared]
        arms = ArmPopulations.draw([groups[i] for i in members], rng, [max(1, room[i]) for i in members])
        aims = {i: make_aim(None, claims[i], 0.95, "two-sided") for i in compared}
        return cls(
            {group: Trials(ComparedArms(arms, arm, aims[group])) for arm, group in enumerate(compared, start=1)},
            curves,
            {group: arms.ceiling(arm, aims[group]) for arm, group in enumerate(compared, start=1)},
        )

    def chance(self, given: Sequence[int], blocks: int) -> tuple[float, float]:
        """Chance of all claims with its error, from some blocks of the shared populations."""
        parts = [self.curves[i][given[i]] for i in self.curves]
        if self.trials:
            won = [t.outcomes((given[0], given[i]), blocks) for i, t in self.trials.items()]
            parts.append(share_and_error(np.logical_and.reduce(won)))
        chance = float(np.prod([s for s, _ in parts]))
        return chance, chance * math.sqrt(sum((e / s) ** 2 for s, e in parts if s > 0))

    def full(self, given: Sequence[int]) -> tuple[float, float]:
        """Chance of all claims with its error, from every block."""
        return self.chance(given, BLOCKS)

    def one(self, group: int, given: Sequence[int]) -> float:
        """Chance of one group's claim."""
        if group in self.curves:
            return self.curves[group][given[group]][0]
        return self.trials[group].full((given[0], given[group]))[0]

    def search(self, prices: Sequence[float], room: Sequence[int], budget: float) -> tuple[int, ...]:
        """Best allocation: by products on a grid of reference numbers, then single specimens are moved."""
        starts = [self._given(m, prices, room, budget) for m in GRID if m <= room[0]]
        best = max(starts, key=lambda given: (self.chance(given, 1)[0], -sum(given)))
        for blocks in (1, BLOCKS):
            top = self.chance(best, blocks)[0]
            while True:
                near = _neighbours(best, prices, room, budget)
                chance, cheaper, given = max(
                    ((self.chance(g, blocks)[0], -float(np.dot(g, prices)), g) for g in near), key=lambda x: x[:2]
                )
                if chance <= top and not (chance == top and -cheaper < float(np.dot(best, prices))):
                    break
                top, best = chance, given
        return best

    def _given(self, reference: int, prices: Sequence[float], room: Sequence[int], budget: float) -> tuple[int, ...]:
        """Best allocation with a number in the reference arm, as though the others were independent given it."""
        left = budget - reference * prices[0]
        curves = []
        for i in range(1, len(prices)):
            most = min(room[i], math.floor(left / prices[i] + 1e-9))
            if i in self.curves:
                curves.append([s for s, _ in self.curves[i]][: most + 1])
                continue
            sizes = sorted({m for m in GRID if m <= most} | {most})
            shares = [self.trials[i].chance((reference, m), SEARCH)[0] for m in sizes]
            curves.append(np.interp(np.arange(most + 1), sizes, shares).tolist())
        return (reference, *best_allocation(curves, prices[1:], left))


def _neighbours(
    given: tuple[int, ...], prices: Sequence[float], room: Sequence[int], budget: float
) -> list[tuple[int, ...]]:
    """Allocations one specimen away: one more, one fewer, or one moved from a group to another."""
    steps = [(i, j) for i in range(-1, len(given)) for j in range(-1, len(given)) if i != j]
    out = []
    for less, more in steps:
        new = list(given)
        if less >= 0:
            new[less] -= 1
        if more >= 0:
            new[more] += 1
        inside = all(0 <= m <= r for m, r in zip(new, room, strict=True))
        if inside and np.dot(new, prices) <= budget + 1e-9:
            out.append(tuple(new))
    return out


def best_allocation(curves: Sequence[Sequence[float]], prices: Sequence[float], budget: float) -> tuple[int, ...]:
    """Allocation with the largest product of chances within the budget; of equals the cheapest.

    Groups are added one by one; an allocation that costs no less and promises no more than another is dropped.
    """
    front: list[tuple[float, float, tuple[int, ...]]] = [(0.0, 1.0, ())]
    for curve, price in zip(curves, prices, strict=True):
        grown = [
            (spent + m * price, chance * s, (*given, m))
            for spent, chance, given in front
            for m, s in enumerate(curve)
            if spent + m * price <= budget + 1e-9
        ]
        grown.sort(key=lambda x: (x[0], -x[1]))
        front, top = [], -1.0
        for entry in grown:
            if entry[1] > top:
                front.append(entry)
                top = entry[1]
    return max(front, key=lambda x: (x[1], -x[0]))[2]


def even_allocation(prices: Sequence[float], room: Sequence[int], budget: float) -> tuple[int, ...]:
    """Specimens in turn to each group while the budget lasts."""
    given = [0] * len(prices)
    left, moved = budget, True
    while moved:
        moved = False
        for i, price in enumerate(prices):
            if price <= left + 1e-9 and given[i] < room[i]:
                given[i] += 1
                left -= price
                moved = True
    return tuple(given)
