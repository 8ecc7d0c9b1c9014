"""A batch yet to come: the location and spread of one more batch drawn as those in hand were, on arrays.

The parts of the bounds over batches (`lowtail.models.batches`), kept apart: given the spread within batches and a
chi-square U for the scatter of their means (sum of squares S over a batches), one more batch has

    location ~ normal(mean of the batches, S / (a U) + between^2),   between^2 = S / U - error^2, not below 0,

with error^2 what the scatter within batches adds to a batch mean. Its specimens are ``location + spread W``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.models.batches.normal_batches import BatchSums, chi_square_nodes
from lowtail.models.batches.weibull_batches import WeibullBatches
from lowtail.models.distributions.families import Family
from lowtail.models.prediction.lowest import lowest_values, place_of

__all__ = ["NextBatch", "normal_next_batch", "weibull_next_batch"]

Array = NDArray[np.float64]
_NODES = 60  # of each chi-square
_LEAST = 1e-14  # weights below this are left out


@dataclass(frozen=True, slots=True, eq=False)
class NextBatch:
    """Nodes of one more batch on the y axis (kN for the normal, ln kN otherwise), each of shape (N,).

    Attributes
    ----------
    centre, reach : array
        Mean and standard deviation of its location.
    spread : array
        Within the batch.
    weight : array
        Sums to 1.
    """

    centre: Array
    reach: Array
    spread: Array
    weight: Array

    @classmethod
    def of(cls, centre: Array, reach: Array, spread: Array, weight: Array) -> NextBatch:
        """Flatten the nodes and leave out what weighs nothing."""
        flat = [np.ascontiguousarray(a).ravel() for a in np.broadcast_arrays(centre, reach, spread, weight)]
        keep = flat[3] > _LEAST * flat[3].max()
        centre, reach, spread, weight = (a[keep] for a in flat)
        return cls(centre, np.maximum(reach, 1e-12 * spread + 1e-300), spread, weight / weight.sum())

    def below(self, y: float, family: Family, m: int) -> float:
        """Probability that the lowest of m specimens of that batch lies at or below ``y``."""
        value, share = lowest_values(family, m)
        total = np.zeros(self.centre.shape)
        for w, part in zip(value, share, strict=True):
            total += part * special.ndtr((y - self.centre - self.spread * w) / self.reach)
        return float(self.weight @ total)

    def low(self, family: Family, m: int, confidence: float) -> float:
        """Lower prediction bound of the lowest of m specimens, on the y axis."""
        start = float(self.weight @ self.centre)
        stride = float(np.median(np.hypot(self.spread, self.reach)))
        return place_of(lambda y: self.below(y, family, m), 1.0 - confidence, start, stride)

    def draws(self, size: int, rng: np.random.Generator) -> tuple[Array, Array]:
        """Draw ``size`` pairs (location, spread) of a batch yet to come."""
        at = rng.choice(self.weight.size, size, p=self.weight)
        return self.centre[at] + self.reach[at] * rng.standard_normal(size), self.spread[at]


def weibull_next_batch(law: WeibullBatches) -> NextBatch:
    """One more batch with Weibull scatter within it; see `lowtail.models.batches.weibull_batches`."""
    u, weight_u = chi_square_nodes(law.batches - 1, _NODES)
    k, squares = law.k[:, None], np.maximum(law.squares, 0.0)[:, None]
    between = np.maximum(squares / u - law.error / k**2, 0.0)
    return NextBatch.of(
        law.centre[:, None], np.sqrt(squares / (law.batches * u) + between), 1 / k, law.weight[:, None] * weight_u
    )


def normal_next_batch(sums: BatchSums) -> NextBatch:
    """One more batch with normal scatter within it. One specimen a batch: all scatter is taken to be within."""
    u, weight_u = chi_square_nodes(sums.batches - 1, _NODES)
    degrees = sums.total - sums.batches
    if degrees == 0:
        whole = sums.between / u
        return NextBatch.of(np.array(sums.mean), np.sqrt(whole / sums.batches), np.sqrt(whole), weight_u)
    v, weight_v = (a[:, None] for a in chi_square_nodes(degrees, _NODES))
    within, whole = sums.within / v, sums.between / u
    between = np.maximum(whole - sums.inverse_size * within, 0.0)
    return NextBatch.of(
        np.array(sums.mean), np.sqrt(whole / sums.batches + between), np.sqrt(within), weight_v * weight_u
    )
