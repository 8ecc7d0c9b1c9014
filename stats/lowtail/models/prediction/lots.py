"""Acceptance limits of a lot: its lowest specimen and its mean, judged together, on arrays.

Locations and spreads drawn from what an earlier series leaves open, with n specimens each, are lots as good as the
series. Both limits stand at one level a' each, chosen so that a lot falls below either of them with exactly the
probability asked for over these draws.

References
----------
Vangel (2002) Lot acceptance and compliance testing using the sample mean and an extremum, Technometrics 44:242-249:
both statistics at one level each, parameters known (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lowtail.models.distributions.families import Family

__all__ = ["Lots", "draw_lots"]

Array = NDArray[np.float64]
_CHUNK = 4_000_000  # strengths drawn at once


@dataclass(frozen=True, slots=True, eq=False)
class Lots:
    """Lowest and mean of drawn lots on the y axis, each (size,), and the locations and spreads they come from."""

    lowest: Array
    mean: Array
    location: Array

    def limits(self, rejection: float) -> tuple[float, float, float]:
        """Limit of the lowest and of the mean, and the level of each, so that either fails with that probability."""
        size = self.lowest.size
        ranks = [np.argsort(np.argsort(a)) for a in (self.lowest, self.mean)]
        level = int(np.sort(np.minimum(*ranks))[min(int(np.floor(rejection * size)), size - 1)])
        lowest, mean = (float(np.partition(a, level)[level]) for a in (self.lowest, self.mean))
        return lowest, mean, level / size

    def accepted(self, limits: tuple[float, float], *, weaker: float = 0.0, wider: float = 1.0, log: bool) -> float:
        """Share of the lots accepted, were each a share ``weaker``, or ``wider`` scattered about its own location."""
        parts = [self.location + wider * (a - self.location) for a in (self.lowest, self.mean)]
        parts = [a + np.log1p(-weaker) if log else a * (1 - weaker) for a in parts]
        return float(np.mean((parts[0] >= limits[0]) & (parts[1] >= limits[1])))


def draw_lots(family: Family, location: Array, spread: Array, n: int, rng: np.random.Generator) -> Lots:
    """One lot of n specimens for every location and spread (size,)."""
    lowest, mean = np.empty(location.size), np.empty(location.size)
    step = max(1, _CHUNK // n)
    for first in range(0, location.size, step):
        at = slice(first, first + step)
        shape = (location[at].size, n)
        w = np.log(rng.standard_exponential(shape)) if family.name == "weibull" else rng.standard_normal(shape)
        lowest[at] = location[at] + spread[at] * w.min(axis=1)
        mean[at] = location[at] + spread[at] * w.mean(axis=1)
    return Lots(lowest, mean, location)
