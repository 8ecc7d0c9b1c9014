"""What was found in the file: one line a finding, and bad cells that stop it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "Finding", "findings_frame"]

COLUMNS = ("cell", "column", "level", "got", "message")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing the reader noticed.

    Attributes
    ----------
    cell : str
        Address, e.g. ``Breaks!F9``, ``row 9, column 'load'``, or ``file``.
    column : str
        Canonical column, "" where it concerns no single one.
    level : str
        ``info``: read with a stated rule; ``warning``: read, but look at it; ``error``: stands in the way of an answer.
    got : str
        What was read.
    message : str
        What was done about it, or what to do.
    """

    cell: str
    column: str
    level: str
    got: str
    message: str


def findings_frame(findings: Iterable[Finding]) -> pd.DataFrame:
    """Findings as a table, errors first, then warnings, each in the order found."""
    import pandas as pd

    order = {"error": 0, "warning": 1, "info": 2}
    rows = sorted(findings, key=lambda f: order[f.level])
    return pd.DataFrame([[getattr(f, c) for c in COLUMNS] for f in rows], columns=list(COLUMNS), dtype=object)
