"""The largest gap between neighbouring breaks, weighted so that a gap in the middle counts more; on arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lowtail.models.distributions.families import Family
from lowtail.models.distributions.fit import fit_many

__all__ = ["largest_gap_many"]

Array = NDArray[np.float64]


def largest_gap_many(load: Array, broke: NDArray[np.bool_], law: Family) -> tuple[Array, NDArray[np.intp], Array]:
    """Largest weighted gap between neighbouring breaks of each row, in spreads: size, its place, sorted breaks.

    The gap between the i-th and the next of r breaks weighs ``sqrt(i (r - i))``; NaN where no distribution can be
    fitted.
    """
    y = np.where(broke, law.transform(load), np.inf)
    y = np.sort(y, axis=1)
    r = broke.sum(axis=1, keepdims=True)
    i = np.arange(1, y.shape[1])[None, :]
    with np.errstate(invalid="ignore"):
        gap = np.where(i < r, np.diff(y, axis=1) * np.sqrt(i * np.maximum(r - i, 0)), -np.inf)
    spread = fit_many(load, broke, law).spread
    place = gap.argmax(axis=1)
    with np.errstate(invalid="ignore"):
        size = gap[np.arange(place.size), place] / spread
    return np.where(np.isfinite(size), size, np.nan), place, y
