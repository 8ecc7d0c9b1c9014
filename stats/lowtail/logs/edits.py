"""Whether a log's table still is what was read: a mark a row, and the fingerprint of the rows as used."""

from __future__ import annotations

import hashlib
from collections import Counter
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["data_sha256", "edits", "row_marks", "without"]

Marks = NDArray[np.uint64]
_NAMED = 8


def row_marks(table: pd.DataFrame) -> Marks:
    """A mark of every row that changes with any of its values, (n,); the order of rows does not count."""
    from pandas.util import hash_pandas_object

    marks = hash_pandas_object(table.astype(str), index=False).to_numpy(dtype=np.uint64)
    marks.flags.writeable = False
    return np.asarray(marks)


def edits(table: pd.DataFrame, as_read: Marks | None) -> str:
    """What was changed in a table since it was read, in words; "" where nothing was, or nothing is known.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"cell": ["E2", "E3"], "load_kN": [24.1, 25.3]})
    >>> marks = row_marks(table)
    >>> table.loc[1, "load_kN"] = 29.9
    >>> edits(table, marks)
    'edited after reading: rows E3'
    """
    if as_read is None:
        return ""
    now = row_marks(table)
    known, left = Counter(as_read.tolist()), []
    for position, mark in enumerate(now.tolist()):
        if known[mark]:
            known[mark] -= 1
        else:
            left.append(position)
    gone = len(as_read) - (len(now) - len(left))
    new = max(len(now) - len(as_read), 0)
    parts = []
    if left:
        cells = table["cell"].astype(str).tolist() if "cell" in table else [str(i + 1) for i in range(len(table))]
        names = [cells[i] or str(i + 1) for i in left[:_NAMED]]
        parts.append(f"rows {', '.join(names)}{f' and {len(left) - _NAMED} more' if len(left) > _NAMED else ''}")
    if gone > len(left) - new:
        parts.append(f"{gone - (len(left) - new)} of the rows read are gone")
    return f"edited after reading: {'; '.join(parts)}" if parts else ""


def without(as_read: Marks | None, rows: pd.DataFrame) -> Marks | None:
    """The marks less those of rows that are left out on purpose."""
    if as_read is None or rows.empty:
        return as_read
    left = Counter(as_read.tolist()) - Counter(row_marks(rows).tolist())
    return np.array(list(left.elements()), dtype=np.uint64)


def data_sha256(table: pd.DataFrame) -> str:
    """SHA-256 of the rows as they are used, in their order, written as CSV with UTF-8 and line feeds."""
    return hashlib.sha256(table.to_csv(index=False, lineterminator="\n").encode("utf-8")).hexdigest()
