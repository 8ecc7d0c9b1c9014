"""Files become grids of raw cells: CSV and TSV by trial of the delimiter, workbooks through calamine."""

from __future__ import annotations

import csv
import hashlib
import io
import os
from collections.abc import Mapping, Sequence
from typing import Any

from lowtail.errors import InputError, TableError
from lowtail.logs.findings import Finding
from lowtail.logs.sheets.grid import Grid, Source
from lowtail.logs.sheets.guard import MAX_CELLS, MAX_COLUMNS, check_zip, read_bytes
from lowtail.logs.sheets.header import SEARCH_ROWS, Header, find_header
from lowtail.logs.sheets.invisible import INVISIBLE, take_off_invisible
from lowtail.logs.sheets.marks import audit_styles, mark_broken_cells
from lowtail.logs.sheets.wide import is_number, stress_advice, wide_advice

__all__ = ["ALL", "Grid", "Source", "grid_of", "read_grid"]

ALL = "all"  # the word for every sheet that looks like a log

_HEAD = 200_000  # characters in which the delimiter and the header are looked for
_DELIMITERS = ",;\t|"
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


def read_grid(
    path: str | os.PathLike[str], sheet: str | int | None = None, columns: Mapping[str, str] | None = None
) -> tuple[list[tuple[Grid, Header]], Source]:
    """Grids with their headers, and the source, of the break log in a file: several only where ``sheet`` is "all".

    Raises
    ------
    InputError
        If the path is no readable file or the sheet does not exist.
    TableError
        If the file cannot be a break log: damaged, binary, no header row, several sheets with a log.
    """
    return grid_of(*read_bytes(path), sheet, columns, os.path.abspath(path))


def grid_of(
    name: str,
    data: bytes,
    sheet: str | int | None = None,
    columns: Mapping[str, str] | None = None,
    path: str = "",
) -> tuple[list[tuple[Grid, Header]], Source]:
    """Grids with their headers, and the source, of the bytes of a file; errors as in `read_grid`."""
    digest = hashlib.sha256(data).hexdigest()
    if data[:4] == b"PK\x03\x04":
        grids = _workbook(name, data, check_zip(name, data), sheet)
    elif data[:8] == _OLE:
        if "_VBA_PROJECT".encode("utf-16-le") in data:
            raise TableError(f"{name} holds macros. Save it as .xlsx without macros; nothing in it was run.")
        grids = _workbook(name, data, "xls", sheet)
    else:
        if sheet is not None:
            raise InputError(f"`sheet` is for workbooks, and {name} is a text file, got sheet={sheet!r}. Leave it out.")
        grids = [_text_grid(name, data, columns)]
    hidden, grids = [g for g in grids if g.hidden], [g for g in grids if not g.hidden]
    found = _every(name, grids, columns) if sheet == ALL else [_choose(name, grids, columns)]
    _note_unread(found[0][0], hidden, "hidden sheets not read")
    for grid, header in found:
        if grid.kind == "xlsx":
            mark_broken_cells(grid, data)
            names = {f.index: n for n, f in header.fields.items()}
            grid.findings.extend(audit_styles(grid, data, header.last + 1, names))
    return found, Source(name, digest, ", ".join(grid.sheet for grid, _ in found), path)


def _every(name: str, grids: list[Grid], columns: Mapping[str, str] | None) -> list[tuple[Grid, Header]]:
    """Every grid that looks like a break log, in order; what is left out is noted on the first."""
    found = [(g, h) for g in grids if (h := find_header(_header_view(g), columns)) is not None and "load" in h.fields]
    if len(found) < 2:
        return [_choose(name, grids, columns)]
    read = [g for g, _ in found]
    _note_unread(found[0][0], [g for g in grids if g not in read])
    return found


