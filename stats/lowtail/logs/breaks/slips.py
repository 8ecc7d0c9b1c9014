"""Slips as a proportion of their own, with an exact interval."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from lowtail._checks import door
from lowtail.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

    from lowtail.logs.breaks.log import BreakLog

__all__ = ["exact_interval", "slip_table"]


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


@door
def slip_table(
    log_or_table: BreakLog | pd.DataFrame,
    by: Sequence[str] = ("item", "orientation", "method"),
    *,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Slips among the used specimens of every group, as a share with its exact two-sided interval.

    Columns: group, n, slipped, share, share_low, share_high. A slip counts as held at its load in every strength bound;
    how often the part slips is a question of its own.

    Raises
    ------
    InputError
        If a grouping column does not exist.
    """
    import pandas as pd

    source: Any = log_or_table
    table: pd.DataFrame = getattr(source, "table", source)
    if not len(by):
        raise InputError("`by` must name at least one column, got none. Example: by=('item', 'orientation').")
    unknown = [c for c in by if c not in table.columns]
    if unknown:
        known = ", ".join(table.columns)
        raise InputError(f"`by` names {unknown[0]!r}, which the log does not have. Columns: {known}.")
    rows = []
    for values, part in table[table["used"]].groupby(list(by), sort=False):
        n, count = len(part), int(part["slipped"].sum())
        low, high = exact_interval(count, n, confidence)
        label = ", ".join(str(v) for v in values if str(v))
        rows.append([label, n, count, count / n, low, high])
    return pd.DataFrame(rows, columns=["group", "n", "slipped", "share", "share_low", "share_high"])
