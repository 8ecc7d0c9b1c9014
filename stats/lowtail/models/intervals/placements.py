"""Where in their intervals the breaks are the worst for a lower bound: the samples that it must hold for.

A specimen that broke between two loads broke at some load between them. A bound that holds for every such placement
holds for the true one, so the lowest over all placements covers at least as often as the bound itself, whatever the
steps. Sorted, the i-th smallest break lies between the i-th smallest lower and the i-th smallest upper end. A lower
bound falls as scatter rises: the worst placement puts some number of the smallest breaks at their lower ends and the
rest at their upper ends (``tests/models/test_placements.py`` searches for a worse one), and every such number is tried.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lowtail.errors import NoAnswerError

__all__ = ["MOST_PLACED", "placements"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

MOST_PLACED = 300  # breaks; a placement is a sample of its own


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
