"""Bound in a batch yet to come, normal distribution, every specimen broke: quadrature over the spread between batches.

Given ``rho`` (variance between over within) the line and the spread have the exact distribution of weighted least
squares, and the bound's probability is a noncentral t; the weight of ``rho`` is the restricted likelihood times that of
`mixed_layout`. One axis for ``rho``, one for the spread, no draws.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from lowtail.models.batches.normal_batches import chi_square_nodes
from lowtail.models.confidence.quadrature import check_cover
from lowtail.models.regression.mixed_layout import layout

__all__ = ["MixedNormal", "mixed_normal"]

Array = NDArray[np.float64]
Labels = NDArray[np.intp]

_LOWEST, _HIGHEST, _STEP = -9.0, 41.0, 0.25  # ln(rho / noise)
_HEAVIEST, _HALVINGS = 0.3, 12  # share of the weight on one node up to which they stand close enough; most halvings
_NODES = 160  # of the spread


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedNormal:
    """Complete normal sample with batches; build it with `mixed_normal`. Everything on the y scale.

    Attributes
    ----------
    rho, weight : ndarray, shape (K,)
        Nodes, the first 0, and their weights (sum 1).
    coef, cover : ndarray, shape (K, p) and (K, p, p)
        Weighted least squares at each node, and its covariance over the squared spread.
    spread : ndarray, shape (K,)
        Estimated spread within batches at each node, ``free`` degrees of freedom.
    free : int
    """

    rho: Array
    weight: Array
    coef: Array
    cover: Array
    spread: Array
    free: int

    def below(self, y: float, x: Array, z: float) -> float:
        """Probability that the line at ``x`` plus ``z`` total standard deviations lies at or below ``y``."""
        u, weight_u = chi_square_nodes(self.free, _NODES)
        wide = self.spread[:, None] * np.sqrt(self.free / u)
        reach = (y - self.coef @ x)[:, None] / wide - (z * np.sqrt(1 + self.rho))[:, None]
        error = np.sqrt(np.einsum("i,kij,j->k", x, self.cover, x))
        return float(self.weight @ special.ndtr(reach / error[:, None]) @ weight_u)

    def low(self, x: Array, fraction_below: float, confidence: float) -> float:
        """Lower confidence bound at ``x`` of the y that ``fraction_below`` of a batch yet to come lie below."""
        z, tail = float(special.ndtri(fraction_below)), 1 - confidence
        unit = float(self.weight @ (self.spread * np.sqrt(1 + np.minimum(self.rho, 1e4))))
        low = high = float(self.weight @ self.coef @ x)
        step = unit
        while self.below(high, x, z) < tail:
            high, step = high + step, 2 * step
        step = unit
        while self.below(low, x, z) > tail:
            low, step = low - step, 2 * step
        root: float = optimize.brentq(lambda y: self.below(y, x, z) - tail, low, high, xtol=1e-9 * unit, rtol=1e-12)
        return root


def mixed_normal(y: Array, design: Array, labels: Labels, *, who: str = "This sample") -> MixedNormal:
    """Prepare the quadrature.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Load (normal) or ln load (lognormal); every specimen broke.
    design : ndarray, shape (n, p)
    labels : ndarray of int, shape (n,)
        Batch of each specimen, 0 to a - 1.

    Raises
    ------
    NoAnswerError
        If batches cannot be told from the regression, or nothing varies within them.

    References
    ----------
    Weerahandi (1993), J. Am. Stat. Assoc. 88:899-905; Krishnamoorthy and Mathew (2004), Technometrics 46:44-52 (the
    pivotal quantity that this equals for balanced batches without a trend, but for variances below zero; from memory).
    """
    plan = layout(y, np.ones(y.size, dtype=bool), design, labels, who)
    line = np.linalg.lstsq(design, y, rcond=None)[0]
    rest = y - design @ line
    sizes = np.bincount(labels)
    table = np.column_stack([design, rest])
    means = np.stack([np.bincount(labels, column) for column in table.T], axis=1) / sizes[:, None]
    inside = table - means[labels]

    sums = np.bincount(labels, rest)
    slope = 0.5 * (plan.free * float(sums @ sums) / float(rest @ rest) - plan.trace)
    whole = inside.T @ inside

    def lay(grid: Array, step: float) -> tuple[Array, ...]:
        """At rho = 0 and the nodes of ``grid``: rho, weights, shift, covariance / spread^2, sum of squares."""
        rho = np.append(0.0, plan.noise * np.exp(grid))
        pull = sizes / (1 + np.outer(rho, sizes))
        moments = whole + np.einsum("ki,ipq->kpq", pull, means[:, :, None] * means[:, None, :])
        cover = np.linalg.inv(moments[:, :-1, :-1])
        shift = np.einsum("kpq,kq->kp", cover, moments[:, :-1, -1])
        squares = moments[:, -1, -1] - np.einsum("kp,kp->k", shift, moments[:, :-1, -1])
        log_like = 0.5 * (
            np.linalg.slogdet(cover)[1] - np.log1p(np.outer(rho, sizes)).sum(axis=1) - plan.free * np.log(squares)
        )
        at_zero = plan.below_zero(slope) + step * np.exp(_LOWEST) / np.expm1(step)
        log_weight = log_like + np.log(np.append(at_zero, step * special.expit(grid)))
        return rho, np.exp(log_weight - log_weight.max()), shift, cover, squares

    step, grid = _STEP, np.arange(_LOWEST, _HIGHEST, _STEP)
    rho, weight, shift, cover, squares = lay(grid, step)
    for _ in range(_HALVINGS):  # many batches tell their spread well: then the nodes stand closer
        if weight[1:].max() <= _HEAVIEST * weight.sum():
            break
        heavy, step = grid[weight[1:] > 1e-14 * weight[1:].max()], step / 2
        grid = np.arange(max(heavy[0] - 4 * step, _LOWEST), min(heavy[-1] + 4 * step, _HIGHEST), step)
        rho, weight, shift, cover, squares = lay(grid, step)
    check_cover(np.append(0.0, weight[1:]) if grid[0] == _LOWEST else weight[1:], "Spread between batches", edge=1e-9)
    kept = weight > 1e-12
    return MixedNormal(
        rho=rho[kept],
        weight=weight[kept] / weight[kept].sum(),
        coef=line + shift[kept],
        cover=cover[kept],
        spread=np.sqrt(squares[kept] / plan.free),
        free=plan.free,
    )
