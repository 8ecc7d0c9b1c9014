"""Simulated standard series: strengths, and which specimens hold because the rig fails first."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.models.distributions.families import Family

__all__ = ["Series", "child", "pool", "standard_series"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Series = tuple[Array, Flags | None]
"""Values (B, n), and which of them are breaks (None: all)."""


def holding_shift(family: Family, survivors: float) -> float:
    """Location of the rig's strength, in spreads above the specimen's, at which a share of specimens holds."""
    if family.name == "weibull":
        return float(np.log((1 - survivors) / survivors))
    return float(-np.sqrt(2) * special.ndtri(survivors))


def standard_series(family: Family, n: int, size: int, survivors: float, seed: np.random.SeedSequence) -> Series:
    """Standard series of shape (size, n), and which specimens broke (None: all). Longer ones continue shorter ones."""
    first, second = (np.random.default_rng(child(seed, i)) for i in range(2))
    if survivors == 0:
        return _draw(family, n, size, first), None
    strength, rig = _draw(family, n, size, first), _draw(family, n, size, second) + holding_shift(family, survivors)
    return np.minimum(strength, rig), strength <= rig


def child(seed: np.random.SeedSequence, key: int) -> np.random.SeedSequence:
    """Child of a seed sequence, the same at every call (``spawn`` would move on)."""
    return np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, key))


def _draw(family: Family, n: int, size: int, rng: np.random.Generator) -> Array:
    if family.name == "weibull":
        return np.asarray(np.log(rng.standard_exponential((n, size))).T)
    return np.asarray(rng.standard_normal((n, size)).T)


def pool(y: Array, broke: Flags, further: Array, fresh: Flags | None) -> Series:
    """One series in hand (n,) followed by each of many further ones (B, m)."""
    size = further.shape[0]
    pooled = np.concatenate([np.tile(y, (size, 1)), further], axis=1)
    if fresh is None and broke.all():
        return pooled, None
    new = np.ones(further.shape, dtype=bool) if fresh is None else fresh
    return pooled, np.concatenate([np.tile(broke, (size, 1)), new], axis=1)
