"""Simulated populations in keeping with the data in hand, drawn from the confidence distribution; series in each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from lowtail._shared.parallel import run
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.endless import custom_limit
from lowtail.claims.planning.core.judge import GOVERNING
from lowtail.claims.planning.core.simulate import backs, early, standard_series
from lowtail.claims.planning.core.trials import Trials
from lowtail.logs.sample import Sample
from lowtail.models.confidence.distribution import ConfidenceDistribution
from lowtail.models.distributions.families import Family

__all__ = ["Worlds", "draw_worlds", "in_order", "trials_in"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

TASKS = 4
PER_TASK = 2400  # 9,600 populations, stratified: Monte-Carlo error below 0.5 points
SPARE = 4  # candidates for each population kept
_NO_MOVE, _PLACES = 0.4, (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99)  # confidences where populations are moved, or not


@dataclass(frozen=True, slots=True, eq=False)
class Worlds:
    """Populations drawn from a confidence distribution, in order of how far the claim lies below their low strength.

    Attributes
    ----------
    family : Family
    location, spread : (B,) arrays
        Of y, in rising order of ``margin``.
    margin : (B,) array
        (true low strength - claim) / spread on the y axis; negative where the claim is false.
    """

    family: Family
    location: Array
    spread: Array
    margin: Array

    def slice(self, task: int) -> Worlds:
        """Every ``TASKS``-th population, starting at ``task``: each slice covers the whole range."""
        pick = slice(task, None, TASKS)
        return Worlds(self.family, self.location[pick], self.spread[pick], self.margin[pick])


def draw_worlds(
    law: ConfidenceDistribution,
    family: Family,
    claim: float,
    basis: Basis,
    rng: np.random.Generator,
    size: int = TASKS * PER_TASK,
) -> Worlds:
    """Draw populations from the confidence distribution, stratified by the margin of the claim.

    Where specimens in hand held early the populations are moved down, so that their percentiles follow the calibrated
    confidences.
    """
    location, spread = law.draws(SPARE * size, rng)
    if basis.tolerance:
        low = location + float(family.quantile(basis.fraction_below)) * spread
        if law.calibrated:
            move = _down(law, family, basis.fraction_below, low)
            location, low = location + move, low + move
    else:
        low = custom_limit(family, location, spread, basis)
    margin = (low - claim) / spread
    pick = in_order(margin, size, rng)
    return Worlds(family, location[pick], spread[pick], margin[pick])


def in_order(margin: Array, size: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Which of ``SPARE`` candidates for each population to keep, in rising order of the margin.

    Of every ``SPARE`` in a row one is kept at random: the distribution is unchanged and the Monte-Carlo error smaller.
    """
    order = np.argsort(margin, kind="stable").reshape(size, SPARE)
    return np.asarray(order[np.arange(size), rng.integers(SPARE, size=size)])


def _down(law: ConfidenceDistribution, family: Family, fraction_below: float, low: Array) -> Array:
    """How far (on the y axis) the calibration lowers the low strength at the rank of each simulated population."""
    ends = np.array([[law.plain_low(fraction_below, g), law.low(fraction_below, g)] for g in _PLACES])
    plain, lowered = family.transform(np.maximum(ends, 1e-9 * ends.max())).T
    above = 1 - (np.argsort(np.argsort(low)) + 0.5) / low.size  # confidence that the low strength lies higher
    return np.asarray(np.interp(ndtri(above), ndtri((_NO_MOVE, *_PLACES)), [0.0, *(lowered - plain)]))


def _task(
    y: Array,
    broke: Flags,
    worlds: Worlds,
    claim: float,
    basis: Basis,
    survivors: float,
    judge: str,
    seed: np.random.SeedSequence,
    more: int,
) -> Flags:
    """Outcome in each population with a number of further specimens."""
    size = worlds.location.size
    pooled, flags = np.empty((size, y.size + more)), None
    pooled[:, : y.size] = y
    z, fresh = standard_series(worlds.family, more, size, survivors, seed) if more else (np.empty((size, 0)), None)
    pooled[:, y.size :] = worlds.location[:, None] + worlds.spread[:, None] * z
    if fresh is not None or not broke.all():
        flags = np.empty(pooled.shape, dtype=bool)
        flags[:, : y.size] = broke
        flags[:, y.size :] = True if fresh is None else fresh
    return backs(pooled, flags, claim, worlds.family, basis, judge, early(y, broke))


def trials_in(
    worlds: Worlds,
    sample: Sample,
    claim: float,
    basis: Basis,
    survivors: float,
    seeds: Sequence[np.random.SeedSequence],
    target: float | None = None,
    n_jobs: int = 1,
    *,
    judge: str = GOVERNING,
    now: bool | None = None,
) -> Trials[int]:
    """Whether the pooled series reaches the claim (a value of y) in each population, by further specimens.

    Calibrated for early holds where specimens in hand held early. ``now`` says whether the specimens in hand reach it,
    where that is known already.
    """
    y = np.asarray(worlds.family.transform(sample.load), dtype=float)

    def make(wanted: list[tuple[int, int]]) -> list[Flags]:
        ahead = [one for one in wanted if one[0] or now is None]
        jobs = [
            (y, sample.broke, worlds.slice(block), claim, basis, survivors, judge, seeds[block], more)
            for more, block in ahead
        ]
        done = dict(zip(ahead, run(_task, jobs, n_jobs=n_jobs, progress=False), strict=True))
        size = worlds.location.size // TASKS
        return [done[one] if one in done else np.full(size, bool(now)) for one in wanted]

    return Trials(make, target, TASKS)
