"""Numbers as a reader sees them: rounding is never in favour of the gear.

A lower bound is cut down to three significant figures, an upper limit is raised to three, and only a plain estimate is
rounded to the nearest.
"""

from __future__ import annotations

import math
from typing import Any

__all__ = ["down", "nearest", "up"]

_SLACK = 1e-12  # a bound of 22.4 held as 22.399999999999999 stays 22.4


def _digits(value: float, figures: int) -> int:
    return figures - 1 - math.floor(math.log10(abs(value)))


def _write(value: float, places: int) -> str:
    return f"{value:,.{max(places, 0)}f}"


def _cut(value: float, figures: int, how: Any, slack: float) -> str:
    if value is None or not math.isfinite(value):
        return "none"
    if value == 0:
        return "0"
    places = _digits(value, figures)
    scaled = value * 10.0**places
    step = how(scaled + slack * abs(scaled)) / 10.0**places
    return _write(step, _digits(step, figures) if step else places)


def nearest(value: float, figures: int = 3) -> str:
    """Round to the nearest, for an estimate.

    Examples
    --------
    >>> nearest(22.449), nearest(0.98765), nearest(1234.5)
    ('22.4', '0.988', '1,230')
    """
    return _cut(value, figures, round, 0.0)


def down(value: float, figures: int = 3) -> str:
    """Cut down, for a lower bound: never a higher number than was shown.

    Examples
    --------
    >>> down(22.49), down(9.999), down(22.4), down(1239.9)
    ('22.4', '9.99', '22.4', '1,230')
    """
    return _cut(value, figures, math.floor, _SLACK)


def up(value: float, figures: int = 3) -> str:
    """Raise, for an upper limit.

    Examples
    --------
    >>> up(22.41), up(22.4), up(0.9991), up(9.995)
    ('22.5', '22.4', '1.00', '10.0')
    """
    return _cut(value, figures, math.ceil, -_SLACK)
