"""Loads known to lie between two, and how well loads are known: the checks of a sample's further fields."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lowtail.errors import InputError

__all__ = ["LEFT", "check_known_from_below", "clean_uncertainty", "upper_ends"]

Array = NDArray[np.float64]
LEFT = (
    "with no load that it is known to have held. Loads known from above only (left-censored) are not handled: record "
    "the last load or step that it held, or the load at break"
)
_MOST_COMMON = 0.5


def _numbers(who: str, name: str, values: ArrayLike, size: int) -> Array:
    try:
        found = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as exc:
        raise InputError(f"{who}: `{name}` must hold numbers, got {values!r}.") from exc
    if found.shape != (size,):
        raise InputError(f"{who}: `{name}` must have the shape of `load` ({size},), got {found.shape}.")
    return found


def check_known_from_below(who: str, load: Array, upper: ArrayLike | None) -> None:
    """Refuse a break of which only a load above it is known: ``load`` 0 or missing beside an ``upper``."""
    if upper is None:
        return
    ends = _numbers(who, "upper", upper, load.size)
    left = np.flatnonzero((np.isnan(load) | (load == 0)) & np.isfinite(ends))
    if left.size:
        raise InputError(f"{who}: specimen {left[0] + 1} broke at or below {ends[left[0]]:.4g} kN {LEFT}.")


def upper_ends(who: str, load: Array, broke: NDArray[np.bool_], upper: ArrayLike | None) -> Array:
    """Upper end of where each strength can lie: the load itself for a known break, infinite where the specimen held.

    Raises
    ------
    InputError
        If an upper end lies below its load, is infinite for a break, or stands at a specimen that held.
    """
    if upper is None:
        return np.where(broke, load, np.inf)
    ends = _numbers(who, "upper", upper, load.size)
    odd = np.flatnonzero(~broke & np.isfinite(ends))
    if odd.size:
        i = odd[0]
        raise InputError(
            f"{who}: specimen {i + 1} held {load[i]:.4g} kN, so it has no `upper`, got {ends[i]:.4g}. Leave it missing "
            "(NaN), or mark the specimen as broken."
        )
    endless = np.flatnonzero(broke & np.isinf(ends))
    if endless.size:
        raise InputError(
            f"{who}: specimen {endless[0] + 1} broke, so `upper` must be finite, got {ends[endless[0]]:g}. A specimen "
            "that held has broke=False."
        )
    ends = np.where(np.isnan(ends), load, ends)
    below = np.flatnonzero(broke & (ends < load))
    if below.size:
        i = below[0]
        raise InputError(
            f"{who}: specimen {i + 1} held {load[i]:.4g} kN and cannot have broken at or below {ends[i]:.4g} kN. "
            "`upper` must be at least `load`."
        )
    return np.where(broke, ends, np.inf)


def clean_uncertainty(who: str, size: int, each: ArrayLike | None, common: float | None) -> tuple[Array, float]:
    """Standard uncertainties: of each load in kN, and the relative one that all have in common."""
    if each is None:
        found = np.zeros(size)
    else:
        found = _numbers(who, "uncertainty", np.full(size, each) if np.ndim(each) == 0 else each, size)
    bad = np.flatnonzero(~(np.isfinite(found) & (found >= 0)))
    if bad.size:
        raise InputError(
            f"{who}: `uncertainty` must be finite and at least 0 kN, got {found[bad[0]]:g} for specimen {bad[0] + 1}."
        )
    share = 0.0 if common is None else float(common)
    if not (np.isfinite(share) and 0 <= share < _MOST_COMMON):
        raise InputError(
            f"{who}: `common_uncertainty` is a share of the load from 0 to below {_MOST_COMMON}, got {common!r}. Write "
            "0.5 % as 0.005."
        )
    return found, share
