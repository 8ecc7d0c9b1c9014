"""The step in which loads were recorded, and how many loads differ: what noise below it says nothing about."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["SAME", "different_loads", "recording_step", "shown_step"]

SAME = 1e-9  # loads that differ by less, relative to the larger, are equal
_LEAST, _LEAST_OF_TWO = 3, 7  # loads that show a step of 1 or 5, and of 2, times a power of ten
_FULL = 1 - 1e-6  # of a step: what a full step may lose to the arithmetic of floating point


def recording_step(load: ArrayLike) -> float:
    """Step in which loads were recorded: the largest 1, 2 or 5 times a power of ten that divides them all; else 0.

    Looked for down to 0.001; loads converted from another unit have none.

    Examples
    --------
    >>> recording_step([24.1, 25.3, 22.8]), recording_step([24.5, 25.0, 22.5]), recording_step([3.1415926])
    (0.1, 0.5, 0.0)
    """
    return _coarsest(load, (5, 2, 1))


def shown_step(load: ArrayLike) -> float:
    """The recording step that loads really show, in their unit; 0 where they show none.

    As `recording_step`, but claimed from 3 loads on only, and a step of 2, 0.2, ... from 7 on: loads read to the next
    finer step, half of it, lie on it by chance in 1 of 8 series of 3, in 1 of 128 of 7.

    Examples
    --------
    >>> shown_step([25, 25, 26]), shown_step([24, 26, 26]), shown_step([25.0, 26.0])
    (1.0, 1.0, 0.0)
    """
    size = np.asarray(load).size
    if size < _LEAST:
        return 0.0
    return _coarsest(load, (5, 2, 1) if size >= _LEAST_OF_TWO else (5, 1))


def _coarsest(load: ArrayLike, digits: tuple[int, ...]) -> float:
    values = np.asarray(load, dtype=float)
    for power in range(2, -4, -1):
        for digit in digits:
            step = float(f"{digit}e{power}")
            whole = np.round(values / step)  # a load far below a step is no multiple of it
            if whole.min() >= 1 and np.abs(values / step - whole).max() < 1e-6:
                return step
    return 0.0


def different_loads(load: NDArray[np.float64], step: float = 0.0) -> int:
    """How many loads differ: by a full ``step`` and by more than 1e-9 of the larger.

    Loads that lie closer to the lowest of a run count as that one.

    Examples
    --------
    >>> different_loads(np.array([25.0, 25.0, 25.0 * (1 + 4e-16)])), different_loads(np.array([25.0, 25.2, 25.9]), 0.5)
    (1, 2)
    """
    ordered = np.sort(load)
    count, at = 0, 0
    while at < ordered.size:
        first = ordered[at]
        limit = first + max(SAME * first, step * _FULL)
        at = int(np.searchsorted(ordered, limit, side="left" if step * _FULL > SAME * first else "right"))
        count += 1
    return count
