"""Rows of a table of answers, one at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["rows_of"]


def rows_of(table: pd.DataFrame) -> list[Any]:
    """Every row as an object whose attributes are the columns (those that are Python names)."""
    return list(table.itertuples(index=False))
