"""The words and numbers a reader sees: units, rounding, and the sentences the page is made of.

Rounding is never in favour of the gear: a lower bound is cut down to three significant figures, an upper limit is
raised to three, and only a plain estimate is rounded to the nearest.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any, Literal, get_args

from lowtail._shared.numbers import down, nearest, up
from lowtail.errors import InputError
from lowtail.report.style import LBF_PER_KN

__all__ = ["count", "down", "force", "force_low", "join", "nearest", "percent", "published", "ratio", "up"]

Units = Literal["kN", "lbf"]
UNITS: tuple[str, ...] = get_args(Units)


def check_units(units: str) -> str:
    """Return ``units`` if it is one the page can show: "kN", or "lbf" for kN with lbf in brackets.

    Raises
    ------
    InputError
        For any other unit.
    """
    if units not in UNITS:
        raise InputError(f"`units` must be 'kN' or 'lbf' (kN with lbf in brackets), got {units!r}.")
    return units


def force(kn: float, units: str = "kN") -> str:
    """Write an estimate: kN first, lbf in brackets where asked for.

    Examples
    --------
    >>> force(22.449), force(22.449, "lbf")
    ('22.4 kN', '22.4 kN (5,050 lbf)')
    """
    return _force(kn, units, nearest)


def force_low(kn: float, units: str = "kN") -> str:
    """Write a lower bound, cut down in both units.

    Examples
    --------
    >>> force_low(22.49, "lbf")
    '22.4 kN (5,050 lbf)'
    """
    return _force(kn, units, down)


def _force(kn: float, units: str, how: Any) -> str:
    text = f"{how(kn)} kN"
    if kn is None or not math.isfinite(kn):
        return "none"
    return f"{text} ({how(kn * LBF_PER_KN)} lbf)" if units == "lbf" else text


def percent(fraction: float) -> str:
    """Write a fraction as a percentage with no more digits than it has.

    Examples
    --------
    >>> percent(0.1), percent(0.95), percent(0.00135), percent(0.999)
    ('10 %', '95 %', '0.135 %', '99.9 %')
    """
    return f"{float(f'{100 * fraction:.4g}'):g} %"


def ratio(value: float, low: float, high: float) -> str:
    """Write a ratio with its interval, rounded outwards.

    Examples
    --------
    >>> ratio(0.9312, 0.8461, 1.0249)
    '0.931 (0.846 to 1.03)'
    """
    return f"{nearest(value)} ({ratio_ends(low, high)})"


def ratio_ends(low: float, high: float) -> str:
    """Write the ends of the interval of a ratio, rounded outwards; beyond 0.01 and 100 the digits say nothing.

    Examples
    --------
    >>> ratio_ends(0.8461, 1.0249), ratio_ends(4.6e-6, 42_400)
    ('0.846 to 1.03', '0 to over 100')
    """
    return f"{down(low) if low >= 0.01 else '0'} to {up(high) if high <= 100 else 'over 100'}"


def count(number: int, one: str, many: str = "") -> str:
    """Write a number with its noun.

    Examples
    --------
    >>> count(1, "specimen"), count(0, "specimen"), count(3, "batch", "batches")
    ('1 specimen', '0 specimens', '3 batches')
    """
    return f"{number} {one if number == 1 else many or one + 's'}"


def join(words: Sequence[str]) -> str:
    """Join words as a sentence does.

    Examples
    --------
    >>> join(["slow pull", "shock"]), join(["a", "b", "c"])
    ('slow pull and shock', 'a, b and c')
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


_CODE = re.compile(r"`|\b[a-z_]+=(?=[\s.,;'\"{\[(\d)\w]|$)|\blt\.")


def published(text: str) -> str:
    """A text as the page prints it: sentences that speak to whoever types arguments are left out.

    Examples
    --------
    >>> published("None of 3 broke. Load until they break, or give `shape=` from an earlier series.")
    'None of 3 broke.'
    >>> published("The distribution is known (p = 0.03).")
    'The distribution is known (p = 0.03).'
    """
    if not _CODE.search(text):
        return text
    kept = [s for s in re.split(r"(?<=[.!?]) (?=[A-Z'\"])", text) if not _CODE.search(s)]
    return " ".join(kept) or re.split(_CODE, text)[0].rstrip(" ,;(") + "."
