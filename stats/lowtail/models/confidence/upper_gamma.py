"""The upper incomplete gamma function at a whole index: the chance of fewer than ``index`` events.

The one home of its variable: it is held between limits at which the function is 1 and 0 to the last digit, whatever
the index, so that nothing overflows and nothing is cut off.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc, gammaln

__all__ = ["held_inside", "upper_gamma", "upper_gamma_density"]

Array = NDArray[np.float64]

_CLOSED = 40  # closed Poisson sum up to this index, scipy's gammaincc above
_LOWEST, _HIGHEST = -700.0, 6.4  # ln x
_ABOVE = 3.0  # ln(x / index): at 20 times the index less than 1e-200 is left


def held_inside(index: int, log_x: Array) -> Array:
    """``ln x`` between the limits that belong to ``index``."""
    return np.clip(log_x, _LOWEST, max(_HIGHEST, float(np.log(index)) + _ABOVE))


def upper_gamma(index: int, log_x: Array) -> Array:
    """Chance of fewer than ``index`` events where ``x = exp(log_x)`` are expected; index at least 1.

    Examples
    --------
    >>> upper_gamma(3, np.log([2.0])).round(6).tolist(), upper_gamma(10**6, np.log([10.0**6])).round(4).tolist()
    ([0.676676], [0.4999])
    """
    return _upper(index, np.exp(held_inside(index, log_x)))


def upper_gamma_density(index: int, log_x: Array) -> tuple[Array, Array]:
    """The same, and how fast it falls in ``ln x``: ``x^index e^-x / gamma(index)``."""
    inside = held_inside(index, log_x)
    x = np.exp(inside)
    with np.errstate(under="ignore"):
        dens = np.exp(index * inside - x - gammaln(index))
    return _upper(index, x), dens


def _upper(index: int, x: Array) -> Array:
    if index > _CLOSED:
        return np.asarray(gammaincc(index, x))
    with np.errstate(under="ignore"):
        total = np.ones_like(x)
        for j in range(index - 1, 0, -1):
            total *= x
            total /= j
            total += 1.0
        total *= np.exp(-x)
    return np.asarray(total)
