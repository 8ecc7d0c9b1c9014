"""What one conversion of a grid works on: cells by column, and the lists that findings and bad cells go to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from lowtail.errors import BadCell
from lowtail.glossary import BREAK_LOG
from lowtail.logs.breaks.rows import data_rows
from lowtail.logs.cells import as_text, is_missing
from lowtail.logs.findings import Finding
from lowtail.logs.sheets.grid import Grid
from lowtail.logs.sheets.header import EACH, FROM, HELD_LOAD, IN_COMMON, TO, Field, Header

__all__ = ["LOADS", "NUMBERS", "TEXTS", "Columns", "Work"]

LOADS = ("load", FROM, TO, EACH, IN_COMMON)
NUMBERS = tuple(n for n, c in BREAK_LOG.items() if c.kind == "number" and n not in LOADS)
TEXTS = tuple(n for n, c in BREAK_LOG.items() if c.kind in ("text", "date") and n not in ("unit", "outcome", "method"))


@dataclass(slots=True)
class Columns:
    """What the conversion fills: values by column, the grid rows they came from, findings, bad cells."""

    values: dict[str, list[Any]] = field(default_factory=dict)
    rows: list[int] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    bad: list[BadCell] = field(default_factory=list)
    unheld: set[tuple[str, str]] = field(default_factory=set)  # declared labels that no cell holds, with their column


class Work:
    """One conversion: the grid, its header and the declarations, shared by every step."""

    def __init__(
        self,
        grid: Grid,
        header: Header,
        wanted: Mapping[str, str],
        unit: str | None,
        decimal: str | None,
        area_mm2: float | None = None,
    ) -> None:
        self.grid, self.header, self.unit, self.area_mm2 = grid, header, unit, area_mm2
        self.constants = {n: v[1:].strip() for n, v in wanted.items() if v.startswith("=")}
        self.decimal = decimal or ""
        self.out = Columns()
        self.out.rows = data_rows(grid, header, self.out.findings)

    def raw(self, name: str) -> list[Any]:
        """Raw cells of a column, None where the log does not have it."""
        if name in self.constants:
            return [self.constants[name]] * len(self.out.rows)
        f = self.header.fields.get(name)
        index = f.index if f is not None else self.header.extras.get(name)
        if index is None:
            return [None] * len(self.out.rows)
        rows = self.grid.rows
        cells = [rows[r][index] if index < len(rows[r]) else None for r in self.out.rows]
        held = self.header.fields.get(HELD_LOAD) if name == "load" else None
        if held is None:
            return cells
        beside = [rows[r][held.index] if held.index < len(rows[r]) else None for r in self.out.rows]
        return [b if is_missing(a) else a for a, b in zip(cells, beside, strict=True)]

    def held_at(self, position: int) -> Any:
        """Cell of the column of held loads in a row, None where the log has no such column."""
        held = self.header.fields.get(HELD_LOAD)
        if held is None:
            return None
        row = self.grid.rows[self.out.rows[position]]
        return row[held.index] if held.index < len(row) else None

    def has(self, name: str) -> bool:
        """Whether the log holds, or declares, the column."""
        return name in self.constants or name in self.header.fields or name in self.header.extras

    def where(self, position: int, name: str) -> str:
        """Address of a cell by its position among the data rows."""
        f = self.header.fields.get(name)
        return self.grid.cell(self.out.rows[position], f.index if f else None, f.text if f else name)

    def refuse(self, position: int, name: str, got: Any, message: str) -> None:
        """Record a bad cell."""
        self.out.bad.append(BadCell(self.where(position, name), name, as_text(got), message))

    def refuse_header(self, f: Field, name: str, message: str) -> None:
        """Record a bad header."""
        self.out.bad.append(BadCell(self.grid.cell(self.header.last, f.index, f.text), name, f.text, message))

    def note(self, position: int, name: str, level: str, got: Any, message: str) -> None:
        """Record a finding on a cell."""
        self.out.findings.append(Finding(self.where(position, name), name, level, as_text(got), message))

    def note_header(self, name: str, level: str, got: str, message: str) -> None:
        """Record a finding on a column."""
        f = self.header.fields.get(name)
        cell = self.grid.cell(self.header.last, f.index, f.text) if f else "file"
        self.out.findings.append(Finding(cell, name, level, got, message))
