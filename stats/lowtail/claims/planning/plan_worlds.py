"""Worlds in keeping with the data in hand: populations drawn from the confidence law, and further series in each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lowtail._parallel import run
from lowtail.claims.basis import Basis
from lowtail.claims.planning.plan_simulate import backs, standard_series
from lowtail.models.confidence_law import ConfidenceLaw
from lowtail.models.families import Family
from lowtail.records.sample import Sample

__all__ = ["Worlds", "draw_worlds", "share_and_error", "successes"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

TASKS = 4
PER_TASK = 2400  # 9,600 worlds, stratified: Monte-Carlo error below 0.5 points
_SPARE = 4  # candidates for each world kept


@dataclass(frozen=True, slots=True, eq=False)
class Worlds:
    """Populations drawn from a confidence law, in order of how far the claim lies below their low strength.

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
        """Every ``TASKS``-th world, starting at ``task``: each slice covers the whole range."""
        pick = slice(task, None, TASKS)
        return Worlds(self.family, self.location[pick], self.spread[pick], self.margin[pick])


def draw_worlds(
    law: ConfidenceLaw,
    family: Family,
    claim: float,
    fraction_below: float,
    rng: np.random.Generator,
    size: int = TASKS * PER_TASK,
) -> Worlds:
    """Draw worlds from the confidence law, stratified by the margin of the claim.

    Four candidates are drawn for each world and put in order of the margin; one of every four in a row is kept at
    random. The law is unchanged and the Monte-Carlo error smaller.
    """
    location, spread = law.draws(_SPARE * size, rng)
    margin = (location + float(family.quantile(fraction_below)) * spread - claim) / spread
    order = np.argsort(margin, kind="stable").reshape(size, _SPARE)
    pick = order[np.arange(size), rng.integers(_SPARE, size=size)]
    return Worlds(family, location[pick], spread[pick], margin[pick])


def share_and_error(won: Flags) -> tuple[float, float]:
    """Share of worlds won and its standard error, from the differences of neighbouring strata."""
    pairs = won[: won.size // 2 * 2].reshape(-1, 2).astype(float)
    return float(won.mean()), float(np.sqrt(((pairs[:, 0] - pairs[:, 1]) ** 2).sum()) / won.size)


def _task(
    y: Array,
    broke: Flags,
    worlds: Worlds,
    claim: float,
    basis: Basis,
    survivors: float,
    seed: np.random.SeedSequence,
    more: Sequence[int],
) -> list[Flags]:
    """Outcome in each world for each number of further specimens."""
    size = worlds.location.size
    z, fresh = (
        standard_series(worlds.family, max(more), size, survivors, seed) if max(more) else (np.empty((size, 0)), None)
    )
    out = []
    for m in more:
        pooled = np.empty((size, y.size + m))
        pooled[:, : y.size] = y
        pooled[:, y.size :] = worlds.location[:, None] + worlds.spread[:, None] * z[:, :m]
        flags: Flags | None = None
        if fresh is not None or not broke.all():
            flags = np.empty(pooled.shape, dtype=bool)
            flags[:, : y.size] = broke
            flags[:, y.size :] = True if fresh is None else fresh[:, :m]
        out.append(backs(pooled, flags, claim, worlds.family, basis))
    return out


def successes(
    sample: Sample,
    worlds: Worlds,
    claim: float,
    basis: Basis,
    survivors: float,
    seeds: Sequence[np.random.SeedSequence],
    more: Sequence[int],
    n_jobs: int = 1,
) -> dict[int, Flags]:
    """For each number of further specimens, whether the pooled series backs the claim in each world.

    ``claim`` is a value of y. Longer series continue the shorter ones, so that outcomes are comparable.
    """
    y = np.asarray(worlds.family.transform(sample.load), dtype=float)
    jobs = [
        (y, sample.broke, worlds.slice(task), claim, basis, survivors, seeds[task], tuple(more))
        for task in range(TASKS)
    ]
    parts = run(_task, jobs, n_jobs=n_jobs, progress=False)
    out: dict[int, Flags] = {}
    for i, m in enumerate(more):
        won = np.empty(worlds.location.size, dtype=bool)
        for task in range(TASKS):
            won[task::TASKS] = parts[task][i]
        out[m] = won
    return out
