"""Simulated populations of arms with breaks in hand, the reference first, and whether pooled series reach an aim."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.parallel import seeds
from lowtail.claims.comparison.deciding import ends_of, shown
from lowtail.claims.planning.core.arms import Aim
from lowtail.claims.planning.core.power import judge
from lowtail.claims.planning.core.simulate import standard_series
from lowtail.logs.sample import Sample
from lowtail.models.confidence.distribution import confidence_distribution
from lowtail.models.distributions.families import LOGNORMAL, WEIBULL, Family
from lowtail.models.two_samples import half_and_half

__all__ = ["Arms", "judge_complete"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

WORLDS, SPARE, BLOCKS = 10_400, 4, 4


@dataclass(frozen=True, slots=True, eq=False)
class Arms:
    """Simulated populations of several arms, the reference first, with further standard series.

    Two arms: in order of the log ratio of typical strengths, stratified by it.
    """

    family: Family
    samples: tuple[Sample, ...]
    location: tuple[Array, ...]
    spread: tuple[Array, ...]
    further: tuple[Array, ...]
    broke: tuple[Flags | None, ...]

    @classmethod
    def draw(cls, samples: Sequence[Sample], rng: np.random.Generator, most: Sequence[int]) -> Arms:
        """Draw populations from every arm's confidence distribution: Weibull where any held, lognormal otherwise."""
        family = WEIBULL if any(s.n_censored for s in samples) else LOGNORMAL
        paired = len(samples) == 2
        drawn = [confidence_distribution(s, family).draws((SPARE if paired else 1) * WORLDS, rng) for s in samples]
        pick = np.arange(WORLDS)
        if paired:
            order = np.argsort(_log_ratio(family, drawn[0], drawn[1]), kind="stable").reshape(WORLDS, SPARE)
            pick = order[np.arange(WORLDS), rng.integers(SPARE, size=WORLDS)]
        series = [
            standard_series(family, m, WORLDS, s.n_censored / s.n, seed)
            for s, m, seed in zip(samples, most, seeds(rng, len(samples)), strict=True)
        ]
        return cls(
            family,
            tuple(samples),
            tuple(d[0][pick] for d in drawn),
            tuple(d[1][pick] for d in drawn),
            tuple(z for z, _ in series),
            tuple(broke for _, broke in series),
        )

    def ceiling(self, arm: int, aim: Aim) -> float:
        """Share of simulated populations in which the claim of an arm against the reference is true."""
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

    def pooled(self, arm: int, m: int, block: int) -> tuple[Array, Flags | None]:
        """Log loads and breaks of one arm with m further specimens in every population of a block."""
        sample, pick = self.samples[arm], slice(block, None, BLOCKS)
        location, spread = self.location[arm][pick], self.spread[arm][pick]
        new = location[:, None] + spread[:, None] * self.further[arm][pick, :m]
        size = location.size
        y = np.concatenate([np.tile(np.log(sample.load), (size, 1)), new], axis=1)
        fresh = self.broke[arm]
        if fresh is None and sample.n_censored == 0:
            return y, None
        flags = np.ones(new.shape, dtype=bool) if fresh is None else fresh[pick, :m]
        return y, np.concatenate([np.tile(sample.broke, (size, 1)), flags], axis=1)

    def outcomes(self, arm: int, more: tuple[int, int], aim: Aim, block: int) -> Flags:
        """Whether an arm against the reference, both with further specimens, reaches the aim in each of a block."""
        first, second = self.pooled(0, more[0], block), self.pooled(arm, more[1], block)
        won = judge_complete(first[0], second[0], aim) if self.family is LOGNORMAL else judge(first, second, aim)
        return won if any(more) else np.full(won.size, bool(won.mean() > 0.5))  # in hand: one answer in all populations


def _log_ratio(family: Family, reference: tuple[Array, Array], other: tuple[Array, Array]) -> Array:
    typical = float(family.quantile(0.5))
    return np.asarray((other[0] + typical * other[1]) - (reference[0] + typical * reference[1]))


def judge_complete(x: Array, y: Array, aim: Aim) -> Flags:
    """Whether each pair of complete series of log loads reaches the aim by the interval that `compare` gives."""
    ends = ends_of(half_and_half.Arms.of(x, y), aim.confidence)
    return np.asarray(shown(ends, aim.goal, aim.margin, aim.alternative))
