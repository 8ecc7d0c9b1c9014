"""Slips as a proportion of their own, with an exact interval."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from lowtail._shared.checks import door
from lowtail._shared.proportion import exact_interval
from lowtail.errors import InputError
from lowtail.logs.breaks.log import BreakLog

__all__ = ["slip_table"]


@door
def slip_table(
    log_or_table: BreakLog | pd.DataFrame,
    by: Sequence[str] = ("item", "orientation", "method"),
    *,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Slips among the used specimens of every group, as a share with its exact two-sided interval.

    Columns: group, n, slipped, share, share_low, share_high. How often the part slips is a question of its own; what
    a slip means for the strength is another: the governing bound is the lower of "it held" and "it failed" unless the
    log says which.

    Raises
    ------
    InputError
        If a grouping column does not exist.

    See Also
    --------
    governing : what slips do to the bound.
    read_breaks : says what a slip means, by `slips`.

    Examples
    --------
    >>> import pandas as pd
    >>> import lowtail as lt
    >>> log = lt.check_breaks(pd.DataFrame({"specimen": list("abcde"), "item": "sling", "method": "slow pull",
    ...                                     "load [kN]": [24.1, 25.3, 22.8, 26.0, 23.9], "outcome": "broke"}))
    >>> answer = lt.checks.slip_table(log)
    >>> answer[["n", "slipped", "share_high"]].round(3).values.tolist()
    [[5.0, 0.0, 0.522]]
    """
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
