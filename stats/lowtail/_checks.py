"""Checks of arguments that every wing needs."""

from __future__ import annotations

from typing import Any

import numpy as np

from lowtail.errors import InputError

__all__ = ["check_fraction"]


def check_fraction(value: Any, name: str) -> float:
    """Return ``value`` as a float strictly between 0 and 1.

    Raises
    ------
    InputError
        If it is not a number between 0 and 1 (ends excluded); a percentage is pointed out.
    """
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if 0 < number < 1:
        return number
    hint = ""
    if np.isfinite(number) and 1 <= number < 100:
        hint = f" Give a fraction, not a percentage: {number / 100:g}, not {number:g}."
    raise InputError(f"`{name}` must lie between 0 and 1 (ends excluded), got {value!r}.{hint}")
