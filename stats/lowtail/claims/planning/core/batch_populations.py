"""Simulated populations of batches in keeping with the batches in hand, and further batches tested in each.

Populations are drawn from the confidence distribution of the middle of the batch locations, the scatter between them
and the scatter within them: under Weibull scatter within batches that of `lowtail.models.batches.weibull_batches`,
under normal scatter the generalised pivotal quantity of `lowtail.models.batches.normal_batches`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from lowtail._shared.parallel import run
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.batch_judge import batches_reach
from lowtail.claims.planning.core.endless import endless_batches, endless_limit
from lowtail.claims.planning.core.judge import relative
from lowtail.claims.planning.core.populations import SPARE, in_order
from lowtail.claims.planning.core.simulate import child
from lowtail.claims.planning.core.trials import Trials
from lowtail.errors import NoAnswerError
from lowtail.logs.sample import Sample
from lowtail.models.batches.normal_batches import batch_sums
from lowtail.models.batches.weibull_batches import mixed_quantile, weibull_batches
from lowtail.models.distributions.families import Family

__all__ = ["BatchWorlds", "BatchesInHand", "batch_trials_in", "draw_batch_worlds"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

TASKS = 4
PER_TASK = 1200  # 4,800 populations, stratified: Monte-Carlo error at most 0.6 points
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


@dataclass(frozen=True, slots=True, eq=False)
class BatchWorlds:
    """Populations of batches, in rising order of ``margin``; every array has shape (B,).

    ``limit`` is what the judging bound approaches with endless batches, on the axis of y; ``margin`` is the true low
    strength less the claim, over the scatter within batches.
    """

    family: Family
    middle: Array
    between: Array
    within: Array
    margin: Array
    limit: Array

    def slice(self, task: int) -> BatchWorlds:
        """Every ``TASKS``-th population, starting at ``task``."""
        pick = slice(task, None, TASKS)
        return BatchWorlds(
            self.family,
            *(getattr(self, name)[pick] for name in ("middle", "between", "within", "margin", "limit")),
        )


def _numbers_of(sample: Sample) -> tuple[NDArray[np.intp], list[str]]:
    named = [str(b) for b in (sample.batch if sample.batch is not None else ())]
    names = list(dict.fromkeys(named))
    return np.array([names.index(b) for b in named], dtype=np.intp), names


def draw_batch_worlds(
    sample: Sample, family: Family, claim: float, basis: Basis, rng: np.random.Generator, size: int = TASKS * PER_TASK
) -> BatchWorlds:
    """Draw populations from the confidence distribution of (middle, between, within), stratified by the margin.

    ``claim`` is a value of y.

    Raises
    ------
    NoAnswerError
        If ``family`` is normal or lognormal and a specimen did not break.
    """
    p, many = basis.fraction_below, SPARE * size
    draw = _weibull_draws if family.name == "weibull" else _normal_draws
    middle, between, within = draw(sample, family, many, rng)
    if family.name == "weibull":
        low = middle + within * mixed_quantile(p, between / within)
    else:
        total = np.hypot(between, within)
        low = middle + float(special.ndtri(p)) * total
    margin = (low - claim) / within
    pick = in_order(margin, size, rng)
    middle, between, within = middle[pick], between[pick], within[pick]
    if family.name == "weibull":
        limit = endless_batches(middle, between, within, p)
    else:
        limit = endless_limit(family, middle, np.hypot(between, within), basis)
    return BatchWorlds(family, middle, between, within, margin[pick], limit)


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


def _rig(worlds: BatchWorlds, survivors: float) -> Array:
    """Location of the rig's strength on the axis of y, at which the share of survivors holds over all batches."""
    ratio = np.minimum(worlds.between / worlds.within, 1e4)
    shift = (1 + ratio) * np.interp(np.arcsinh(ratio), *_rig_table(survivors))
    return np.asarray(worlds.middle + worlds.within * shift)


def _further(
    worlds: BatchWorlds, batches: int, size: int, survivors: float, seed: np.random.SeedSequence
) -> tuple[Array, Flags]:
    """Values of y of further batches, shape (B, batches, size), and which broke; more batches continue fewer."""
    lots, strength, rig = (np.random.default_rng(child(seed, i)) for i in range(3))
    number = worlds.middle.size
    shape = (batches, size, number)
    location = worlds.middle + worlds.between * lots.standard_normal((batches, number))
    normal = worlds.family.name != "weibull"

    def scatter(rng: np.random.Generator) -> Array:
        return rng.standard_normal(shape) if normal else np.log(rng.standard_exponential(shape))

    y = location[:, None, :] + worlds.within * scatter(strength)
    broke = np.ones(shape, dtype=bool)
    if survivors:
        limit = _rig(worlds, survivors) + worlds.within * scatter(rig)
        y, broke = np.minimum(y, limit), y <= limit
    return np.moveaxis(y, 2, 0), np.moveaxis(broke, 2, 0)


def _task(
    hand: BatchesInHand,
    worlds: BatchWorlds,
    claim: float,
    basis: Basis,
    size: int,
    survivors: float,
    seed: np.random.SeedSequence,
    more: int,
) -> Flags:
    """Outcome in each population with a number of further batches."""
    number, (a, m) = worlds.middle.size, hand.y.shape
    shape = (a + more, max(m, size))
    y, broke = np.full((number, *shape), -np.inf), np.zeros((number, *shape), dtype=bool)
    filled = np.zeros(shape, dtype=bool)
    y[:, :a, :m], broke[:, :a, :m], filled[:a, :m] = hand.y, hand.broke, hand.filled
    if more:
        y[:, a:, :size], broke[:, a:, :size] = _further(worlds, more, size, survivors, seed)
        filled[a:, :size] = True
    u = relative(y, claim, on_log=worlds.family.on_log)
    return batches_reach(u, broke, filled, basis)


def batch_trials_in(
    worlds: BatchWorlds,
    hand: BatchesInHand,
    claim: float,
    basis: Basis,
    size: int,
    survivors: float,
    seeds: Sequence[np.random.SeedSequence],
    target: float | None = None,
    n_jobs: int = 1,
    *,
    now: bool,
) -> Trials[int]:
    """Whether all batches together reach the claim in each population, by further batches of ``size``.

    ``now`` says whether the batches in hand reach it.
    """

    def make(wanted: list[tuple[int, int]]) -> list[Flags]:
        ahead = [one for one in wanted if one[0]]
        jobs = [(hand, worlds.slice(block), claim, basis, size, survivors, seeds[block], more) for more, block in ahead]
        done = dict(zip(ahead, run(_task, jobs, n_jobs=n_jobs, progress=False), strict=True))
        return [done[one] if one in done else np.full(worlds.middle.size // TASKS, now) for one in wanted]

    return Trials(make, target, TASKS)
