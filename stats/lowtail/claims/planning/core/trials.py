"""Outcomes of simulated series, made block by block: every block only where the answer depends on it.

Blocks hold the same random numbers at every size, so that sizes are compared on like populations. A chance far from
the one asked for is settled by its first blocks; the sizes that decide (n and n - 1) get all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["CURVE", "SEARCH", "Trials", "share_and_error"]

Flags = NDArray[np.bool_]
Key = TypeVar("Key", bound=Hashable)

SEARCH, CURVE = 0.02, 0.0049  # Monte-Carlo error that does on the way to an answer, and on a curve that is shown
_CLEAR = 3.5  # errors between a chance and the target that settle on which side it lies


def share_and_error(won: Flags) -> tuple[float, float]:
    """Share of series won and its standard error, from the differences of neighbours (strata, where there are any)."""
    pairs = won[: won.size // 2 * 2].reshape(-1, 2).astype(float)
    return float(won.mean()), float(np.sqrt(((pairs[:, 0] - pairs[:, 1]) ** 2).sum()) / won.size)


@dataclass(slots=True)
class Trials(Generic[Key]):
    """Chances of success by size, each made of as many blocks as it takes.

    Attributes
    ----------
    make : callable
        ``make([(size, block), ...])`` gives whether each series of those blocks succeeds.
    target : float or None
        Chance asked for; None where nothing is decided.
    blocks : int
        Blocks in all.
    """

    make: Callable[[list[tuple[Key, int]]], list[Flags]]
    target: float | None = None
    blocks: int = 4
    made: dict[Key, list[Flags]] = field(default_factory=dict)

    def outcomes(self, size: Key, blocks: int | None = None) -> Flags:
        """Whether each series succeeds; blocks are dealt like cards, so that strata stay in order."""
        done = self.made.setdefault(size, [])
        upto = self.blocks if blocks is None else blocks
        if len(done) < upto:
            done += self.make([(size, block) for block in range(len(done), upto)])
        return np.stack(done, axis=1).ravel()

    def chance(self, size: Key, limit: float = SEARCH) -> tuple[float, float]:
        """Chance with its error: below ``limit``, and clear of the target unless every block is spent."""
        upto = max(1, len(self.made.get(size, ())))
        while True:
            share, error = share_and_error(self.outcomes(size, upto))
            near = self.target is not None and abs(share - self.target) <= _CLEAR * error
            if upto >= self.blocks or (error < limit and not near):
                return share, error
            upto = min(self.blocks, 2 * upto)

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
