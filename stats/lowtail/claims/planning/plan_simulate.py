"""Simulated series for planning: strengths, survivors, and whether each series reaches the claim."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail._parallel import run, seeds
from lowtail.claims.basis import Basis
from lowtail.claims.planning.plan_judge import GOVERNING, governing_reaches, relative
from lowtail.claims.planning.plan_normal import normal_bound, normal_confidence
from lowtail.claims.planning.plan_pivot import weibull_bound, weibull_confidence
from lowtail.claims.planning.plan_trials import Trials
from lowtail.errors import InputError
from lowtail.models.families import Family

__all__ = ["backs", "chance_fresh", "confidence", "fresh_trials", "low_bound", "standard_series"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

TASKS, PER_TASK = 4, 3000  # 12,000 series: Monte-Carlo error at most 0.46 points


def holding_shift(family: Family, survivors: float) -> float:
    """Location of the rig's strength, in spreads above the specimen's, at which a share of specimens holds."""
    if family.name == "weibull":
        return float(np.log((1 - survivors) / survivors))
    return float(-np.sqrt(2) * special.ndtri(survivors))


def standard_series(
    family: Family, n: int, size: int, survivors: float, seed: np.random.SeedSequence
) -> tuple[Array, Flags | None]:
    """Standard series of shape (size, n), and which specimens broke (None: all). Longer ones continue shorter ones."""
    first, second = (np.random.default_rng(child(seed, i)) for i in range(2))
    if survivors == 0:
        return _draw(family, n, size, first), None
    strength, rig = _draw(family, n, size, first), _draw(family, n, size, second) + holding_shift(family, survivors)
    return np.minimum(strength, rig), strength <= rig


def child(seed: np.random.SeedSequence, key: int) -> np.random.SeedSequence:
    """Child of a seed sequence, the same at every call (``spawn`` would move on)."""
    return np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, key))


def _draw(family: Family, n: int, size: int, rng: np.random.Generator) -> Array:
    if family.name == "weibull":
        return np.asarray(np.log(rng.standard_exponential((n, size))).T)
    return np.asarray(rng.standard_normal((n, size)).T)


def backs(
    y: Array, broke: Flags | None, claim: Array | float, family: Family, basis: Basis, judge: str = GOVERNING
) -> Flags:
    """Whether the bound that judges each series of ``y`` values (B, n) reaches ``claim``, a value of y.

    ``judge`` is "governing", the rule that judges real series, or "one distribution", the bound of ``family`` alone.
    """
    n = y.shape[1]
    if n < 2:
        return np.zeros(y.shape[0], dtype=bool)
    if not basis.tolerance:
        return _backs_by_custom(y, broke, claim, family, basis)
    if judge == GOVERNING:
        return governing_reaches(relative(y, claim, on_log=family.on_log), broke, basis)
    return confidence(y, broke, claim, family, basis.fraction_below, basis.confidence) >= basis.confidence


def confidence(
    y: Array, broke: Flags | None, claim: Array | float, family: Family, fraction_below: float, level: float
) -> Array:
    """Confidence that the percentile is at least the claim; for complete normal series 1 or 0 at ``level``."""
    if family.name == "weibull":
        return weibull_confidence(y, broke, claim, fraction_below)
    if broke is None:
        factor = Basis("plan", fraction_below, level).factor(y.shape[1])
        return np.where(y.mean(axis=1) - factor * y.std(axis=1, ddof=1) >= claim, 1.0, 0.0)
    return normal_confidence(y, broke, claim, fraction_below, level)


def low_bound(
    y: Array, broke: Flags | None, family: Family, fraction_below: float, level: float, *, sharp: bool = False
) -> Array:
    """Low bound of the percentile of each series of ``y`` values (B, n); NaN without a bound.

    ``sharp`` matters to normal series with survivors (`normal_bound`).
    """
    if family.name == "weibull":
        return weibull_bound(y, broke, fraction_below, level)
    if broke is None:
        factor = Basis("plan", fraction_below, level).factor(y.shape[1])
        return np.asarray(y.mean(axis=1) - factor * y.std(axis=1, ddof=1))
    return normal_bound(y, broke, fraction_below, level, sharp=sharp)


def _backs_by_custom(y: Array, broke: Flags | None, claim: Array | float, family: Family, basis: Basis) -> Flags:
    if broke is not None:
        raise InputError(f"'{basis.name}' takes mean and s of complete series; it is not defined with survivors.")
    load, edge = family.inverse(y), family.inverse(claim)
    factor = basis.factor(y.shape[1])
    return np.asarray(load.mean(axis=1) - factor * load.std(axis=1, ddof=1) >= edge)


def _one(
    n: int,
    family: Family,
    location: float,
    spread: float,
    claim: float,
    basis: Basis,
    survivors: float,
    judge: str,
    seed: np.random.SeedSequence,
) -> Flags:
    y, broke = standard_series(family, n, PER_TASK, survivors, seed)
    return backs(location + spread * y, broke, claim, family, basis, judge)


def fresh_trials(
    family: Family,
    location: float,
    spread: float,
    strength: float,
    basis: Basis,
    survivors: float,
    seed: int,
    target: float | None = None,
    n_jobs: int = 1,
    judge: str = GOVERNING,
) -> Trials[int]:
    """Whether fresh series demonstrate the strength, by simulating the series, against their size."""
    claim = float(family.transform(strength))
    each = seeds(seed, TASKS)

    def make(wanted: list[tuple[int, int]]) -> list[Flags]:
        jobs = [(n, family, location, spread, claim, basis, survivors, judge, each[block]) for n, block in wanted]
        return run(_one, jobs, n_jobs=n_jobs, progress=False)

    return Trials(make, target, TASKS)


def chance_fresh(
    n: int,
    family: Family,
    location: float,
    spread: float,
    strength: float,
    basis: Basis,
    survivors: float,
    seed: int,
    n_jobs: int = 1,
    judge: str = GOVERNING,
) -> tuple[float, float]:
    """Chance that a fresh series of n demonstrates the strength, with its Monte-Carlo error."""
    return fresh_trials(family, location, spread, strength, basis, survivors, seed, n_jobs=n_jobs, judge=judge).full(n)
