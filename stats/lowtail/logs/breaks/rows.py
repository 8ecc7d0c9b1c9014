"""Which rows under the header are specimens, and which are blank, summaries, repeated headers or footnotes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from lowtail.logs.cells import as_text, key, table
from lowtail.logs.findings import Finding
from lowtail.logs.sheets.grid import Grid
from lowtail.logs.sheets.header import Header
from lowtail.logs.sheets.wide import is_number

__all__ = ["data_rows", "fill_merged"]

_FILLED = (
    "item",
    "orientation",
    "method",
    "batch",
    "condition",
    "failed_part",
    "assembly",
    "rate_unit",
    "unit",
    "date",
    "instrument",
    "outcome",
)


def data_rows(grid: Grid, header: Header, findings: list[Finding]) -> list[int]:
    """0-based indices of the specimen rows; whatever is not one is put on record.

    Merged cells of text columns are filled in ``grid`` first.
    """
    _preamble(grid, header, findings)
    fill_merged(grid, header, findings)
    summary = {key(w) for w in table("words")["summary"]["words"]}
    head = [as_text(v) for v in grid.rows[header.last]]
    mark = next(i for i, text in enumerate(head) if text)
    rows: list[int] = []
    for r in range(header.last + 1, len(grid.rows)):
        row = grid.rows[r]
        if not any(v is not None and v != "" and (not isinstance(v, str) or v.strip()) for v in row):
            continue
        if label := _summary_label(row, header, summary):
            message = f"summary row ({label}), kept out: it is no specimen"
            findings.append(Finding(grid.cell(r), "", _level(row), _shown(row), message))
        elif mark < len(row) and as_text(row[mark]) == head[mark] and [as_text(v) for v in row] == head:
            findings.append(Finding(grid.cell(r), "", "info", _shown(row), "header repeated, skipped"))
        else:
            rows.append(r)
    return _without_footnotes(grid, header, rows, findings)


def _preamble(grid: Grid, header: Header, findings: list[Finding]) -> None:
    load = header.fields.get("load")
    loads = [row[load.index] for row in grid.rows[: header.first] if load is not None and load.index < len(row)]
    lines = [_shown(row) for row in grid.rows[: header.first]]
    lines = [t for t in lines if t]
    if lines:
        where = grid.cell(0) if header.first == 1 else f"{grid.cell(0)} to {header.first}"
        message = "stands above the header; not read as data"
        findings.append(Finding(where, "", _level(loads), " / ".join(lines)[:500], message))


def _summary_label(row: Sequence[Any], header: Header, summary: set[str]) -> str:
    outcome = header.fields.get("outcome")
    if outcome is not None and outcome.index < len(row) and as_text(row[outcome.index]):
        return ""
    labels = [t for v in row if isinstance(v, str) and (t := as_text(v))][:1]
    for name in ("specimen", "item", "orientation", "method"):
        f = header.fields.get(name)
        if f is not None and f.index < len(row):
            labels.append(as_text(row[f.index]))
    for text in labels:
        plain = re.sub(r"\s*[(\[].*[)\]]\s*\Z", "", text).rstrip(":= ")
        if key(plain) and key(plain) in summary:
            return text
    return ""


def _without_footnotes(grid: Grid, header: Header, rows: list[int], findings: list[Finding]) -> list[int]:
    """Take single cells under the table (remarks, signatures) off the end; a cell in the load column is never one."""
    load = header.fields.get("load")
    notes: list[Finding] = []
    while rows:
        row = grid.rows[rows[-1]]
        filled = [i for i, v in enumerate(row) if as_text(v)]
        if len(filled) != 1 or (load is not None and filled[0] == load.index) or not isinstance(row[filled[0]], str):
            break
        adjoins = len(rows) > 1 and rows[-1] == rows[-2] + 1
        if adjoins and len(as_text(row[filled[0]])) < 12 and sum(bool(as_text(v)) for v in grid.rows[rows[-2]]) > 1:
            break  # a short word right under the table may be a specimen whose other cells are missing
        message = "a remark under the table; not read as data"
        notes.append(Finding(grid.cell(rows[-1]), "", _level(row), _shown(row), message))
        rows = rows[:-1]
    findings.extend(reversed(notes))
    return rows


def fill_merged(grid: Grid, header: Header, findings: list[Finding]) -> None:
    """Write the value of a merged block of a text column into each of its rows, on record."""
    by_index = {f.index: name for name, f in header.fields.items()}
    for (top, left), (bottom, right) in grid.merged:
        name = by_index.get(left, "")
        if top <= header.last or bottom == top or left != right or name not in _FILLED or top >= len(grid.rows):
            continue
        value = grid.rows[top][left]
        last = min(bottom, len(grid.rows) - 1)
        for r in range(top + 1, last + 1):
            grid.rows[r][left] = value
        message = f"merged over rows {top + 1} to {last + 1}; the value stands for each of them"
        findings.append(Finding(grid.cell(top, left, name), name, "info", as_text(value), message))


def _level(cells: Sequence[Any]) -> str:
    """Level of a finding on what was not read: a warning where it holds a number, for that may have been a load."""
    return "warning" if any(map(is_number, cells)) else "info"


def _shown(row: Sequence[Any]) -> str:
    return " | ".join(t for v in row if (t := as_text(v)))[:300]
