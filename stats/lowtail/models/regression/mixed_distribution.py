"""Bound in a batch yet to come with survivors, or by the Weibull distribution: the joint distribution of a regression.

``y = x'b + spread (sqrt(rho) Z + e)``, Z standard normal for each batch, e of the family. At each of a grid of ``rho``
the places of the batches are integrated out (adaptive Gauss-Hermite), and the distribution of (b, spread) under the
weight d(b) d(spread) / spread is laid on weighted points; the grid is put together by the weight of `mixed_layout`.
With rho at 0 this is `regression_law`; with every specimen broken and the normal distribution it is `mixed_normal`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.models.batches.weibull_batches import mixed_quantile
from lowtail.models.confidence.quadrature import check_cover
from lowtail.models.distributions.families import Family
from lowtail.models.regression.mixed_line import batched_line
from lowtail.models.regression.weighted_points import weighted_quantile

__all__ = ["MixedLaw", "mixed_law"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Labels = NDArray[np.intp]
_Node = tuple[float, float, float, Array, Array]  # rho, log likelihood, log weight, points, weights

_LOWEST, _STEP, _MOST = -5.0, 1.0, 48  # ln(rho / noise)
_LITTLE = 1e-4  # of the highest weight, beyond which nodes are left out
_HEAVIEST, _HALVINGS = 0.5, 8  # share of the weight on one node up to which they stand close enough; most halvings
_POINTS = 2**12  # at each node; twice as many at rho = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedLaw:
    """Confidence distribution of line, spread and spread between batches; build it with `mixed_law`. On the y scale.

    Attributes
    ----------
    law : Family
    line : ndarray, shape (p,)
        Fitted line without batches, about which the points lie.
    points, k, weight, ratio : ndarray, shape (m, p), (m,), (m,) and (m,)
        Coefficient shifts / spread, 1 / spread, weights (sum 1), sqrt(rho).
    rho, log_like : ndarray, shape (K,)
        The grid, the first 0, and the log restricted likelihood there, up to a constant.
    """

    law: Family
    line: Array
    points: Array
    k: Array
    weight: Array
    ratio: Array
    rho: Array
    log_like: Array

    def low(self, x: Array, fraction_below: float, confidence: float) -> float:
        """Lower confidence bound at ``x`` of the y that ``fraction_below`` of a batch yet to come lie below."""
        return weighted_quantile(self._values(x, fraction_below), self.weight, 1 - confidence)

    def below(self, y: float, x: Array, fraction_below: float) -> float:
        """Probability under the distribution that this y lies at or below ``y``."""
        return float(self.weight[self._values(x, fraction_below) <= y].sum())

    def _values(self, x: Array, fraction_below: float) -> Array:
        if self.law.name == "weibull":
            deep = mixed_quantile(fraction_below, self.ratio)
        else:
            deep = float(special.ndtri(fraction_below)) * np.sqrt(1 + self.ratio**2)
        return np.asarray(float(x @ self.line) + (self.points @ x + deep) / self.k)


def mixed_law(
    load: Array,
    broke: Flags,
    design: Array,
    labels: Labels,
    family: str | Family,
    *,
    who: str = "This sample",
    count: int = _POINTS,
) -> MixedLaw:
    """Lay the distribution.

    Parameters
    ----------
    load, broke : ndarray, shape (n,)
    design : ndarray, shape (n, p)
        First column ones.
    labels : ndarray of int, shape (n,)
        Batch of each specimen.
    family : {"weibull", "normal", "lognormal"}
    who : str
        How messages name the sample.
    count : int
        Points at each node of rho, a power of two; twice as many at 0.

    Raises
    ------
    NoAnswerError
        If batches cannot be told from the regression, nothing varies within them, or the points do not carry the
        distribution.
    """
    batches = batched_line(load, broke, design, labels, family, who)
    points, weight, total, top = batches.lay(0.0, np.zeros(design.shape[1] + 1), 2 * count, who)
    at_zero = batches.plan.below_zero(batches.slope(points, weight)) + _STEP * np.exp(_LOWEST) / np.expm1(_STEP)
    zero = (0.0, total, total + float(np.log(at_zero)), points, weight)

    def node(u: float, start: Array, step: float, turn: int) -> tuple[_Node, Array]:
        rho = batches.plan.noise * float(np.exp(u))
        laid, mass, total, at = batches.lay(rho, start, count, who, turn=turn)
        return (rho, total, total + float(np.log(step * special.expit(u))), laid, mass), at

    nodes, top = _far(node, top)
    nodes = _closer(node, nodes, zero[2], top)
    found = [zero, *nodes]
    log_weight = np.array([each[2] for each in found])
    mass = np.exp(log_weight - log_weight.max())
    mass /= mass.sum()
    laid = np.concatenate([each[3] for each in found])
    return MixedLaw(
        law=batches.places.law,
        line=batches.line,
        points=laid[:, :-1],
        k=np.exp(laid[:, -1]) / batches.spread,
        weight=np.concatenate([m * each[4] for m, each in zip(mass, found, strict=True)]),
        ratio=np.repeat(np.sqrt([each[0] for each in found]), [each[4].size for each in found]),
        rho=np.array([each[0] for each in found]),
        log_like=np.array([each[1] for each in found]),
    )


def _far(lay: Callable[[float, Array, float, int], tuple[_Node, Array]], top: Array) -> tuple[list[_Node], Array]:
    """Nodes of ln(rho / noise) a unit apart, as far as they weigh anything."""
    nodes: list[_Node] = []
    for i in range(_MOST):
        u = _LOWEST + i * _STEP
        each, top = lay(u, top, _STEP, i + 1)
        nodes.append(each)
        highest = max(n[2] for n in nodes)
        if u > 1 and each[2] < min(highest + np.log(_LITTLE), nodes[-2][2]):
            return nodes, top
    check_cover(np.exp([n[2] - highest for n in nodes]), "Spread between batches", edge=10 * _LITTLE)
    return nodes, top


def _closer(
    lay: Callable[[float, Array, float, int], tuple[_Node, Array]], nodes: list[_Node], zero: float, top: Array
) -> list[_Node]:
    """Many batches tell their spread well: nodes at half the distance, until none holds too much."""
    at, step = _LOWEST + _STEP * np.arange(len(nodes)), _STEP
    for turn in range(_HALVINGS):
        log_weight = np.array([n[2] for n in nodes])
        mass = np.exp(log_weight - max(log_weight.max(), zero))
        if mass.max() <= _HEAVIEST * (mass.sum() + np.exp(zero - max(log_weight.max(), zero))):
            break
        heavy, step = at[mass > _LITTLE * mass.max()], step / 2
        low, high = max(heavy[0] - 2 * step, _LOWEST), heavy[-1] + 2 * step
        at = low + step * np.arange(round((high - low) / step) + 1)
        nodes = []
        for i, u in enumerate(at):
            each, top = lay(float(u), top, step, 100 * (turn + 1) + i)
            nodes.append(each)
    weight = np.exp([n[2] - max(n[2] for n in nodes) for n in nodes])
    left = [0.0] if at[0] == _LOWEST else []  # what lies below the lowest node is laid on rho = 0
    check_cover(np.append(left, weight), "Spread between batches", edge=10 * _LITTLE, heaviest=2 * _HEAVIEST)
    return nodes
