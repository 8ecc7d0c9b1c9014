"""From simulated series to the answer: chances of success by size, and the search for the smallest size that does.

Outcomes are made block by block, and every block only where the answer depends on it. Blocks hold the same random
numbers at every size, so that sizes are compared on like populations. A chance far from the one asked for is settled by
its first blocks; the sizes that decide (n and n - 1) get all of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.parallel import run
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.plan import Plan, make_curve
from lowtail.models.bounds.nonparametric import order_statistic_n

__all__ = ["CURVE", "SEARCH", "Answer", "Chances", "ExactChances", "Trials", "answer", "between_looks", "looks_at"]

Flags = NDArray[np.bool_]
Key = TypeVar("Key", bound=Hashable)
Size = TypeVar("Size", bound=Hashable, contravariant=True)

SEARCH, CURVE = 0.02, 0.0049  # Monte-Carlo error that does on the way to an answer, and on a curve that is shown
_CLEAR = 3.5  # errors between a chance and the target that settle on which side it lies
_FIRST = (0, 1, 2, 3, 4, 5, 6, 7, 8, 10, 13, 17, 22, 29, 38, 48, 60, 80, 100, 140, 200, 280, 380, 500, 700, 1000)


class Experiment(Protocol[Size]):
    """Series simulated in a population and judged: the block of outcomes of any size can be made at any time."""

    @property
    def blocks(self) -> int:
        """Blocks in all."""

    def won(self, size: Size, block: int) -> Flags:
        """Whether each series of a block succeeds."""


class Chances(Protocol[Size]):
    """Chances of success by size: `Trials` (simulated) or `ExactChances` (computed)."""

    def chance(self, size: Size, limit: float = SEARCH) -> tuple[float, float]:
        """Chance with its error, as exact as the search needs."""

    def full(self, size: Size) -> tuple[float, float]:
        """Chance with its error, as exact as it gets."""


def share_and_error(won: Flags) -> tuple[float, float]:
    """Share of series won and its standard error, from the differences of neighbours (strata, where there are any)."""
    pairs = won[: won.size // 2 * 2].reshape(-1, 2).astype(float)
    return float(won.mean()), float(np.sqrt(((pairs[:, 0] - pairs[:, 1]) ** 2).sum()) / won.size)


@dataclass(slots=True)
class Trials(Generic[Key]):
    """Chances of success by size, each made of as many blocks of an experiment as it takes.

    ``target`` is the chance asked for, None where nothing is decided.
    """

    experiment: Experiment[Key]
    target: float | None = None
    n_jobs: int = 1
    made: dict[Key, list[Flags]] = field(default_factory=dict)

    def outcomes(self, size: Key, blocks: int | None = None) -> Flags:
        """Whether each series succeeds; blocks are dealt like cards, so that strata stay in order."""
        done = self.made.setdefault(size, [])
        upto = self.experiment.blocks if blocks is None else blocks
        if len(done) < upto:
            jobs = [(size, block) for block in range(len(done), upto)]
            done += run(self.experiment.won, jobs, n_jobs=self.n_jobs, progress=False)
        return np.stack(done, axis=1).ravel()

    def chance(self, size: Key, limit: float = SEARCH) -> tuple[float, float]:
        """Chance with its error: below ``limit``, and clear of the target unless every block is spent."""
        upto = max(1, len(self.made.get(size, ())))
        while True:
            share, error = share_and_error(self.outcomes(size, upto))
            near = self.target is not None and abs(share - self.target) <= _CLEAR * error
            if upto >= self.experiment.blocks or (error < limit and not near):
                return share, error
            upto = min(self.experiment.blocks, 2 * upto)

    def full(self, size: Key) -> tuple[float, float]:
        """Chance with its error from every block."""
        return share_and_error(self.outcomes(size))


@dataclass(slots=True)
class ExactChances(Generic[Key]):
    """Chances of success by size that need no blocks, worked out once each; speaks as `Trials` does."""

    work: Callable[[Key], tuple[float, float]]
    made: dict[Key, tuple[float, float]] = field(default_factory=dict)

    def full(self, size: Key) -> tuple[float, float]:
        """Chance with its error."""
        if size not in self.made:
            self.made[size] = self.work(size)
        return self.made[size]

    def chance(self, size: Key, limit: float = SEARCH) -> tuple[float, float]:
        """The same."""
        return self.full(size)


@dataclass(frozen=True, slots=True)
class Along(Generic[Key]):
    """Chances along a line of pairs (or other sizes), by one number that runs along it."""

    chances: Chances[Key]
    size: Callable[[int], Key]

    def chance(self, number: int, limit: float = SEARCH) -> tuple[float, float]:
        """Chance with its error, as exact as the search needs."""
        return self.chances.chance(self.size(number), limit)

    def full(self, number: int) -> tuple[float, float]:
        """Chance with its error, as exact as it gets."""
        return self.chances.full(self.size(number))


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


def smallest_n(chance: Callable[[int], float], target: float, least: int, most: int) -> int | None:
    """Smallest n from ``least`` to ``most`` with ``chance(n) >= target`` and ``chance(n - 1) < target``.

    Doubles, halves, and then walks down as long as one specimen fewer still reaches the target.
    """
    low, high = least - 1, least
    while chance(high) < target:
        if high >= most:
            return None
        low, high = high, min(most, max(high + 1, 2 * high))
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(middle) >= target else (middle, high)
    while high > least and chance(high - 1) >= target:
        high -= 1
    return high


def settle(n: int | None, chance: Callable[[int], float], target: float, least: int, most: int) -> int | None:
    """Correct an ``n`` found with a quick, rough chance by the full one, so that it holds at n and not at n - 1."""
    found = most if n is None else n
    while chance(found) < target:
        if found >= most:
            return None
        found += 1
    while found > least and chance(found - 1) >= target:
        found -= 1
    return found


def curve_points(n: int | None, least: int, most: int, size: int = 40) -> list[int]:
    """Numbers of specimens for a curve: from ``least`` past ``n``, with n - 1, n and n + 1 among them."""
    last = most if n is None else min(most, max(n + 5, math.ceil(1.6 * n)))
    step = max(1, math.ceil((last - least) / size))
    points = {*range(least, last + 1, step), last}
    if n is not None:
        points |= {k for k in (n - 1, n, n + 1) if least <= k <= most}
    return sorted(points)


def answer(chances: Chances[int], target: float, least: int, most: int, points: int = 24) -> Answer:
    """Smallest number that reaches the target, checked with one fewer, and a curve of about ``points`` numbers."""
    n = smallest_n(lambda k: chances.chance(k)[0], target, least, most)
    n = settle(n, lambda k: chances.full(k)[0], target, least, most)
    return answer_at(n, chances, least, most, curve_points(n, least, most, points))


def answer_at(n: int | None, chances: Chances[int], least: int, most: int, sizes: Sequence[int]) -> Answer:
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
    chances: Chances[int], target: float, looks: Sequence[int], *, beyond: bool = False, points: int = 0
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
    return answer_at(n, chances, least, most, sorted(set(seen)))
