"""Series simulated in populations and judged, block by block: what `Trials` makes chances of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.choices import NamedTest
from lowtail._shared.parallel import seeds
from lowtail._shared.sample import Sample
from lowtail.claims.comparison.named_tests import two_sample_test
from lowtail.claims.planning.core.arms import ComparisonAim
from lowtail.claims.planning.core.chances import chance_bound
from lowtail.claims.planning.core.judge import ONE, StrengthAim, early
from lowtail.claims.planning.core.population import Population
from lowtail.claims.planning.core.populations import BLOCKS, ArmPopulations, Populations
from lowtail.claims.planning.core.simulate import Series, child, pool, standard_series
from lowtail.claims.planning.core.trials import Chances, ExactChances, Trials
from lowtail.errors import LowtailError
from lowtail.models.distributions.families import LOGNORMAL, WEIBULL, Family
from lowtail.models.series.weibull_pivot import weibull_pivot

__all__ = ["ComparedArms", "FreshPairs", "FreshSeries", "NamedTestPairs", "PooledSeries", "exact", "fresh_chances"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Seeds = Sequence[np.random.SeedSequence]
Pair = tuple[int, int]


class Judges(Protocol):
    """An aim that single series reach or miss."""

    def reached(self, y: Array, broke: Flags | None) -> Flags:
        """Whether each series of values of y reaches the aim."""


@dataclass(frozen=True, slots=True, eq=False)
class FreshSeries:
    """Fresh series of a population assumed, by their number of specimens."""

    population: Population
    aim: Judges
    seeds: Seeds
    blocks: ClassVar[int] = 4
    per_block: ClassVar[int] = 3000  # 12,000 series: Monte-Carlo error at most 0.46 points

    @classmethod
    def of(cls, population: Population, aim: Judges, seed: int) -> FreshSeries:
        """With a seed for each block."""
        return cls(population, aim, seeds(seed, cls.blocks))

    def won(self, n: int, block: int) -> Flags:
        """Whether each series of a block reaches the aim."""
        return self.aim.reached(*self.population.series(n, self.per_block, self.seeds[block]))


def exact(population: Population, aim: StrengthAim) -> bool:
    """True where the chance needs no simulation of whole series."""
    if population.survivors:
        return False
    return aim.judge == ONE if aim.basis.tolerance else population.family.name == "normal"


def fresh_chances(
    population: Population, aim: StrengthAim, seed: int, target: float | None = None, n_jobs: int = 1
) -> Chances[int]:
    """Chances that the judging bound of n specimens reaches the strength."""
    basis, claim = aim.basis, population.distance(aim.strength)
    if not exact(population, aim):
        return Trials(FreshSeries.of(population, aim, seed), target, n_jobs)
    if population.family.name == "weibull":
        return ExactChances(
            lambda n: weibull_pivot(n, seed).chance(
                claim, _pivot_bound(n, seed, basis.fraction_below, basis.confidence)
            )
        )
    return ExactChances(lambda n: (chance_bound(n, -claim, basis.factor(n)), 0.0))


@lru_cache(maxsize=1024)
def _pivot_bound(n: int, seed: int, fraction_below: float, confidence: float) -> Array:
    return weibull_pivot(n, seed).bound(fraction_below, confidence)


@dataclass(frozen=True, slots=True, eq=False)
class PooledSeries:
    """The series in hand with further specimens of populations drawn from it, by the number of further ones.

    Calibrated for early holds where specimens in hand held early. ``now`` says whether the specimens in hand reach the
    aim, where that is known already.
    """

    populations: Populations
    sample: Sample
    aim: StrengthAim
    survivors: float
    seeds: Seeds
    now: bool | None = None
    blocks: ClassVar[int] = BLOCKS

    def won(self, more: int, block: int) -> Flags:
        """Whether each pooled series of a block reaches the aim."""
        part = self.populations.slice(block)
        size = part.location.size
        if not more and self.now is not None:
            return np.full(size, self.now)
        start = np.asarray(part.family.transform(self.sample.load), dtype=float), self.sample.broke
        z, fresh = np.empty((size, 0)), None
        if more:
            z, fresh = standard_series(part.family, more, size, self.survivors, self.seeds[block])
        y, broke = pool(*start, part.location[:, None] + part.spread[:, None] * z, fresh)
        return self.aim.reached(y, broke, early(*start))


@dataclass(frozen=True, slots=True, eq=False)
class FreshPairs:
    """Pairs of fresh Weibull series by the numbers in both arms, judged by two confidence distributions."""

    ratio: float
    cvs: tuple[float, ...]
    held: tuple[float, float]
    aim: ComparisonAim
    seed: int
    blocks: ClassVar[int] = 4
    per_block: ClassVar[int] = 2600  # pairs of series: Monte-Carlo error at most 0.49 points over all blocks

    @property
    def family(self) -> Family:
        """Distribution of the loads."""
        return WEIBULL

    def arms(self, n: Pair, block: int) -> list[Series]:
        """Log loads of both arms: median 0 for the reference, ln ratio for the other."""
        seed, middle, out = seeds(self.seed, self.blocks)[block], float(self.family.quantile(0.5)), []
        for i in (0, 1):
            z, broke = standard_series(self.family, n[i], self.per_block, self.held[i], child(seed, i))
            spread = Population.of(self.family, 1.0, self.cvs[i]).spread
            out.append(((math.log(self.ratio) if i else 0.0) + spread * (z - middle), broke))
        return out

    def won(self, n: Pair, block: int) -> Flags:
        """Whether each pair of a block reaches the aim."""
        return self.aim.reached(*self.arms(n, block))


@dataclass(frozen=True, slots=True, eq=False)
class NamedTestPairs(FreshPairs):
    """The same judged by a named test, one pair at a time; lognormal where all break; no answer shows nothing."""

    test: NamedTest
    blocks: ClassVar[int] = 26
    per_block: ClassVar[int] = 400

    @property
    def family(self) -> Family:
        """Distribution of the loads."""
        return WEIBULL if max(self.held) > 0 else LOGNORMAL

    def won(self, n: Pair, block: int) -> Flags:
        """Whether each pair of a block reaches the aim."""
        arms = self.arms(n, block)
        if self.test == "Weibull confidence distributions":  # all pairs at once
            return self.aim.reached(*arms)
        won = np.zeros(self.per_block, dtype=bool)
        for i in range(self.per_block):
            reference, other = (Sample(np.exp(y[i]), None if broke is None else broke[i]) for y, broke in arms)
            try:
                p = two_sample_test(reference, other, self.test, alternative=self.aim.alternative, rng=i).p_value
            except LowtailError:  # too few breaks in an arm: nothing is shown
                continue
            won[i] = p <= 1 - self.aim.confidence + 1e-12
        return won


@dataclass(frozen=True, slots=True, eq=False)
class ComparedArms:
    """An arm against the reference, both with data in hand, by the further specimens of both."""

    populations: ArmPopulations
    arm: int
    aim: ComparisonAim
    blocks: ClassVar[int] = BLOCKS

    def won(self, more: Pair, block: int) -> Flags:
        """Whether the pooled series of each population of a block reach the aim."""
        first, second = (self.populations.pooled(i, m, block) for i, m in zip((0, self.arm), more, strict=True))
        if self.populations.family is LOGNORMAL:
            won = self.aim.reached_complete(first[0], second[0])
        else:
            won = self.aim.reached(first, second)
        return won if any(more) else np.full(won.size, bool(won.mean() > 0.5))  # in hand: one answer in all of them
