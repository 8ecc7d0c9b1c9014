"""Looks at a whole log for signs of a slip that no single cell shows. Screens report; they change nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lowtail.records.findings import Finding

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["screen"]


def screen(table: pd.DataFrame) -> list[Finding]:
    """Every screen, in order."""
    return []
