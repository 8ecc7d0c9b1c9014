"""From chances by size to the answer, and from the answer to the record: what all planners share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.plan import Plan, curve_points, make_curve, settle, smallest_n
from lowtail.claims.planning.core.trials import CURVE, SEARCH
from lowtail.models.bounds.nonparametric import order_statistic_n

__all__ = ["Answer", "Chances", "answer", "between_looks", "looks_at"]

_FIRST = (0, 1, 2, 3, 4, 5, 6, 7, 8, 10, 13, 17, 22, 29, 38, 48, 60, 80, 100, 140, 200, 280, 380, 500, 700, 1000)


class Chances(Protocol):
    """Chances of success by number of specimens: `Trials` (simulated) or `ExactChances` (computed)."""

    def chance(self, size: int, limit: float = SEARCH) -> tuple[float, float]:
        """Chance with its error, as exact as the search needs."""

    def full(self, size: int) -> tuple[float, float]:
        """Chance with its error, as exact as it gets."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The number found (None: ``last``, the largest allowed, is not enough), its chance, and the curve."""

    n: int | None
    last: int
    chance: float
    error: float
    before: float
    rows: Sequence[tuple[int, float, float]]

    def plan(self, *, price: float | None = None, **words: Any) -> Plan:
        """Record of the answer; ``words`` are the fields that only the planner knows."""
        cost = math.nan if price is None or self.n is None else price * self.n
        fields = {"arms": () if self.n is None else (self.n,), "ceiling": 1.0, "cost": cost, **words}
        return Plan(
            n=self.n,
            chance=self.chance,
            chance_before=self.before,
            mc_error=self.error,
            curve=make_curve(self.rows),
            **fields,
        )


def answer(chances: Chances, target: float, least: int, most: int, points: int = 24) -> Answer:
    """Smallest number that reaches the target, checked with one fewer, and a curve of about ``points`` numbers."""
    n = smallest_n(lambda k: chances.chance(k)[0], target, least, most)
    n = settle(n, lambda k: chances.full(k)[0], target, least, most)
    return at(n, chances, least, most, curve_points(n, least, most, points))


def at(n: int | None, chances: Chances, least: int, most: int, sizes: Sequence[int]) -> Answer:
    """Answer at a number found, with a curve over ``sizes``."""
    last = most if n is None else n
    chance, error = chances.full(last)
    before = chances.full(last - 1)[0] if n is not None and n > least else math.nan
    rows = [(k, *chances.chance(k, CURVE)) for k in sizes]
    return Answer(n=n, last=last, chance=chance, error=error, before=before, rows=rows)


def looks_at(least: int, most: int, basis: Basis, n_now: int = 0) -> list[int]:
    """Numbers to try in turn: close together at first, and each where the cautious bound turns to a higher load.

    Between two such turns the chance may fall as the number rises, so that halving alone would miss its tops.
    """
    turns: list[int] = []
    while len(turns) < 60:
        turn = order_statistic_n(basis.fraction_below, basis.confidence, len(turns) + 1) - n_now
        if turn >= most:
            break
        turns.append(turn)
    return sorted({m for m in (*_FIRST, *turns) if least <= m < most} | {least, most})


def between_looks(
    chances: Chances, target: float, looks: Sequence[int], *, beyond: bool = False, points: int = 0
) -> Answer:
    """First number that reaches the target where one fewer does not: looks in turn, then halving between the last two.

    ``beyond`` walks on to one further look of at least 3, for a curve that shows what testing on risks; ``points``
    asks for a curve of about so many numbers in place of those looked at.
    """
    least, most = looks[0], looks[-1]
    seen: list[int] = []
    found: int | None = None
    for i, m in enumerate(looks):
        seen.append(m)
        if chances.chance(m)[0] >= target and found is None:
            found = i
        if found is not None and (not beyond or (i > found and m >= 3)):
            break
    n: int | None = None
    if found is not None:
        low, n = looks[found - 1] if found else least - 1, looks[found]
        while n - low > 1:
            middle = (low + n) // 2
            seen.append(middle)
            low, n = (low, middle) if chances.chance(middle)[0] >= target else (middle, n)
    n = settle(n, lambda m: chances.full(m)[0], target, least, most)
    if points:
        seen = curve_points(n, least, most, points)
    seen += [] if n is None else [k for k in (n - 1, n) if k >= least]
    return at(n, chances, least, most, sorted(set(seen)))
