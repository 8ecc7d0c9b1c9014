"""What simulated samples with early holds are made of: noise that belongs to a sample, its limits, and shares.

References
----------
Kaplan and Meier (1958) J. Amer. Statist. Assoc. 53:457-481 (from memory).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

__all__ = ["limits_of", "noise_of", "share_above"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_SEED = 20_250_611
_KEPT = 2**18
_SOBOL = 250  # specimens up to which the noise is quasi-random


def _cube(n: int, samples: int) -> tuple[Array, Array]:
    """Quasi-random points (2 n, samples) between 0 and 1 and a direction (2 n,), the same at every call."""
    rng = np.random.default_rng([_SEED, n])
    cube = stats.qmc.Sobol(2 * n, rng=rng).random(samples).T if n <= _SOBOL else rng.random((2 * n, samples))
    cube, way = np.ascontiguousarray(cube), rng.uniform(100.0, 1000.0, 2 * n)
    cube.flags.writeable = way.flags.writeable = False
    return cube, way


_kept_cube = lru_cache(maxsize=64)(_cube)  # for samples of usual size, some megabytes each


def noise_of(law: str, z: Array, samples: int) -> tuple[Array, Array]:
    """Standard values and uniform numbers (n, samples) that belong to the sorted loads z of a sample.

    The points are shifted around the unit cube by an amount that the loads decide (not their unit, not their order):
    the same sample always meets the same noise, but no error of one set of points repeats itself from sample to sample,
    where it would become an error of the coverage.
    """
    cube, way = (_kept_cube if z.size * samples <= _KEPT else _cube)(z.size, samples)
    turn = float(z @ np.linspace(1.0, 2.0, z.size)) / z.size
    shifted = np.clip((cube + (way * turn % 1.0)[:, None]) % 1.0, 1e-10, 1 - 1e-10)
    value, other = shifted[: z.size], shifted[z.size :]
    return np.log(-np.log1p(-value)) if law == "weibull" else special.ndtri(value), other


def limits_of(z: Array, fail: Flags, other: Array) -> tuple[Array, Array, NDArray[np.int32]]:
    """Different loads held, how many held at each, and which of them limits each specimen of each simulated sample.

    A specimen that held keeps its own load as limit. For one that broke the limit follows the Kaplan-Meier estimate of
    the limits (breaks are its survivors), given that it lies above the load at break; what is left over is no limit,
    index K.
    """
    limit, own = np.unique(z[~fail], return_inverse=True)
    count = np.bincount(own, minlength=limit.size).astype(float)
    above = np.cumprod(1.0 - count / (z.size - np.searchsorted(z, limit)))
    passed = np.searchsorted(limit, z, side="right")
    left = np.append(1.0, above)[passed][:, None] * (1.0 - other)
    index = np.searchsorted(-above, -left, side="right").astype(np.int32)
    index[~fail] = own[:, None]
    return limit, count, index


def share_above(roots: Array, observed: float) -> float:
    """Share of roots at or above the one observed, linear between them; never 0, and 1 where none could be used."""
    used = np.sort(roots[~np.isnan(roots)])
    if not used.size:
        return 1.0
    share = np.arange(used.size, 0, -1) / (used.size + 1)
    return float(np.interp(observed, used, share, left=1.0, right=0.5 / (used.size + 1)))
