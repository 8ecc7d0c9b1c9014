"""Scatter borrowed from sibling groups or earlier series: partial pooling that a floor keeps honest.

The group's own likelihood of ``t = ln(1 / scale parameter)`` is weighted by the predictive of its siblings
(`spread_predictive`). Where the group is more scattered than they let expect (conflict p below `CONFLICT`), nothing is
borrowed. Else the bound is the pooled one, or the group's own bound at a lower confidence (`floor_confidence`) if that
is lower: whatever the siblings are, the group keeps that lower confidence.

References
----------
Efron and Morris (1972) JASA 67:130-139, limited translation; Box (1980) JRSS A 143:383-430, predictive check (both from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lowtail.models.confidence.nodes import Nodes, normal_nodes, weibull_nodes
from lowtail.models.confidence.predictive import Predictive
from lowtail.models.confidence.quadrature import FINE, SMOOTH
from lowtail.models.confidence.search import build, solve
from lowtail.models.distributions.families import Family
from lowtail.models.distributions.likelihood import Scaled
from lowtail.models.early.holds import calibrated_low

__all__ = [
    "CONFLICT",
    "LEAST_CONFIDENCE",
    "Borrowed",
    "borrow_confidence",
    "borrow_low",
    "conflict_p",
    "floor_confidence",
    "full_confidence",
    "pooled_confidence",
    "pooled_low",
]

Array = NDArray[np.float64]

CONFLICT = 0.05  # below it the siblings' scatter is refused
LEAST_CONFIDENCE = 0.75  # below it no scatter is borrowed: the floor would be no lower bound
_POWER = np.log(4.0) / np.log(19.0 / 3.0)  # odds of 3 (75 %) become 1 (50 %), odds of 19 (95 %) become 4 (80 %)


def floor_confidence(confidence: float) -> float:
    """Confidence that a group keeps whatever its siblings are: 0.80 for 0.95, 0.50 for 0.75, between them by the odds.

    Examples
    --------
    >>> [round(floor_confidence(g), 3) for g in (0.75, 0.90, 0.95, 0.99)]
    [0.5, 0.695, 0.8, 0.933]
    """
    odds = (confidence / (1 - confidence) / 3.0) ** _POWER
    return float(odds / (1 + odds))


def full_confidence(floor: float) -> float:
    """The confidence whose floor is ``floor``: the inverse of `floor_confidence`."""
    if not 0 < floor < 1:
        return floor
    odds = 3.0 * (floor / (1 - floor)) ** (1 / _POWER)
    return float(odds / (1 + odds))


def _pooled(
    target: Scaled, family: Family, lent: Predictive, reach: float, tail: float, grid: tuple[float, float]
) -> Nodes:
    shift = np.log(target.scale)[:, None]

    def log_prior(t: Array) -> Array:
        return lent.log_at(t - shift)

    make = weibull_nodes if family.name == "weibull" else normal_nodes
    return make([target], reach, tail, prior=log_prior, prior_width=lent.sharpest, grid=grid)


def pooled_low(
    target: Scaled,
    family: Family,
    lent: Predictive,
    fraction_below: float,
    confidence: float,
    grid: tuple[float, float] = FINE,
) -> Array:
    """Bound with the predictive as weight of the scatter, on the scaled axis of the target, (B,); no floor in it."""
    w, tail = float(family.quantile(fraction_below)), 1 - confidence
    return solve(_pooled(target, family, lent, abs(w), tail, grid), w, tail)


def pooled_confidence(
    target: Scaled,
    family: Family,
    lent: Predictive,
    fraction_below: float,
    q: Array,
    grid: tuple[float, float] = FINE,
) -> Array:
    """Confidence that the percentile lies above ``q`` (scaled axis), (B,): the inverse of `pooled_low`."""
    w = float(family.quantile(fraction_below))
    near = 0.05
    for _ in range(2):  # the second grid stands where the first one put the answer
        below = _pooled(target, family, lent, abs(w), near, grid).cdf(q, w)[0]
        near = float(np.clip(np.median(below), 1e-7, 1 - 1e-7))
    return np.asarray(np.clip(1 - below, 0.0, 1.0))


def conflict_p(target: Scaled, family: Family, lent: Predictive) -> Array:
    """Chance, under the predictive and the group's own confidence density of t, that the group is no more scattered.

    Small where the group is more scattered than its siblings let expect: one-sided, in the unsafe direction.
    """
    own = build(family, [target], 1.0, 0.5, grid=SMOOTH)
    t = np.log(own.k) - np.log(target.scale)[:, None]
    return np.asarray(np.clip((own.weight * lent.below(t)).sum(axis=1), 0.0, 1.0))


@dataclass(frozen=True, slots=True, eq=False)
class Borrowed:
    """Bounds with borrowed scatter, one entry a sample, in the unit of the loads.

    Attributes
    ----------
    low : array
        The bound: ``own`` where pooling is refused, else the lower of ``pooled`` and ``floor``.
    pooled, own, floor : array
        Pooled bound and own bound at the full confidence, own bound at `floor_confidence`.
    conflict_p : array
    refused : array of bool
    """

    low: Array
    pooled: Array
    own: Array
    floor: Array
    conflict_p: Array
    refused: NDArray[np.bool_]


def borrow_low(
    target: Scaled,
    family: Family,
    lent: Predictive,
    fraction_below: float,
    confidence: float,
    *,
    conflict: Array | None = None,
    calibrated: bool = True,
    grid: tuple[float, float] = FINE,
) -> Borrowed:
    """Lower bounds of targets with at least 2 different breaks each; own bounds are calibrated for early holds.

    ``conflict`` is `conflict_p`, where it is known already.
    """
    p, w = fraction_below, float(family.quantile(fraction_below))

    def own(g: float) -> Array:
        q = solve(build(family, [target], abs(w), 1 - g, grid=grid), w, 1 - g)
        return calibrated_low(target, family, p, g, q) if calibrated else q

    def load(q: Array) -> Array:
        return np.asarray(np.maximum(family.inverse(target.centre + target.scale * q), 0.0))

    conflict = conflict_p(target, family, lent) if conflict is None else conflict
    refused = np.asarray(conflict < CONFLICT)
    pooled = load(pooled_low(target, family, lent, p, confidence, grid))
    full, floor = load(own(confidence)), load(own(floor_confidence(confidence)))
    return Borrowed(np.where(refused, full, np.minimum(pooled, floor)), pooled, full, floor, conflict, refused)


def borrow_confidence(
    target: Scaled,
    family: Family,
    lent: Predictive,
    own: Array,
    q: Array,
    fraction_below: float,
    grid: tuple[float, float] = FINE,
) -> tuple[Array, Array]:
    """The confidence at which `borrow_low` answers ``q`` (scaled axis), and the conflict p, each (B,).

    ``own`` is the confidence that the group itself demonstrates.
    """
    conflict = conflict_p(target, family, lent)
    capped = np.array([full_confidence(float(c)) for c in own])
    pooled = pooled_confidence(target, family, lent, fraction_below, q, grid)
    return np.where(conflict < CONFLICT, own, np.minimum(pooled, capped)), conflict
