"""Simulated populations in keeping with the data in hand, drawn from the confidence distribution: one group or arms."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from lowtail._shared.parallel import seeds
from lowtail._shared.sample import Sample, refuse_beyond_loads
from lowtail.claims.planning.core.arms import ComparisonAim
from lowtail.claims.planning.core.endless import custom_limit
from lowtail.claims.planning.core.judge import StrengthAim
from lowtail.claims.planning.core.simulate import Series, pool, standard_series
from lowtail.models.confidence.distribution import ConfidenceDistribution, confidence_distribution
from lowtail.models.distributions.families import LOGNORMAL, WEIBULL, Family

__all__ = ["BLOCKS", "ArmPopulations", "Populations", "draw_populations", "in_order"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

BLOCKS = 4
PER_BLOCK = 2400  # 9,600 populations, stratified: Monte-Carlo error below 0.5 points
ARMS = 10_400  # populations of several arms
SPARE = 4  # candidates for each population kept
_NO_MOVE, _PLACES = 0.4, (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99)  # confidences where populations are moved, or not


@dataclass(frozen=True, slots=True, eq=False)
class Populations:
    """Populations drawn from a confidence distribution, in order of how far the claim lies below their low strength.

    Attributes
    ----------
    family : Family
    location, spread : (B,) arrays
        Of y, in rising order of ``margin``; where batches differ, their middle and the scatter within each.
    margin : (B,) array
        (true low strength - claim) / spread on the y axis; negative where the claim is false.
    limit : (B,) array
        What the judging bound approaches in an endless series, a value of y.
    between : (B,) array, or None
        Scatter of the locations of batches; None where batches play no part.
    """

    family: Family
    location: Array
    spread: Array
    margin: Array
    limit: Array
    between: Array | None = None

    def slice(self, block: int) -> Populations:
        """Every ``BLOCKS``-th population, starting at ``block``: each slice covers the whole range."""
        pick = slice(block, None, BLOCKS)
        between = None if self.between is None else self.between[pick]
        return Populations(
            self.family, self.location[pick], self.spread[pick], self.margin[pick], self.limit[pick], between
        )

    @property
    def total_spread(self) -> Array:
        """Scatter over all batches."""
        return self.spread if self.between is None else np.hypot(self.between, self.spread)

    def attainable(self, true: float, edge: float) -> float:
        """Highest attainable chance: at most ``true``, the share of populations in which the claim is true."""
        could = self.margin >= 0
        return true * float((self.limit[could] >= edge).mean()) if could.any() else 0.0


def draw_populations(
    known: ConfidenceDistribution, aim: StrengthAim, rng: np.random.Generator, size: int = BLOCKS * PER_BLOCK
) -> Populations:
    """Draw populations from the confidence distribution, stratified by the margin of the claim.

    Where specimens in hand held early the populations are moved down, so that their percentiles follow the calibrated
    confidences.
    """
    location, spread = known.draws(SPARE * size, rng)
    family, basis = aim.family, aim.basis
    if basis.tolerance:
        low = location + float(family.quantile(basis.fraction_below)) * spread
        if known.calibrated:
            move = _down(known, family, basis.fraction_below, low)
            location, low = location + move, low + move
    else:
        low = custom_limit(family, location, spread, basis)
    margin = (low - aim.edge) / spread
    pick = in_order(margin, size, rng)
    location, spread = location[pick], spread[pick]
    return Populations(family, location, spread, margin[pick], aim.limit(location, spread))


def in_order(margin: Array, size: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Which of ``SPARE`` candidates for each population to keep, in rising order of the margin.

    Of every ``SPARE`` in a row one is kept at random: the distribution is unchanged and the Monte-Carlo error smaller.
    """
    order = np.argsort(margin, kind="stable").reshape(size, SPARE)
    return np.asarray(order[np.arange(size), rng.integers(SPARE, size=size)])


def _down(known: ConfidenceDistribution, family: Family, fraction_below: float, low: Array) -> Array:
    """How far (on the y axis) the calibration lowers the low strength at the rank of each simulated population."""
    ends = np.array([[known.plain_low(fraction_below, g), known.low(fraction_below, g)] for g in _PLACES])
    plain, lowered = family.transform(np.maximum(ends, 1e-9 * ends.max())).T
    above = 1 - (np.argsort(np.argsort(low)) + 0.5) / low.size  # confidence that the low strength lies higher
    return np.asarray(np.interp(ndtri(above), ndtri((_NO_MOVE, *_PLACES)), [0.0, *(lowered - plain)]))


@dataclass(frozen=True, slots=True, eq=False)
class ArmPopulations:
    """Populations of several arms, the reference first, with further standard series.

    Two arms: in order of the log ratio of typical strengths, stratified by it.
    """

    family: Family
    samples: tuple[Sample, ...]
    location: tuple[Array, ...]
    spread: tuple[Array, ...]
    further: tuple[Series, ...]

    @classmethod
    def draw(cls, samples: Sequence[Sample], rng: np.random.Generator, most: Sequence[int]) -> ArmPopulations:
        """Draw from the confidence distribution of every arm: Weibull where any held, lognormal otherwise."""
        family = WEIBULL if any(s.n_censored for s in samples) else LOGNORMAL
        paired = len(samples) == 2
        for s in samples:
            refuse_beyond_loads(s.who, s.n_between, s.common_uncertainty, "a plan")
        drawn = [confidence_distribution(s, family).draws((SPARE if paired else 1) * ARMS, rng) for s in samples]
        pick = np.arange(ARMS)
        if paired:
            pick = in_order(_log_ratio(family, drawn[0], drawn[1]), ARMS, rng)
        further = tuple(
            standard_series(family, m, ARMS, s.n_censored / s.n, seed)
            for s, m, seed in zip(samples, most, seeds(rng, len(samples)), strict=True)
        )
        location, spread = (tuple(d[i][pick] for d in drawn) for i in (0, 1))
        return cls(family, tuple(samples), location, spread, further)

    def ceiling(self, arm: int, aim: ComparisonAim) -> float:
        """Share of populations in which the claim of an arm against the reference is true."""
        arms = [(self.location[i], self.spread[i]) for i in (0, arm)]
        log_ratio = _log_ratio(self.family, arms[0], arms[1])
        edge = -math.log(aim.margin)
        if aim.goal == "difference":
            side = {"two-sided": np.ones(1), "less": log_ratio < 0, "greater": log_ratio > 0}
            return float(side[aim.alternative].mean())
        true = log_ratio > -edge
        if aim.goal == "equivalence":
            true &= log_ratio < edge
        return float(true.mean())

    def pooled(self, arm: int, m: int, block: int) -> Series:
        """Log loads and breaks of one arm with m further specimens in every population of a block."""
        sample, pick = self.samples[arm], slice(block, None, BLOCKS)
        z, fresh = self.further[arm]
        new = self.location[arm][pick, None] + self.spread[arm][pick, None] * z[pick, :m]
        return pool(np.log(sample.load), sample.broke, new, None if fresh is None else fresh[pick, :m])


def _log_ratio(family: Family, reference: tuple[Array, Array], other: tuple[Array, Array]) -> Array:
    typical = float(family.quantile(0.5))
    return np.asarray((other[0] + typical * other[1]) - (reference[0] + typical * reference[1]))
