"""The Weibull confidence distributions of many small series at once, and what a design of two arms would have shown.

The distributions are those of `lowtail.models.confidence.distribution`, drawn for all rows of a batch on a coarse grid:
right for simulation, where the answer is a share of rows, not for a bound on one series.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lowtail.models.confidence.quadrature import pieces
from lowtail.models.confidence.scale_grid import spread_grid
from lowtail.models.distributions.empirical import held_law
from lowtail.models.two_samples.weibull_arms import Arm, own_shape, usable

__all__ = ["detectable_from_laws", "draw_laws"]

Array = NDArray[np.float64]
_STEP = 0.08  # of the grid in ln shape
_SERIES, _DRAWS = 400, 300
_MEDIAN = float(np.log(np.log(2.0)))


def draw_laws(arm: Arm, draws: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Location and spread, each (rows, draws), from the Weibull confidence distribution of every usable row."""
    top = arm.u.max(axis=1, keepdims=True)
    gap = arm.u - top
    r = arm.broke.sum(axis=1)
    t, weight, log_total = (np.concatenate(a) for a in zip(*_grids(gap, arm.broke, r), strict=True))
    mass = np.concatenate([np.zeros((len(t), 1)), np.cumsum((weight[:, 1:] + weight[:, :-1]) / 2, axis=1)], axis=1)
    chance = rng.random((len(t), draws))
    drawn, total = np.empty((len(t), draws)), np.empty((len(t), draws))
    for i in range(len(t)):
        drawn[i] = np.interp(chance[i] * mass[i, -1], mass[i], t[i])
        total[i] = np.interp(drawn[i], t[i], log_total[i])
    k = np.exp(drawn)
    pull = np.log(rng.standard_gamma(np.broadcast_to(r[:, None], k.shape)))
    return top + (total - pull) / k, 1 / k


def _grids(gap: Array, broke: NDArray[np.bool_], r: NDArray[np.intp]) -> list[tuple[Array, Array, Array]]:
    """Nodes of ln shape, their weights and log totals, a block of rows at a time, padded to one width."""
    parts = []
    for rows in pieces(r.size, gap.shape[1] * 200):
        shape, weight, log_total = spread_grid(gap[rows], broke[rows], r[rows].astype(float), _STEP)
        parts.append((np.log(shape), weight, log_total))
    most = max(t.shape[1] for t, _, _ in parts)
    pad = [((0, 0), (0, most - t.shape[1])) for t, _, _ in parts]
    return [(np.pad(t, p, "edge"), np.pad(w, p), np.pad(x, p, "edge")) for (t, w, x), p in zip(parts, pad, strict=True)]


def detectable_from_laws(arms: tuple[Arm, Arm], upper: float, power: float, rng: np.random.Generator) -> float:
    """Ratio below 1 of medians that series like these would show with a chance of ``power``.

    Series are simulated at the middle of each spread's confidence distribution with equal medians, the loads held drawn
    from their Kaplan-Meier distribution; a series shows a loss where its ``upper`` one-sided bound of the ratio lies
    below 1. Series in which too few break show nothing. 0 where no loss would be shown often enough.
    """
    simulated = []
    for arm in arms:
        fit = own_shape(arm)
        median = float(fit.location[0, 0] + _MEDIAN * fit.spread[0])
        spread = float(np.median(draw_laws(arm, 4000, rng)[1]))  # the fitted spread is too small on average
        size = (_SERIES, arm.u.shape[1])
        y = spread * (np.log(rng.exponential(size=size)) - _MEDIAN)
        at, mass = held_law(arm.u[0], arm.broke[0])
        limit = rng.choice(at - median, size=size, p=mass / mass.sum())
        simulated.append(Arm(np.minimum(y, limit), y <= limit))
    good = usable(simulated[0]) & usable(simulated[1])
    if good.mean() < power:
        return 0.0
    (m1, s1), (m2, s2) = (draw_laws(arm.rows(good), _DRAWS, rng) for arm in simulated)
    bound = np.full(_SERIES, np.inf)
    bound[good] = np.quantile((m2 + _MEDIAN * s2) - (m1 + _MEDIAN * s1), upper, axis=1)
    goal = float(np.sort(bound)[int(np.ceil(power * _SERIES)) - 1])
    return float(np.exp(-max(goal, 0.0))) if np.isfinite(goal) else 0.0
