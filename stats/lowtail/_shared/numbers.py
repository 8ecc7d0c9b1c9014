"""Numbers as a reader sees them: rounding is never in favour of the gear.

A lower bound is cut down to three significant figures, an upper limit is raised to three, and only a plain estimate is
rounded to the nearest.
"""

from __future__ import annotations

import math
from typing import Any

__all__ = [
    "chance",
    "confidence",
    "down",
    "nearest",
    "p_text",
    "p_value",
    "percent_down",
    "percent_up",
    "times_in_ten",
    "up",
]

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


def percent_down(share: float, places: int = 1) -> str:
    """Write a share in percent, cut down: for content and confidence that are demonstrated.

    Examples
    --------
    >>> percent_down(0.95), percent_down(0.8679), percent_down(0.99865), percent_down(0.29)
    ('95 %', '86.7 %', '99.8 %', '29 %')
    """
    return f"{math.floor(100 * 10**places * share * (1 + _SLACK)) / 10**places:g} %"


def percent_up(share: float, places: int = 0) -> str:
    """Write a share in percent, raised: for what could have been missed.

    Examples
    --------
    >>> percent_up(0.2589), percent_up(0.45), percent_up(0.0123, 1)
    ('26 %', '45 %', '1.3 %')
    """
    return f"{math.ceil(100 * 10**places * share * (1 - _SLACK)) / 10**places:g} %"


def confidence(share: float) -> str:
    """Write a confidence: tenths of a percent, cut down, never a bare 0 or 100.

    Examples
    --------
    >>> confidence(0.95), confidence(0.93876), confidence(0.9996), confidence(0.0004), confidence(float("nan"))
    ('95 %', '93.8 %', 'over 99.9 %', 'under 0.1 %', 'none')
    """
    if not math.isfinite(share):
        return "none"
    if share < 0.001:
        return "under 0.1 %"
    return "over 99.9 %" if share > 0.9995 else percent_down(share)


def chance(share: float) -> str:
    """Write a chance of success: whole percent, cut down, never a bare 0 or 100.

    Examples
    --------
    >>> chance(0.8), chance(0.799), chance(0.004), chance(0.997)
    ('80 %', '79 %', 'under 1 %', 'over 99 %')
    """
    if not math.isfinite(share):
        return "not known"
    if share < 0.01:
        return "under 1 %"
    return "over 99 %" if share > 0.99 else percent_down(share, 0)


def times_in_ten(share: float) -> str:
    """Write how often something happens as a sentence does: in tenths, never "0 times" or "1 times".

    Examples
    --------
    >>> times_in_ten(0.81), times_in_ten(0.12), times_in_ten(0.03), times_in_ten(0.97), times_in_ten(1.0)
    ('8 times in 10', 'once in 10', 'less than once in 20', 'more than 19 times in 20', 'more than 19 times in 20')
    """
    if not math.isfinite(share):
        return "an unknown number of times in 10"
    if share < 0.05:
        return "less than once in 20"
    if share > 0.95:
        return "more than 19 times in 20"
    tenths = min(max(round(10 * share), 1), 9)
    return "once in 10" if tenths == 1 else f"{tenths} times in 10"


def p_text(value: float) -> str:
    """Write a p value as a sentence does: two figures, never a bare 0; the same number wherever it stands.

    Examples
    --------
    >>> p_text(0.03271), p_text(0.2), p_text(0.0004), p_text(0.99999)
    ('p = 0.033', 'p = 0.20', 'p < 0.001', 'p = 1.0')
    """
    if not math.isfinite(value):
        return "no p value"
    return f"p < {p_value(value)[6:]}" if value < 0.001 else f"p = {p_value(value)}"


def p_value(value: float) -> str:
    """Write a p value: two figures, three decimals at most, never a bare 0.

    Examples
    --------
    >>> p_value(0.03271), p_value(0.2), p_value(0.0004), p_value(0.99999)
    ('0.033', '0.20', 'under 0.001', '1.0')
    """
    if not math.isfinite(value):
        return "none"
    if value < 0.001:
        return "under 0.001"
    return f"{value:.2g}" if value < 0.0995 else f"{value:.2f}" if value < 0.995 else "1.0"