def _choose(name: str, grids: list[Grid], columns: Mapping[str, str] | None) -> tuple[Grid, Header]:
    """Take the one grid that looks like a break log."""
    found = [(g, h) for g in grids if (h := find_header(_header_view(g), columns)) is not None]
    logs = [(g, h) for g, h in found if "load" in h.fields] or found
    if not logs:
        seen = next((g for g in grids if any(any(v not in (None, "") for v in r) for r in g.rows)), None)
        if seen is None:
            raise TableError(f"{name} holds no cells. Export the table again.")
        raise TableError(
            f"{name} has no header row that names the columns specimen, item, load and outcome"
            f"{f' (sheets looked at: {chr(44).join(g.sheet for g in grids)})' if seen.sheet else ''}. First row: "
            f"{' | '.join(str(v) for v in seen.rows[0])[:200]!r}. {_advice(seen.rows)}"
        )
    if len(logs) > 1:
        names = ", ".join(repr(g.sheet) for g, _ in logs)
        raise TableError(
            f"{name} has {len(logs)} sheets that look like a break log: {names}. Choose one with sheet=, or read them "
            "together with sheet='all'."
        )
    grid, header = logs[0]
    _note_unread(grid, [g for g in grids if g is not grid])
    return grid, header


def _note_unread(grid: Grid, others: Sequence[Grid], what: str = "not read") -> None:
    """What was not read: a warning where it holds numbers, for something may have been skipped."""
    full = [g.sheet for g in others if sum(is_number(v) for r in g.rows for v in r) >= 3]
    empty = [g.sheet for g in others if g.sheet not in full]
    for names, level in ((full, "warning"), (empty, "info")):
        if names:
            why = f", which {'holds' if len(names) == 1 else 'hold'} numbers" if level == "warning" else ""
            message = f"read sheet {grid.sheet!r}; {what}: {', '.join(repr(o) for o in names)}{why}"
            grid.findings.append(Finding(grid.sheet, "", level, "", message))


def _advice(rows: Sequence[Sequence[Any]]) -> str:
    """What to do about a table without a header that is known."""
    heads = [str(v) for row in rows[:SEARCH_ROWS] for v in row if isinstance(v, str)]
    return stress_advice(heads) or wide_advice(rows) or "Add a header row, or name the headers with columns=."


def _header_view(grid: Grid) -> list[list[Any]]:
    """First rows, with merged cells that span columns filled: a merged heading stands over each of its columns."""
    rows = [list(r) for r in grid.rows[: SEARCH_ROWS + 2]]
    for (top, left), (_, right) in grid.merged:
        if top < len(rows) and left < len(rows[top]) and right > left:
            rows[top][left : right + 1] = [rows[top][left]] * (right - left + 1)
    return rows


def _text_grid(name: str, data: bytes, columns: Mapping[str, str] | None) -> Grid:
    text, encoding = _decode(name, data)
    findings = []
    if encoding not in ("utf-8", "utf-8-sig"):
        findings.append(Finding("file", "", "info", encoding, f"text read as {encoding}, since it is not valid UTF-8"))
    head = "\n".join(text[:_HEAD].splitlines()[:SEARCH_ROWS])
    best, choice = (-1, -1), ","
    for delimiter in _DELIMITERS:
        rows = _parse(name, head, delimiter, strict=False)
        header = find_header(rows, columns)
        score = (len(header.fields) if header else 0, sum(len(r) > 1 for r in rows))
        if score > best:
            best, choice = score, delimiter
    rows = _parse(name, text, choice)
    grid = Grid("csv", rows, delimiter=choice, findings=findings)
    if INVISIBLE.search(text):
        take_off_invisible(grid)
    width = max((len(r) for r in rows), default=0)
    if width > MAX_COLUMNS or len(rows) * width > MAX_CELLS:
        raise TableError(
            f"{name} has {len(rows)} rows of up to {width} cells, too many for a break log. Split it by item."
        )
    return grid


