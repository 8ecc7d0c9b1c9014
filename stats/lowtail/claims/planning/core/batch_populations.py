"""Simulated populations of batches in keeping with the batches in hand, and further batches tested in each.

Populations are drawn from the confidence distribution of the middle of the batch locations, the scatter between them
and the scatter within them: under Weibull scatter within batches that of `lowtail.models.batches.weibull_batches`,
under normal scatter the generalised pivotal quantity of `lowtail.models.batches.normal_batches`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from lowtail._shared.parallel import seeds
from lowtail._shared.sample import Sample
from lowtail.claims.planning.core.endless import endless_batches
from lowtail.claims.planning.core.experiments import FreshSeries
from lowtail.claims.planning.core.judge import StrengthAim
from lowtail.claims.planning.core.population import Population
from lowtail.claims.planning.core.populations import BLOCKS, SPARE, Populations, in_order
from lowtail.claims.planning.core.simulate import child
from lowtail.errors import NoAnswerError
from lowtail.models.batches.many import weibull_batch_confidence
from lowtail.models.batches.normal_batches import batch_sums, chi_square_nodes
from lowtail.models.batches.weibull_batches import mixed_quantile, weibull_batches
from lowtail.models.distributions.families import Family

__all__ = ["BatchesInHand", "FreshBatches", "PooledBatches", "draw_batch_populations"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

PER_BLOCK = 1200  # 4,800 populations, stratified: Monte-Carlo error at most 0.6 points
_LIMIT = 60.0  # ln load beyond which a population is no more a number, only far away


@dataclass(frozen=True, slots=True, eq=False)
class BatchesInHand:
    """Values of y of the batches in hand, shape (a, m); free places hold ``-inf``.

    Attributes
    ----------
    y : (a, m) array
    broke, filled : (a, m) array of bool
    """

    y: Array
    broke: Flags
    filled: Flags

    @classmethod
    def of(cls, sample: Sample, family: Family) -> BatchesInHand:
        """Sort the specimens of a sample into its named batches."""
        number, _ = _numbers_of(sample)
        sizes = np.bincount(number)
        y = np.full((sizes.size, int(sizes.max())), -np.inf)
        broke = np.zeros(y.shape, dtype=bool)
        for i in range(sizes.size):
            member = number == i
            y[i, : sizes[i]] = family.transform(sample.load[member])
            broke[i, : sizes[i]] = sample.broke[member]
        return cls(y, broke, np.arange(y.shape[1]) < sizes[:, None])


def _numbers_of(sample: Sample) -> tuple[NDArray[np.intp], list[str]]:
    named = [str(b) for b in (sample.batch if sample.batch is not None else ())]
    names = list(dict.fromkeys(named))
    return np.array([names.index(b) for b in named], dtype=np.intp), names


def draw_batch_populations(
    sample: Sample, aim: StrengthAim, rng: np.random.Generator, size: int = BLOCKS * PER_BLOCK
) -> Populations:
    """Draw populations from the confidence distribution of (middle, between, within), stratified by the margin.

    Raises
    ------
    NoAnswerError
        If the distribution is normal or lognormal and a specimen did not break.
    """
    family, p = aim.family, aim.basis.fraction_below
    draw = _weibull_draws if family.name == "weibull" else _normal_draws
    middle, between, within = draw(sample, family, SPARE * size, rng)
    if family.name == "weibull":
        low = middle + within * mixed_quantile(p, between / within)
    else:
        low = middle + float(special.ndtri(p)) * np.hypot(between, within)
    margin = (low - aim.edge) / within
    pick = in_order(margin, size, rng)
    middle, between, within = middle[pick], between[pick], within[pick]
    if family.name == "weibull":
        limit = endless_batches(middle, between, within, p)
    else:
        limit = aim.limit(middle, np.hypot(between, within))
    return Populations(family, middle, within, margin[pick], limit, between)


def _weibull_draws(sample: Sample, family: Family, size: int, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    known = weibull_batches(np.asarray(family.transform(sample.load)), sample.broke, _numbers_of(sample)[0])
    upto = np.cumsum(known.weight)
    node = np.minimum(np.searchsorted(upto, rng.random(size) * upto[-1]), upto.size - 1)
    k, squares = known.k[node], known.squares[node]
    u = rng.chisquare(known.batches - 1, size)
    between = np.sqrt(np.maximum(squares / u - known.error / k**2, 0.0))
    middle = known.centre[node] + rng.standard_normal(size) * np.sqrt(squares / (known.batches * u))
    return _kept(middle, _LIMIT), np.minimum(between, _LIMIT), 1 / k


def _normal_draws(sample: Sample, family: Family, size: int, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    if sample.n_censored:
        raise NoAnswerError(
            f"{sample.who}: {sample.n_censored} of {sample.n} specimens did not break, and {family.name} populations "
            "of batches are drawn from breaks only. Use family='weibull', which carries them."
        )
    y, number = np.asarray(family.transform(sample.load)), _numbers_of(sample)[0]
    sums = batch_sums([y[number == i] for i in range(int(number.max()) + 1)])
    a = sums.batches
    u, v = rng.chisquare(a - 1, size), rng.chisquare(sums.total - a, size)
    within = np.sqrt(sums.within / v)
    between = np.sqrt(np.maximum(sums.between / u - sums.inverse_size * within**2, 0.0))
    middle = sums.mean + rng.standard_normal(size) * np.sqrt(sums.between / (a * u))
    return (_kept(middle, _LIMIT), np.minimum(between, _LIMIT), within) if family.on_log else (middle, between, within)


def _kept(value: Array, limit: float) -> Array:
    return np.clip(value, -limit, limit)


@lru_cache(maxsize=32)
def _rig_table(survivors: float) -> tuple[Array, Array]:
    """Location of the rig's ln strength above the middle, over the scatter within, by arcsinh of between / within."""
    grid = np.linspace(0.0, np.arcsinh(1e4), 81)
    z, weight = np.polynomial.hermite_e.hermegauss(60)

    def excess(shift: float, ratio: float) -> float:
        return float(weight @ special.expit(ratio * z - shift) / weight.sum()) - survivors

    reach = [60 * (1 + r) for r in np.sinh(grid)]
    shift = [optimize.brentq(excess, -e, e, args=(r,)) for e, r in zip(reach, np.sinh(grid), strict=True)]
    return grid, np.array(shift) / (1 + np.sinh(grid))


