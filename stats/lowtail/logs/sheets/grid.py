"""A grid of raw cells, and where it came from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from lowtail.logs.findings import Finding
from lowtail.logs.sheets.guard import column_letters

__all__ = ["Grid", "Source"]


@dataclass(frozen=True, slots=True)
class Source:
    """Where a log came from: file name and SHA-256 of its bytes ("" for a table in hand).

    ``path`` is where the file lay, so that no output takes its place; it is shown nowhere.
    """

    name: str
    sha256: str = ""
    sheet: str = ""
    path: str = field(default="", repr=False, compare=False)


@dataclass(slots=True)
class Grid:
    """Raw cells of one table with the way to name each cell."""

    kind: str
    rows: list[list[Any]]
    sheet: str = ""
    delimiter: str = ""
    merged: list[tuple[tuple[int, int], tuple[int, int]]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    labels: list[str] | None = None
    from_1904: bool = False
    hidden: bool = False

    def cell(self, row: int, column: int | None = None, name: str = "") -> str:
        """Address of a cell (0-based row and column), e.g. ``Breaks!F9`` or ``row 9, column 'load'``."""
        if self.kind in ("xlsx", "xls", "ods"):
            return f"{self.sheet}!{'' if column is None else column_letters(column)}{row + 1}"
        number = self.labels[row] if self.labels is not None else str(row + 1)
        if column is None:
            return f"row {number}"
        return f"row {number}, column {name or column_letters(column)!r}"
