"""Tables for readers: one block for page, terminal and PDF; full tables go to CSV, XLSX or JSON."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lowtail._shared.caution import CAUTION
from lowtail._shared.writing import as_bytes, check_writes, put
from lowtail.errors import InputError, MissingExtraError
from lowtail.glossary import BREAK_LOG, meaning, meanings
from lowtail.logs.breaks.export import book_bytes, safe_text
from lowtail.logs.breaks.log import BreakLog
from lowtail.logs.edits import without
from lowtail.report import phrases
from lowtail.report.tables.blocks import Cell, Heading, Table
from lowtail.report.tables.rows import rows_of

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "TABLE_ENDINGS",
    "check_table_file",
    "findings_table",
    "only_groups",
    "raw_table",
    "set_aside_table",
    "sums_sentence",
    "table_bytes",
    "trace_block",
    "write_table",
]

TABLE_ENDINGS = (".csv", ".xlsx", ".json")
_NO_OPENPYXL = "Writing .xlsx needs openpyxl: pip install 'lowtail[excel]', or write .csv."


def write_table(table: pd.DataFrame, path: str | Path, notes: Sequence[str] = ()) -> Path:
    """Write a full table as .csv, .xlsx or .json: unrounded numbers, a sheet that explains the columns, and the notes.

    Text that a spreadsheet would run as a formula gets a leading apostrophe in CSV and stays plain text in XLSX.

    Parameters
    ----------
    table : DataFrame
    path : path
        Ends in .csv, .xlsx or .json.
    notes : sequence of str
        Lines for the sheet "notes" (XLSX only), below the caution that every file carries: a column "caution" in CSV,
        an entry "caution" beside "rows" in JSON.

    Raises
    ------
    InputError
        If the ending is none of the three, or the file cannot be written.
    MissingExtraError
        If .xlsx is asked for and openpyxl is not installed.
    """
    target = check_table_file({"path": path})["path"]
    return put(target, table_bytes(table, target.suffix.lower(), notes))


def check_table_file(
    writes: Mapping[str, str | os.PathLike[str] | None],
    reads: Iterable[str | os.PathLike[str]] = (),
    pages: Mapping[str, str | os.PathLike[str] | None] | None = None,
) -> dict[str, Path]:
    """Refuse, before any work, table files (and ``pages`` beside them) that cannot be written: see `check_writes`.

    Raises
    ------
    InputError
        If one takes the place of a file that is read or of another, cannot be written, or has another ending.
    MissingExtraError
        If .xlsx is asked for and openpyxl is not installed.
    """
    from importlib.util import find_spec

    for path in writes.values():
        if path is not None and Path(path).suffix.lower() not in TABLE_ENDINGS:
            raise InputError(f"A table is written as .csv, .xlsx or .json, got {str(path)!r}.")
        if path is not None and Path(path).suffix.lower() == ".xlsx" and find_spec("openpyxl") is None:
            raise MissingExtraError(_NO_OPENPYXL)
    return check_writes({**writes, **(pages or {})}, reads)


def table_bytes(table: pd.DataFrame, kind: str, notes: Sequence[str] = ()) -> bytes:
    """The bytes of a table file, ``kind`` one of `TABLE_ENDINGS`; see `write_table`."""
    if kind == ".xlsx":
        return _xlsx(table, notes)
    if kind == ".json":
        rows = json.loads(table.to_json(orient="records", double_precision=15))
        return as_bytes(json.dumps({"rows": rows, "caution": CAUTION}, indent=2), "The table")
    columns = [table.iloc[:, i] for i in range(table.shape[1])]
    body = [c if c.dtype.kind in "biufcmM" else c.map(_disarm) for c in columns]  # text under any name pandas keeps
    rows = [list(row) for row in zip(*(c.astype(object).where(c.notna(), "") for c in body), strict=True)]
    caution = [CAUTION, *[""] * (len(rows) - 1)][: len(rows)]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*map(_disarm, table.columns), "caution"])
    writer.writerows([*row, end] for row, end in zip(rows, caution, strict=True))
    return as_bytes(text.getvalue(), "The table")


def _disarm(value: Any) -> Any:
    return safe_text(value) if isinstance(value, str) else value


def _xlsx(table: pd.DataFrame, notes: Sequence[str]) -> bytes:
    try:
        from openpyxl import Workbook
        from openpyxl.styles import Alignment, Font
    except ImportError as exc:
        raise MissingExtraError(_NO_OPENPYXL) from exc
    book = Workbook()
    book.remove(book.worksheets[0])
    sheets: dict[str, list[Sequence[Any]]] = {
        "table": [list(table.columns), *table.astype(object).where(table.notna(), None).to_numpy().tolist()],
        "columns": [["column", "meaning"], *meanings(map(str, table.columns)).items()],
        "notes": [["note"], *([n] for n in dict.fromkeys((CAUTION, *notes)))],
    }
    for name, rows in sheets.items():
        page: Any = book.create_sheet(name)
        for r, row in enumerate(rows, start=1):
            for c, value in enumerate(row, start=1):
                cell = page.cell(row=r, column=c)
                cell.value = value.item() if hasattr(value, "item") else str(value) if _odd(value) else value
                if isinstance(value, str):
                    cell.data_type = "s"
                if r == 1:
                    cell.font, cell.alignment = Font(bold=True), Alignment(wrap_text=True, vertical="top")
        page.freeze_panes = "B2"
    return book_bytes(book)


def _odd(value: Any) -> bool:
    return value is not None and not isinstance(value, (str, int, float, bool)) and not hasattr(value, "item")


def sums_sentence(log: BreakLog) -> str:
    """Say that no row was lost: rows in are rows used plus rows set aside."""
    used = log.table[log.table["used"]]
    broke = int(used["broke"].sum())
    slipped = int(used["slipped"].sum())
    held = len(used) - broke - slipped
    return (
        f"Rows in the log: {log.n_rows} = {log.n_used} used + {log.n_set_aside} set aside. Of the {log.n_used} used, "
        f"{broke} broke, {held} held" + (f", {slipped} slipped" if slipped else "") + "."
    )


def only_groups(log: BreakLog, only: Sequence[str] | None, *, by: Sequence[str]) -> BreakLog:
    """Keep the rows of groups whose name holds one of these texts (no difference between small and capital letters).

    Raises
    ------
    InputError
        If no group's name holds any of them.
    """
    import pandas as pd

    if only is None or not len(only):
        return log
    missing = [c for c in by if c not in log.table.columns]
    if missing:
        raise InputError(
            f"`by` names {missing[0]!r}, which the log does not have. Columns: {', '.join(map(str, log.table))}."
        )
    values = log.table[list(by)].astype(str).to_numpy().tolist()
    names = pd.Series([", ".join(v for v in row if v) for row in values], index=log.table.index)
    keep = names.str.lower().map(lambda name: any(word.lower() in name for word in only))
    if not keep.any():
        groups = "; ".join(dict.fromkeys(names))
        raise InputError(f"`only` {phrases.join([repr(w) for w in only])} matches no group. Groups: {groups}.")
    return replace(
        log,
        table=log.table[keep].reset_index(drop=True),
        as_read=without(log.as_read, log.table[~keep]),
    )


def findings_table(log: BreakLog, levels: Sequence[str] = ("error", "warning", "info")) -> Table:
    """What was found in the file, cell by cell."""
    heads = [
        Heading("cell", "where in the file", False),
        Heading("level", "info, warning or error", False),
        Heading("read", "what stood there", False),
        Heading("what was done", "", False),
    ]
    rows: list[list[Cell | str]] = []
    for found in rows_of(log.findings):
        if found.level in levels:
            mark = "bad" if found.level != "info" else ""
            rows.append(
                [str(found.cell), Cell(str(found.level), mark=mark), shorten(found.got), shorten(found.message, 400)]
            )
    return Table.of("Findings of the reader", heads, rows)


def set_aside_table(log: BreakLog) -> Table:
    """Rows that took no part, each with its reason."""
    heads = [
        Heading("cell", "where in the file", False),
        Heading("specimen", meaning("specimen"), False),
        Heading("group", meaning("group"), False),
        Heading("reason", "why it took no part", False),
    ]
    rows = []
    for row in rows_of(log.set_aside):
        group = ", ".join(str(v) for v in (row.item, row.orientation, row.method) if v)
        rows.append([str(row.cell), shorten(row.specimen), shorten(group), shorten(row.set_aside, 400)])
    return Table.of("Rows set aside", heads, rows)


def raw_table(log: BreakLog, limit: int = 2000) -> Table:
    """Every row as read, with the columns that hold anything.

    Parameters
    ----------
    limit : int
        Rows shown at most; the note says how many were left out.
    """
    wanted = [c for c in ("specimen", "item", "orientation", "method", "load_kN", "outcome") if c in log.table]
    wanted += [c for c in BREAK_LOG if c in log.table and c not in (*wanted, "load", "unit") and _holds(log.table[c])]
    wanted += ["set_aside"] if log.n_set_aside else []
    numbers = [log.table[c].dtype.kind in "fi" for c in wanted]
    heads = [Heading(_head(c), meaning(c), n) for c, n in zip(wanted, numbers, strict=True)]
    shown = log.table[wanted].head(limit)
    rows = [[_raw(v) for v in row] for row in shown.itertuples(index=False, name=None)]
    left = len(log.table) - len(shown)
    notes = (
        [f"{left} further rows are not shown here; they took part all the same. The file holds them."] if left else []
    )
    return Table.of(f"The log as read, {phrases.count(len(log.table), 'row')}", heads, rows, notes)


def trace_block(rows: pd.DataFrame) -> Table:
    """Peaks of force-time logs, a row a file, with what may be wrong with each."""
    heads = [
        Heading("file", "", False),
        Heading("peak [kN]", "highest load"),
        Heading("+- [kN]", "expanded uncertainty"),
        Heading("rate [kN/s]", "loading rate between 20 and 80 % of the peak"),
        Heading("may read low by [kN]", "at worst, from the sampling rate"),
        Heading("looks like", "a suggestion only", False),
        Heading("notes", "", False),
    ]
    out = []
    for row in rows_of(rows):
        numbers = (row.peak_kN, row.expanded_kN, row.loading_rate_kN_per_s, row.under_read_worst_kN)
        peak, wide, rate, low = ("none" if v is None or v != v else f"{v:.3g}" for v in numbers)
        out.append([str(row.file), peak, wide, rate, low, str(row.method_hint), shorten(row.notes, 400)])
    return Table.of("Peaks", heads, out)


def _head(column: str) -> str:
    return {
        "load_kN": "load [kN]",
        "rated_kN": "rated [kN]",
        "age_years": "age [years]",
        "drop_mass_kg": "drop mass [kg]",
        "drop_height_m": "drop height [m]",
        "sample_rate_hz": "samples [Hz]",
    }.get(column, column.replace("_", " "))


def _holds(column: pd.Series) -> bool:
    return bool((column.notna() & (column.astype(str) != "") & (column.astype(str) != "False")).any())


def _raw(value: Any) -> str:
    if isinstance(value, float):
        return "" if value != value else f"{value:.6g}"
    return shorten("" if value is None else str(value), 300)


def shorten(text: Any, limit: int = 120) -> str:
    """Cut a long text from a log, and say how long it was.

    Examples
    --------
    >>> shorten("abc" * 100, 12)
    'abcabcabcabc ... (300 characters)'
    """
    text = str(text)
    return text if len(text) <= limit else f"{text[:limit]} ... ({len(text)} characters)"
