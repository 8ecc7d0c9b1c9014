"""What stands for a sample of which some broke between two loads: interval terms, or the worst places of the breaks.

Steps no wider than the scatter of their middles: the confidence distribution with interval terms
(`interval_nodes`). Wider steps show too little of the scatter for it (fixed steps of 2 standard deviations brought a
nominal 75 % bound down to 33 %): there every place at which the specimens can have broken is tried (`placements`), and
the lowest bound holds whatever the steps. Coverage of both together: ``tests/truth/interval_loads.csv``; within half a
point and two errors of the level or above it, but for 20 Weibull specimens on steps of half a standard deviation, where
one place of the steps gave 73.3 % for 75 %.

A specimen that broke between two loads broke at some load between them. A bound that holds for every such placement
holds for the true one, so the lowest over all placements covers at least as often as the bound itself, whatever the
steps. Sorted, the i-th smallest break lies between the i-th smallest lower and the i-th smallest upper end. A lower
bound falls as scatter rises: the worst placement puts some number of the smallest breaks at their lower ends and the
rest at their upper ends (``tests/models/test_placements.py`` searches for a worse one), and every such number is tried.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.sample import Sample
from lowtail.errors import NoAnswerError
from lowtail.models.distributions.between import Between, between
from lowtail.models.distributions.families import Family
from lowtail.models.distributions.likelihood import Scaled, prepare

__all__ = ["MOST_PLACED", "WIDEST", "as_between", "fine_steps", "narrow", "placements", "stand_ins"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

MOST_PLACED = 300  # breaks; a placement is a sample of its own
WIDEST = 1.0  # widest interval, over the standard deviation of the middles, that the confidence distribution takes


def narrow(low: Array, up: Array) -> Flags:
    """Rows (B, n) of which every interval is narrow enough for the confidence distribution with interval terms.

    ``up`` equals ``low`` for a known break and is infinite where the specimen held. Rows with fewer than 2 breaks are
    not.
    """
    broke = np.isfinite(up)
    r = np.maximum(broke.sum(axis=1), 1)
    top = np.where(broke, up, low)
    middle = np.where(broke, 0.5 * (low + top), 0.0)
    mean = middle.sum(axis=1) / r
    square = (np.where(broke, middle - mean[:, None], 0.0) ** 2).sum(axis=1) / np.maximum(r - 1, 1)
    return np.asarray(((top - low).max(axis=1) <= WIDEST * np.sqrt(square)) & (broke.sum(axis=1) > 1))


def fine_steps(sample: Sample) -> bool:
    """Whether the sample is `narrow`."""
    return bool(narrow(sample.lower[None], sample.upper[None])[0])


def as_between(sample: Sample, family: Family, axis: tuple[Array, Array] | None = None) -> Between:
    """One row with a column for each different pair of ends."""
    ends, count = np.unique(np.stack([sample.lower, sample.upper]), axis=1, return_counts=True)
    return between(ends[:1], ends[1:], count[None].astype(float), family, axis)


def stand_ins(sample: Sample, family: Family) -> tuple[Scaled, Between | None]:
    """The middles with the interval terms, or where steps are too wide for these the batch of all placements.

    Raises
    ------
    NoAnswerError
        If fewer than 2 specimens broke, or too many broke between wide steps.
    """
    if sample.lacks:
        raise NoAnswerError(f"{sample.who}: {sample.lacks}. Test on until more break.")
    if fine_steps(sample):
        middles = prepare(sample.middle, sample.broke, family)
        return middles, as_between(sample, family, (middles.centre, middles.scale))
    loads, broke = placements(sample.lower, sample.upper, sample.who)
    placed = prepare(loads, broke, family)
    return placed.rows(placed.distinct), None


def placements(low: Array, up: Array, who: str = "These specimens") -> tuple[Array, Flags]:
    """Loads (J, n) of the placements, and which of them broke (the same in every row, breaks first).

    Parameters
    ----------
    low, up : array, shape (n,)
        Ends of where each strength lies, kN; ``up`` equals ``low`` for a known break and is infinite where it held.

    Raises
    ------
    NoAnswerError
        If more than 300 specimens broke.
    """
    broke = np.isfinite(up)
    lower, upper, held = np.sort(low[broke]), np.sort(up[broke]), low[~broke]
    r = lower.size
    if r > MOST_PLACED:
        raise NoAnswerError(
            f"{who}: {r} broke between steps as wide as their scatter; so coarse a record is answered for up to "
            f"{MOST_PLACED} breaks. Record the loads in finer steps."
        )
    placed = np.where(np.arange(r) < np.arange(r + 1)[:, None], lower, upper)
    loads = np.concatenate([placed, np.tile(held, (r + 1, 1))], axis=1)
    flags = np.concatenate([np.ones(r, dtype=bool), np.zeros(held.size, dtype=bool)])
    kept = np.unique(loads, axis=0)
    return kept, np.tile(flags, (kept.shape[0], 1))
