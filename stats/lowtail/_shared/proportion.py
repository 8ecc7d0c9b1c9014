"""A proportion with its exact interval."""

from __future__ import annotations

from lowtail.errors import InputError

__all__ = ["exact_interval"]


def exact_interval(count: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided interval of a proportion (Clopper-Pearson): it covers with at least the stated confidence.

    Parameters
    ----------
    count : int
        Events, 0 to ``n``.
    n : int
        Trials, at least 1.
    confidence : float
        Between 0 and 1 (ends excluded).

    Raises
    ------
    InputError
        If a value is out of range.

    References
    ----------
    Clopper and Pearson 1934, Biometrika 26:404-413.

    Examples
    --------
    >>> low, high = exact_interval(1, 8)
    >>> round(low, 4), round(high, 4)
    (0.0032, 0.5265)
    """
    if not 0 < confidence < 1:
        raise InputError(f"`confidence` must lie between 0 and 1 (ends excluded), got {confidence!r}.")
    if n < 1 or not 0 <= count <= n:
        raise InputError(f"`count` must lie between 0 and n, with n at least 1, got {count!r} of {n!r}.")
    from scipy.special import betaincinv

    tail = (1.0 - confidence) / 2.0
    low = 0.0 if count == 0 else float(betaincinv(count, n - count + 1, tail))
    high = 1.0 if count == n else float(betaincinv(count + 1, n - count, 1.0 - tail))
    return low, high
