"""An interval with its confidence, as every answer gives it."""

from __future__ import annotations

from dataclasses import dataclass

from lowtail._shared.numbers import down, up

__all__ = ["Interval"]


@dataclass(frozen=True, slots=True)
class Interval:
    """Two ends and the confidence with which they hold the truth between them.

    Parameters
    ----------
    low, high : float
        Ends, in the unit of the quantity; an end without limit is infinite.
    confidence : float
        Two-sided, between 0 and 1.

    Examples
    --------
    >>> interval = Interval(0.846, 1.0249, 0.95)
    >>> 1 in interval, str(interval)
    (True, '0.846 to 1.03 (95 % confidence)')
    """

    low: float
    high: float
    confidence: float

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high

    def __str__(self) -> str:
        return f"{down(self.low)} to {up(self.high)} ({100 * self.confidence:g} % confidence)"
