"""Two arms within pairs or blocks, survivors included: the distribution of the ratio with each block's level taken out.

Log strength = level of the block + difference between the arms + Weibull scatter of one shape. With the weight
d(levels) d(difference) d(spread) / spread every level is integrated in closed form, and what is left is a distribution
of the difference and the shape on a grid. For pairs it is the distribution of the log ratios, each known, known to be
at least, or known to be at most.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lowtail.models.confidence.quadrature import check_cover

__all__ = ["Blocks", "LevelFreeLaw", "level_free_law"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_SHAPES, _DIFFERENCES = 200, 401
_FAR = 9.0  # the grid of differences reaches sinh(9), 4,000 times their scale
_LOWEST, _HIGHEST = 9.0, 3.5  # reach of the grid of log shapes below and above its middle
_MANY = 60  # degrees of freedom from which on the grid of log shapes draws together
_EDGE = 2e-3  # density left at an edge of the grid, relative to the top, above which there is no distribution


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """Blocks of many series at once: log loads ``y`` and flags ``broke``, both (rows, n), arms and blocks (n,)."""

    y: Array
    broke: Flags
    other: Flags
    block: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class LevelFreeLaw:
    """Differences (rows, m) and the confidence that the true one lies below each, (rows, m).

    ``free`` (rows,) counts breaks beyond the levels and the difference, as degrees of freedom do; below 1, or where the
    loads have no scatter (not ``proper``), there is no distribution and both arrays hold NaN.
    """

    difference: Array
    confidence: Array
    free: NDArray[np.intp]
    proper: Flags

    def upper(self, g: float) -> Array:
        """Difference that lies above the true one with confidence ``g``, for every row."""
        return np.array([np.interp(g, c, d) for c, d in zip(self.confidence, self.difference, strict=True)])

    def below(self, difference: float) -> Array:
        """Confidence that the true difference lies below ``difference``, for every row."""
        return np.array([np.interp(difference, d, c) for c, d in zip(self.confidence, self.difference, strict=True)])


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """What the likelihood needs: a list over informative blocks."""

    blocks: Sequence[tuple[Flags, Array]]  # columns of the block, breaks in it (rows,)
    data: Blocks

    def log_density(self, t: Array, difference: Array) -> Array:
        """Log density at log shapes (rows, T) and differences (rows, D): shape (rows, T, D)."""
        k = np.exp(t)
        other = self.data.other
        lift = k[:, :, None] * difference[:, None, :]
        out = np.zeros(lift.shape)
        for inside, breaks in self.blocks:
            # with no break in a block its level runs to infinity and the block drops out
            y = np.where(breaks[:, None] > 0, self.data.y[:, inside], 0.0)
            y = y - y.max(axis=1, keepdims=True)
            broke, second = self.data.broke[:, inside], other[inside]
            fallen = np.where(broke, y, 0.0).sum(axis=1)
            mass = np.exp(k[:, :, None] * y[:, None, :])
            with np.errstate(divide="ignore"):
                first_log = np.log(mass[:, :, ~second].sum(axis=2))
                second_log = np.log(mass[:, :, second].sum(axis=2))
            moved = (broke & second).sum(axis=1)
            height = (np.maximum(breaks - 1, 0))[:, None] * t + k * fallen[:, None]
            total = np.logaddexp(first_log[:, :, None], second_log[:, :, None] - lift)
            out += height[:, :, None] - breaks[:, None, None] * total - moved[:, None, None] * lift
        return out


def _summarise(data: Blocks) -> tuple[_Sums, NDArray[np.intp]]:
    """Blocks with both arms, and the degrees of freedom of every row."""
    kept = []
    free = np.full(len(data.y), -1)
    for label in np.unique(data.block):
        inside = data.block == label
        if data.other[inside].any() and not data.other[inside].all():
            breaks = data.broke[:, inside].sum(axis=1)
            kept.append((inside, breaks))
            free = free + np.maximum(breaks - 1, 0)
    return _Sums(kept, data), free


def _first_look(sums: _Sums) -> tuple[Array, Array]:
    """A rough difference and scale: the middle of the differences within blocks, and the range of loads in them."""
    gaps, ranges = [], []
    for inside, _ in sums.blocks:
        y, second = sums.data.y[:, inside], sums.data.other[inside]
        gaps.append(y[:, second].mean(axis=1) - y[:, ~second].mean(axis=1))
        ranges.append(np.ptp(y, axis=1))
    return np.mean(gaps, axis=0), np.maximum(np.mean(ranges, axis=0), 1e-9)


def _masses(log_density: Array, weight: Array) -> tuple[Array, Array]:
    """Mass over log shapes (rows, T) and over differences (rows, D), the step of the latter in ``weight``."""
    density = np.exp(log_density - log_density.max(axis=(1, 2), keepdims=True))
    return (density * weight[:, None, :]).sum(axis=2), density.sum(axis=1) * weight


def _middle(at: Array, mass: Array, shares: tuple[float, ...]) -> list[Array]:
    total = np.cumsum(mass, axis=1)
    total /= total[:, -1:]
    return [np.array([np.interp(s, c, a) for c, a in zip(total, at, strict=True)]) for s in shares]


def _reach(free: NDArray[np.intp]) -> tuple[Array, Array]:
    """How far the distribution of the log shape reaches below and above its middle."""
    many = np.maximum(free, 1.0)
    few = free <= _MANY
    low = np.where(few, _LOWEST, 20.0 / many + 8.0 / np.sqrt(many))
    return low, np.where(few, _HIGHEST, 8.0 / np.sqrt(many))


def level_free_law(data: Blocks, shapes: int = _SHAPES, differences: int = _DIFFERENCES) -> LevelFreeLaw:
    """Distribution of the difference of log strengths (other - reference) for every row; NaN where ``free`` is below 1.

    References
    ----------
    Lawless (2003), Statistical Models and Methods for Lifetime Data, 2nd ed., chapter 6; Kalbfleisch and Sprott (1970),
    Journal of the Royal Statistical Society B 32, 175-208, on nuisance levels integrated out (both from memory).
    """
    sums, free = _summarise(data)
    centre, scale = _first_look(sums)
    t_centre = -np.log(scale)
    stretch = np.linspace(-_FAR, _FAR, differences)
    low_reach, high_reach = _reach(free)
    for turn in range(3 if (free <= _MANY).all() else 6):  # to find the place, nearer each time, then the distribution
        near = 8.0**-turn  # many breaks tell the shape well: the grid draws together about it
        difference = centre[:, None] + scale[:, None] * np.sinh(stretch)
        t = t_centre[:, None] + np.linspace(
            -np.maximum(low_reach, _LOWEST * near), np.maximum(high_reach, _HIGHEST * near), shapes, axis=1
        )
        of_shape, of_difference = _masses(
            sums.log_density(t, difference), np.broadcast_to(np.cosh(stretch), difference.shape)
        )
        (t_centre,) = _middle(t, of_shape, (0.5,))
        low, centre, high = _middle(difference, of_difference, (0.25, 0.5, 0.75))
        scale = np.maximum(high - low, 1e-12)
    mass = (of_difference[:, 1:] + of_difference[:, :-1]) / 2
    confidence = np.concatenate([np.zeros((len(mass), 1)), np.cumsum(mass, axis=1)], axis=1)
    confidence /= confidence[:, -1:]
    edges = [m[:, i] / m.max(axis=1) for m in (of_shape, of_difference) for i in (0, -1)]
    proper = (free >= 1) & (np.max(edges, axis=0) < _EDGE)
    if proper.any():
        check_cover(of_shape[proper], "Shape of blocks", edge=np.inf)  # the ends: above
    none = ~proper[:, None]
    return LevelFreeLaw(np.where(none, np.nan, difference), np.where(none, np.nan, confidence), free, proper)
