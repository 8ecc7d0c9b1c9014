"""Power of a comparison by simulating both arms: by the interval of two confidence distributions, or any named test."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail._shared.parallel import run, seeds
from lowtail.claims.comparison.named_tests import two_sample_test
from lowtail.claims.planning.core.arms import Aim
from lowtail.claims.planning.core.simulate import child, standard_series
from lowtail.claims.planning.core.trials import Trials
from lowtail.errors import LowtailError
from lowtail.logs.sample import Sample
from lowtail.models.confidence.location_grid import location_above
from lowtail.models.distributions.families import LOGNORMAL, WEIBULL
from lowtail.models.series.weibull_ratio import ratio_confidence, take

__all__ = ["judge", "trials_by_interval", "trials_by_test"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Series = tuple[Array, Flags | None]
TASKS = 4
PER_TASK = 2600  # pairs of series: Monte-Carlo error at most 0.49 points over all tasks
TASKS_TESTS, PER_TASK_TESTS = 26, 400  # the same for tests that take one pair at a time


def judge(reference: Series, other: Series, aim: Aim) -> Flags:
    """Whether the ratio of medians of each pair of series (log loads, breaks) reaches the aim, as in `compare`.

    On one side both the Weibull and the lognormal distributions must reach it.
    """
    edge = math.log(aim.margin)
    if aim.goal == "difference" and aim.alternative == "two-sided":
        level = (1 + aim.confidence) / 2
        above = ratio_confidence(reference, other, edge, (level, 1 - level))
        return np.asarray((above >= level) | (above <= 1 - level))
    if aim.alternative == "less":
        return _both_above(other, reference, edge, aim.confidence)
    won = _both_above(reference, other, edge, aim.confidence)
    if aim.goal == "equivalence":
        rows = np.flatnonzero(won)
        won[rows] = _both_above(take(other, rows), take(reference, rows), edge, aim.confidence)
    return won


def _both_above(reference: Series, other: Series, edge: float, level: float) -> Flags:
    """Whether the medians differ by more than ``edge`` at a confidence, by Weibull and by lognormal distributions.

    The second are asked only where the first are near the level, by as much as both were seen to lie apart.
    """
    above = ratio_confidence(reference, other, edge, (level,))
    won = np.asarray(above >= level)
    breaks = [y.shape[1] if broke is None else broke.sum(axis=1) for y, broke in (reference, other)]
    sure = special.ndtr(special.ndtri(level) + 0.4 + 3 / np.maximum(np.minimum(*breaks), 1))
    rows = np.flatnonzero(won & (above < sure))
    won[rows] = location_above(take(reference, rows), take(other, rows), edge) >= level
    return won


def weibull_spread(cv: float) -> float:
    """Spread of log load (1 / shape) of a Weibull load with a coefficient of variation."""
    from lowtail.claims.planning.new_series import make_world

    return make_world("weibull", 1.0, cv).spread


def _series(
    n: int, arm: int, size: int, ratio: float, spread: float, held: float, seed: np.random.SeedSequence
) -> tuple[Array, Flags | None]:
    """Log loads of one arm: median 0 for the reference, ln ratio for the other."""
    z, broke = standard_series(WEIBULL, n, size, held, child(seed, arm))
    middle = math.log(math.log(2.0))
    return (math.log(ratio) if arm else 0.0) + spread * (z - middle), broke


def _interval_task(
    n: tuple[int, int],
    ratio: float,
    spread: tuple[float, float],
    held: tuple[float, float],
    aim: Aim,
    seed: np.random.SeedSequence,
) -> Flags:
    arms = [_series(n[arm], arm, PER_TASK, ratio, spread[arm], held[arm], seed) for arm in (0, 1)]
    return judge(arms[0], arms[1], aim)


def trials_by_interval(
    ratio: float,
    cvs: tuple[float, ...],
    held: tuple[float, float],
    aim: Aim,
    seed: int,
    target: float | None = None,
    n_jobs: int = 1,
) -> Trials[tuple[int, int]]:
    """Success of the interval from two Weibull confidence distributions, by the numbers in both arms."""
    spread = (weibull_spread(cvs[0]), weibull_spread(cvs[1]))
    each = seeds(seed, TASKS)

    def make(wanted: list[tuple[tuple[int, int], int]]) -> list[Flags]:
        jobs = [(n, ratio, spread, held, aim, each[block]) for n, block in wanted]
        return run(_interval_task, jobs, n_jobs=n_jobs, progress=False)

    return Trials(make, target, TASKS)


def _test_task(
    n: tuple[int, int],
    test: str,
    ratio: float,
    cvs: tuple[float, ...],
    held: tuple[float, float],
    aim: Aim,
    seed: np.random.SeedSequence,
) -> Flags:
    won = np.zeros(PER_TASK_TESTS, dtype=bool)
    arms = []
    for arm in (0, 1):
        if max(held) > 0:
            y, broke = _series(n[arm], arm, PER_TASK_TESTS, ratio, weibull_spread(cvs[arm]), held[arm], seed)
        else:
            z, broke = standard_series(LOGNORMAL, n[arm], PER_TASK_TESTS, 0.0, child(seed, arm))
            y = (math.log(ratio) if arm else 0.0) + math.sqrt(math.log1p(cvs[arm] ** 2)) * z
        arms.append((y, broke))
    if test == "Weibull confidence distributions":  # all pairs at once
        return judge(arms[0], arms[1], aim)
    for i in range(PER_TASK_TESTS):
        reference, other = (Sample(np.exp(y[i]), None if broke is None else broke[i]) for y, broke in arms)
        try:
            p = two_sample_test(reference, other, test, alternative=aim.alternative, rng=i).p_value
        except LowtailError:  # too few breaks in an arm: nothing is shown
            continue
        won[i] = p <= 1 - aim.confidence + 1e-12
    return won


def trials_by_test(
    test: str,
    ratio: float,
    cvs: tuple[float, ...],
    held: tuple[float, float],
    aim: Aim,
    seed: int,
    target: float | None = None,
    n_jobs: int = 1,
) -> Trials[tuple[int, int]]:
    """Success of a named test over simulated series, by the numbers in both arms; no answer shows nothing."""
    each = seeds(seed, TASKS_TESTS)

    def make(wanted: list[tuple[tuple[int, int], int]]) -> list[Flags]:
        jobs = [(n, test, ratio, cvs, held, aim, each[block]) for n, block in wanted]
        return run(_test_task, jobs, n_jobs=n_jobs, progress=False)

    return Trials(make, target, TASKS_TESTS)