def _decode(name: str, data: bytes) -> tuple[str, str]:
    for mark, encoding in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if data.startswith(mark):
            try:
                return data.decode(encoding), encoding
            except UnicodeDecodeError as exc:
                raise TableError(f"{name} is no valid {encoding} text ({exc.reason} at byte {exc.start}).") from None
    if b"\0" in data[:4096] or b"\0" in data:
        raise TableError(
            f"{name} is a binary file, neither a text table nor a workbook. Save it as .csv, .xlsx, .xls or .ods."
        )
    for encoding in ("utf-8", "cp1252"):
        try:
            return data.decode(encoding), encoding
        except UnicodeDecodeError:
            continue
    return data.decode("latin-1"), "latin-1"


def _parse(name: str, text: str, delimiter: str, strict: bool = True) -> list[list[Any]]:
    rows: list[list[Any]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=strict)
    try:
        rows.extend(list(row) for row in reader)
    except csv.Error as exc:
        if strict:
            raise TableError(f"{name}, line {reader.line_num}: {exc}. A quotation mark may be missing.") from None
    return rows


def _workbook(name: str, data: bytes, kind: str, sheet: str | int | None) -> list[Grid]:
    import python_calamine as calamine

    try:
        book = calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        wanted, hidden = _wanted_sheets(name, book, sheet)
        return [_sheet_grid(name, book, title, kind, title in hidden) for title in (*wanted, *hidden)]
    except (InputError, KeyboardInterrupt, SystemExit):
        raise
    except BaseException as exc:  # the workbook library may panic, which is no Exception
        protected = isinstance(exc, calamine.PasswordError) or "password" in str(exc).lower()
        why = "is protected by a password" if protected else f"is no readable workbook ({exc})"
        raise TableError(f"{name} {why}. Save it again, without a password, or as .csv.") from None


def _wanted_sheets(name: str, book: Any, sheet: str | int | None) -> tuple[list[str], list[str]]:
    """Titles of the sheets to look at, and of hidden ones that are only named."""
    import python_calamine as calamine

    kinds = {m.name: m for m in book.sheets_metadata}
    titles = [t for t in book.sheet_names if kinds[t].typ == calamine.SheetTypeEnum.WorkSheet]
    if sheet == ALL and ALL in titles:
        raise InputError(
            f"{name} has a sheet that is called {ALL!r}, which is also the word for every sheet. Give its number, "
            f"{titles.index(ALL) + 1}, or rename it."
        )
    if sheet is None or sheet == ALL:
        visible = [t for t in titles if kinds[t].visible == calamine.SheetVisibleEnum.Visible]
        return (visible, [t for t in titles if t not in visible]) if visible else (titles, [])
    if isinstance(sheet, str) and sheet not in titles and sheet.isdecimal():
        sheet = int(sheet)  # from a command line, where every word is text
    if isinstance(sheet, int) and not isinstance(sheet, bool):
        if not 1 <= sheet <= len(titles):
            raise InputError(
                f"`sheet` must be 1 to {len(titles)} or a sheet name, got {sheet}. Sheets: {', '.join(titles)}."
            )
        return [titles[sheet - 1]], []
    if sheet not in titles:
        raise InputError(f"{name} has no sheet {sheet!r}. Sheets: {', '.join(titles)}.")
    return [str(sheet)], []


def _sheet_grid(name: str, book: Any, title: str, kind: str, hidden: bool) -> Grid:
    page = book.get_sheet_by_name(title)
    height, width = (page.end[0] + 1, page.end[1] + 1) if page.end is not None else (0, 0)
    if not hidden and (height * width > MAX_CELLS or width > MAX_COLUMNS):
        raise TableError(
            f"{name}, sheet {title!r} reaches to row {height}, column {width}: too many cells for a break log. Delete "
            "stray cells far from the table."
        )
    some = SEARCH_ROWS if hidden else None  # of a hidden sheet enough to see whether it holds numbers
    rows = page.to_python(skip_empty_area=False, nrows=some) if height else []
    merged = [(tuple(a), tuple(b)) for a, b in (page.merged_cell_ranges or [])]
    grid = Grid(kind, rows, sheet=title, merged=merged, hidden=hidden)
    take_off_invisible(grid)
    return grid
