"""Batches of Weibull loads for planning: populations, simulated batches with survivors, and their bound, many at once.

Weibull scatter within each batch, normal scatter of ln load between batches; the bound is the one of
`lowtail.models.batches.weibull_batches`, on a coarser grid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from lowtail._shared.parallel import run, seeds
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.simulate import PER_TASK, TASKS, child
from lowtail.claims.planning.core.trials import Trials
from lowtail.models.batches.normal_batches import chi_square_nodes
from lowtail.models.batches.weibull_batches import mixed_quantile

__all__ = ["BatchWorld", "batch_ceiling", "batch_trials", "weibull_batch_confidence"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_CHI = 44  # nodes of the chi-square distribution
_TOP, _FINE = 16.0, 400.0  # table of quantiles: largest arcsinh of the ratio of spreads, points a unit


@dataclass(frozen=True, slots=True)
class BatchWorld:
    """Population of batches: ln load is ``middle`` + ``between`` * normal + ``within`` * smallest extreme."""

    middle: float
    between: float
    within: float
    survivors: float = 0.0

    @classmethod
    def of(cls, mean: float, cv: float, share: float, survivors: float) -> BatchWorld:
        """Population with a mean load and a CV over all batches, and a share of the variance of ln load between."""

        def moments(variance: float) -> tuple[float, float, float]:
            return share * variance, math.sqrt(6 * (1 - share) * variance) / math.pi, variance

        def gap(log_variance: float) -> float:
            square, within, _ = moments(math.exp(log_variance))
            inner = special.gammaln(1 + 2 * within) - 2 * special.gammaln(1 + within)
            return float(square + inner) - math.log1p(cv * cv)

        square, within, _ = moments(math.exp(optimize.brentq(gap, math.log(1e-10), math.log(4.0), xtol=1e-12)))
        return cls(
            math.log(mean) - square / 2 - float(special.gammaln(1 + within)), math.sqrt(square), within, survivors
        )

    def low(self, fraction_below: float) -> float:
        """True ln strength at a fraction below, over all batches."""
        ratio = np.array(self.between / self.within)
        return self.middle + self.within * float(mixed_quantile(fraction_below, ratio))

    def rig(self) -> float:
        """Location of the rig's ln strength at which the share of survivors holds, over all batches."""
        z, weight = np.polynomial.hermite_e.hermegauss(60)
        weight = weight / weight.sum()

        def excess(shift: float) -> float:
            return float(weight @ special.expit((self.between * z - shift) / self.within)) - self.survivors

        reach = 40 * (self.within + self.between)
        return float(optimize.brentq(excess, -reach, reach))


def _draw(world: BatchWorld, batches: int, size: int, seed: np.random.SeedSequence) -> tuple[Array, Flags]:
    """Ln loads less the middle, shape (B, batches, size), and which broke; longer batches continue shorter ones."""
    lots, strength, rig = (np.random.default_rng(child(seed, i)) for i in range(3))
    location = world.between * lots.standard_normal((PER_TASK, batches, 1))
    shape = (size, PER_TASK, batches)
    y = location + world.within * np.moveaxis(np.log(strength.standard_exponential(shape)), 0, 2)
    if world.survivors == 0:
        return y, np.ones(y.shape, dtype=bool)
    limit = world.rig() + world.within * np.moveaxis(np.log(rig.standard_exponential(shape)), 0, 2)
    return np.minimum(y, limit), y <= limit