@dataclass(frozen=True, slots=True, eq=False)
class PooledBatches:
    """The batches in hand with further ones of ``size`` specimens, by the number of further ones.

    ``now`` says whether the batches in hand reach the aim.
    """

    populations: Populations
    hand: BatchesInHand
    aim: StrengthAim
    size: int
    survivors: float
    seeds: Sequence[np.random.SeedSequence]
    now: bool
    blocks: ClassVar[int] = BLOCKS

    def won(self, more: int, block: int) -> Flags:
        """Whether all batches together reach the aim in each population of a block."""
        part, hand = self.populations.slice(block), self.hand
        number, (a, m) = part.location.size, hand.y.shape
        if not more:
            return np.full(number, self.now)
        shape = (a + more, max(m, self.size))
        y, broke = np.full((number, *shape), -np.inf), np.zeros((number, *shape), dtype=bool)
        filled = np.zeros(shape, dtype=bool)
        y[:, :a, :m], broke[:, :a, :m], filled[:a, :m] = hand.y, hand.broke, hand.filled
        y[:, a:, : self.size], broke[:, a:, : self.size] = self._further(part, more, self.seeds[block])
        filled[a:, : self.size] = True
        return self.aim.reached_by_batches(y, broke, filled)

    def _further(self, part: Populations, batches: int, seed: np.random.SeedSequence) -> tuple[Array, Flags]:
        """Values of y of further batches, shape (B, batches, size), and which broke; more batches continue fewer."""
        lots, strength, rig = (np.random.default_rng(child(seed, i)) for i in range(3))
        number = part.location.size
        shape = (batches, self.size, number)
        location = part.location + np.asarray(part.between) * lots.standard_normal((batches, number))
        normal = part.family.name != "weibull"

        def scatter(rng: np.random.Generator) -> Array:
            return rng.standard_normal(shape) if normal else np.log(rng.standard_exponential(shape))

        y = location[:, None, :] + part.spread * scatter(strength)
        broke = np.ones(shape, dtype=bool)
        if self.survivors:
            limit = _rig(part, self.survivors) + part.spread * scatter(rig)
            y, broke = np.minimum(y, limit), y <= limit
        return np.moveaxis(y, 2, 0), np.moveaxis(broke, 2, 0)


def _rig(populations: Populations, survivors: float) -> Array:
    """Location of the rig's strength on the axis of y, at which the share of survivors holds over all batches."""
    ratio = np.minimum(np.asarray(populations.between) / populations.spread, 1e4)
    shift = (1 + ratio) * np.interp(np.arcsinh(ratio), *_rig_table(survivors))
    return np.asarray(populations.location + populations.spread * shift)


@dataclass(frozen=True, slots=True, eq=False)
class FreshBatches:
    """Fresh batches of a population assumed, Weibull within each, by the specimens of each batch."""

    population: Population
    batches: int
    aim: StrengthAim
    seed: int
    blocks: ClassVar[int] = FreshSeries.blocks

    def won(self, size: int, block: int) -> Flags:
        """Whether the bound across batches reaches the aim in each set of a block."""
        seed, basis = seeds(self.seed, self.blocks)[block], self.aim.basis
        y, broke = self.population.batches(self.batches, size, FreshSeries.per_block, seed)
        claim = self.aim.edge - self.population.location
        return weibull_batch_confidence(y, broke, claim, basis.fraction_below) >= basis.confidence

    def ceiling(self) -> float:
        """Chance with endless specimens of each batch: locations and shape are known, their distribution not."""
        rng, known, number = np.random.default_rng(self.seed), self.population, self.batches
        size = FreshSeries.blocks * FreshSeries.per_block
        centre = known.location + known.between / math.sqrt(number) * rng.standard_normal(size)
        squares = known.between**2 * rng.chisquare(number - 1, size)
        u, chi = chi_square_nodes(number - 1, 60)
        spread = np.sqrt(np.maximum(squares, 1e-300)[:, None] / u)
        low = mixed_quantile(self.aim.basis.fraction_below, spread / known.spread)
        with np.errstate(over="ignore"):
            away = (centre[:, None] + known.spread * low - self.aim.edge) * math.sqrt(number) / spread
        return float((special.ndtr(away) @ chi >= self.aim.basis.confidence).mean())