def weibull_batch_confidence(y: Array, broke: Flags, claim: float, fraction_below: float) -> Array:
    """Confidence that the percentile over all batches is at least ``claim``, for many sets of batches.

    Parameters
    ----------
    y : (B, a, m) array
        Ln loads; places that a shorter batch leaves free hold ``-inf``.
    broke : (B, a, m) array of bool
        False at free places.
    claim : float
        Ln of the strength claimed.
    fraction_below : float

    Returns
    -------
    (B,) array
        0 where a batch has no break, or none has two different loads: there is no bound.
    """
    r = broke.sum(axis=2)
    rows = np.flatnonzero((r > 0).all(axis=1) & (r > 1).any(axis=1))
    out = np.zeros(y.shape[0])
    for part in np.array_split(rows, max(1, rows.size * y.shape[1] * y.shape[2] // 20_000)):
        if part.size:
            out[part] = _confidence(y[part], broke[part], r[part].astype(float), claim, fraction_below)
    return out


def _confidence(y: Array, broke: Flags, r: Array, claim: float, fraction_below: float) -> Array:
    a = y.shape[1]
    top = y.max(axis=2)
    away = y - top[:, :, None]
    pull = np.where(broke, away, 0.0).sum(axis=(1, 2))
    free = r.sum(axis=1) - a
    t = _mode(away, pull, r, free)
    _, curve = _slopes(t, away, pull, r, free)
    sd = 1 / np.sqrt(-curve)
    left, right = 9.0 / free + 3.0 * sd, 4.5 * sd
    share = np.linspace(0.0, 1.0, 16 + 48 // a)  # few batches: a kink where the spread between them vanishes
    t = t[:, None] - left[:, None] + (left + right)[:, None] * share
    k = np.exp(t)
    totals = np.log(np.exp(k[:, None, :, None] * away[:, :, None, :]).sum(axis=3))  # (B, a, K), tops left out
    density = free[:, None] * t + k * pull[:, None] - np.einsum("ba,bak->bk", r, totals)
    weight = np.exp(density - density.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    place = top[:, :, None] + (totals - special.digamma(r)[:, :, None]) / k[:, None, :]
    centre = place.mean(axis=1)
    squares = np.maximum(((place - centre[:, None]) ** 2).sum(axis=1), 1e-300)
    error = special.polygamma(1, r).mean(axis=1)[:, None]
    row, column = np.nonzero(weight > 1e-5)  # a third of the nodes carry nothing
    at_k, square = k[row, column][:, None], squares[row, column][:, None]
    u, chi = chi_square_nodes(a - 1, _CHI)
    u, chi = u[chi > 1e-5], chi[chi > 1e-5]
    ratio = np.sqrt(np.maximum(square / u * at_k**2 - error[row], 0.0))
    at = centre[row, column][:, None] + _quick_quantile(fraction_below, ratio) / at_k
    above = special.ndtr((at - claim) / np.sqrt(square / (a * u))) @ (chi / chi.sum())
    return np.asarray(np.bincount(row, above * weight[row, column], minlength=y.shape[0]), dtype=np.float64)


@lru_cache(maxsize=32)
def _quantile_table(fraction_below: float) -> Array:
    return mixed_quantile(fraction_below, np.sinh(np.arange(int(_TOP * _FINE) + 3) / _FINE))


def _quick_quantile(fraction_below: float, ratio: Array) -> Array:
    """`mixed_quantile` from a fine table, linear between its points (error below 1e-4)."""
    table = _quantile_table(fraction_below)
    place = np.minimum(np.arcsinh(ratio), _TOP) * _FINE
    left = place.astype(np.intp)
    low = table[left]
    return np.asarray(low + (place - left) * (table[left + 1] - low))


def _slopes(t: Array, away: Array, pull: Array, r: Array, free: Array) -> tuple[Array, Array]:
    """First and second derivative of the log density of ln k."""
    k = np.exp(t)
    e = np.exp(k[:, None, None] * away)
    flat = np.where(np.isneginf(away), 0.0, away)
    total = e.sum(axis=2)
    mean = (e * flat).sum(axis=2) / total
    variance = np.maximum((e * flat * flat).sum(axis=2) / total - mean * mean, 0.0)
    first = k * (pull - (r * mean).sum(axis=1))
    return free + first, first - k * k * (r * variance).sum(axis=1)


def _mode(away: Array, pull: Array, r: Array, free: Array) -> Array:
    """Ln k at the top of its density, by damped Newton steps."""
    t = np.log(np.maximum(free, 0.5) / np.maximum(-pull, 1e-12))
    for _ in range(12):
        slope, curve = _slopes(t, away, pull, r, free)
        step = np.clip(slope / np.maximum(-curve, 0.2 * free), -1.0, 1.0)
        t = t + step
        if np.abs(step).max() < 1e-4:
            break
    return t


def _task(
    size: int, world: BatchWorld, batches: int, claim: float, basis: Basis, seed: np.random.SeedSequence
) -> Flags:
    y, broke = _draw(world, batches, size, seed)
    return weibull_batch_confidence(y, broke, claim - world.middle, basis.fraction_below) >= basis.confidence


def batch_trials(
    world: BatchWorld, batches: int, claim: float, basis: Basis, seed: int, target: float | None = None, n_jobs: int = 1
) -> Trials[int]:
    """Whether the bound across batches reaches the claim (ln load), by specimens of each batch."""
    each = seeds(seed, TASKS)

    def make(wanted: list[tuple[int, int]]) -> list[Flags]:
        jobs = [(size, world, batches, claim, basis, each[block]) for size, block in wanted]
        return run(_task, jobs, n_jobs=n_jobs, progress=False)

    return Trials(make, target, TASKS)


def batch_ceiling(world: BatchWorld, batches: int, claim: float, basis: Basis, seed: int) -> float:
    """Chance with endless specimens of each batch: batch locations and shape are known, their distribution not."""
    rng = np.random.default_rng(seed)
    size = TASKS * PER_TASK
    centre = world.middle + world.between / math.sqrt(batches) * rng.standard_normal(size)
    squares = world.between**2 * rng.chisquare(batches - 1, size)
    u, chi = chi_square_nodes(batches - 1, 60)
    spread = np.sqrt(np.maximum(squares, 1e-300)[:, None] / u)
    at = centre[:, None] + world.within * mixed_quantile(basis.fraction_below, spread / world.within)
    with np.errstate(over="ignore"):
        got = special.ndtr((at - claim) * math.sqrt(batches) / spread) @ chi
    return float((got >= basis.confidence).mean())
