"""Write a break log so that it reads back identical and no spreadsheet runs a cell; write an empty log to fill in."""

from __future__ import annotations

import csv
import io
import math
import os
import re
import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lowtail._shared.caution import CAUTION
from lowtail._shared.writing import as_bytes, check_writes, put
from lowtail.errors import InputError, MissingExtraError
from lowtail.glossary import BREAK_LOG
from lowtail.logs.breaks.schema import check_table

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["book_bytes", "safe_text", "template_text", "write_csv", "write_template", "write_xlsx"]

_DERIVED = ("load_kN", "upper_kN", "uncertainty_kN", "broke", "used", "set_aside", "slipped", "cell")
_WRITTEN = re.compile(rb"(<dcterms:(?:created|modified)[^>]*>)[^<]*(</)")
_RISKY = ("=", "+", "-", "@", "\t", "\r")


def safe_text(text: str) -> str:
    """Text with an apostrophe before it where a spreadsheet would take it for a formula; the reader takes it off again.

    Examples
    --------
    >>> safe_text("=1+1"), safe_text("gate end"), safe_text("'=x")
    ("'=1+1", 'gate end', "''=x")
    """
    return f"'{text}" if text.lstrip("'")[:1] in _RISKY and text.lstrip("'") else text


def _columns(table: pd.DataFrame) -> list[str]:
    extras = [c for c in table.columns if c not in BREAK_LOG and c not in _DERIVED]
    return [*BREAK_LOG, *extras]


def _cells(table: pd.DataFrame, names: list[str]) -> Iterable[list[Any]]:
    """Rows of plain values: texts as they are, numbers as float, missing ones and false as empty text."""
    for row in table[names].itertuples(index=False, name=None):
        out: list[Any] = []
        for value in row:
            if isinstance(value, str):
                out.append(value)
            elif isinstance(value, bool) or type(value).__name__ == "bool_":
                out.append("true" if value else "")
            else:
                out.append("" if math.isnan(value) else float(value))
        yield out


def write_csv(table: pd.DataFrame, path: str | os.PathLike[str]) -> None:
    """Write the table of a log as CSV (UTF-8, commas, decimal points), at once or not at all.

    Raises
    ------
    InputError
        If the place cannot be written to, or the table is no longer a break log.
    """
    check_table(table)
    names = _columns(table)
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([safe_text(n) for n in names])
    for row in _cells(table, names):
        writer.writerow([safe_text(v) if isinstance(v, str) else repr(v) for v in row])
    put(path, as_bytes(text.getvalue(), "The log"))


def write_xlsx(table: pd.DataFrame, path: str | os.PathLike[str]) -> None:
    """Write the table of a log as XLSX, texts as texts; needs the [excel] extra.

    Raises
    ------
    MissingExtraError
        If openpyxl is not installed.
    InputError
        If the place cannot be written to, or the table has more rows than a sheet.
    """
    check_table(table)
    names = _columns(table)
    if len(table) > 1_000_000:
        raise InputError(f"A sheet holds at most 1,048,576 rows, the log has {len(table)}. Write it as CSV.")
    put(path, _workbook("Breaks", [names, *_cells(table, names)]))


def _workbook(title: str, rows: Iterable[list[Any]], more: dict[str, list[list[Any]]] | None = None) -> bytes:
    try:
        import openpyxl
        from openpyxl.cell import WriteOnlyCell
    except ImportError:
        raise MissingExtraError("Writing XLSX needs openpyxl: pip install 'lowtail[excel]', or write CSV.") from None
    book = openpyxl.Workbook(write_only=True)
    for name, lines in {title: rows, **(more or {})}.items():
        sheet = book.create_sheet(name)
        for row in lines:
            out: list[Any] = []
            for value in row:
                if not isinstance(value, str):
                    out.append(value)
                elif value:
                    cell = WriteOnlyCell(sheet)
                    if len(value) > 32_767:
                        raise InputError(
                            f"A cell holds at most 32,767 characters, got {len(value)}. Write CSV instead."
                        )
                    cell.value = f"'{value}" if value[:1] == "'" and safe_text(value) != value else value
                    cell.data_type = "s"  # a text whatever it begins with: no spreadsheet computes it
                    cell.quotePrefix = value[:1] in _RISKY
                    out.append(cell)
                else:
                    out.append(None)
            sheet.append(out)
    return book_bytes(book)


def book_bytes(book: Any) -> bytes:
    """Bytes of an openpyxl workbook without the time of writing: the same cells give the same file.

    Raises
    ------
    InputError
        If there is no room for its temporary files.
    """
    stream, out = io.BytesIO(), io.BytesIO()
    try:
        book.save(stream)
    except OSError as exc:  # it keeps the sheets in temporary files
        raise InputError(f"The workbook cannot be written: {exc.strerror}. Nothing was written.") from None
    with zipfile.ZipFile(stream) as made, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as fixed:
        for name in made.namelist():
            data = made.read(name)
            if name == "docProps/core.xml":
                data = _WRITTEN.sub(rb"\g<1>1980-01-01T00:00:00Z\g<2>", data)
            fixed.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), data, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def template_text() -> str:
    """Return an empty break log as CSV text: each column explained above the header, nothing filled in."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows([line] for line in _explanations())
    writer.writerow([])
    writer.writerow(_template_header())
    return text.getvalue()


def write_template(path: str | os.PathLike[str]) -> None:
    """Write an empty break log with the columns explained, as CSV or (by the ending .xlsx) as a workbook.

    Raises
    ------
    InputError
        If the file exists already, cannot be written, or has another ending.
    MissingExtraError
        If a workbook is asked for and openpyxl is not installed.
    """
    place = Path(path)
    if place.suffix.lower() not in (".csv", ".xlsx"):
        raise InputError(f"A template ends in .csv or .xlsx, got {place.name!r}.")
    if os.path.lexists(place):
        raise InputError(f"{place} exists already and may hold data. Choose another name.")
    check_writes({"path": place})
    if place.suffix.lower() == ".xlsx":
        about = {"About the columns": [[line] for line in _explanations()]}
        put(place, _workbook("Breaks", [_template_header()], about), new=True)
    else:
        put(place, template_text().encode("utf-8"), new=True)


def _template_header() -> list[str]:
    return ["load [kN]" if name == "load" else name for name in BREAK_LOG if name != "unit"]


def _explanations() -> list[str]:
    lines = [
        CAUTION,
        "A break log: one row a specimen. Columns marked * must be filled in; others may be empty or left out.",
    ]
    for name, column in BREAK_LOG.items():
        if name == "unit":
            continue
        star = "*" if column.required else ""
        unit = f" [{column.unit}]" if column.unit and column.unit not in ("unit", "rate_unit") else ""
        words = f"; one of: {' | '.join(column.allowed)}" if column.allowed else ""
        meaning = "load at break, or the highest load held; change kN in the header if you record another force unit"
        lines.append(f"{name}{star}{unit}: {meaning if name == 'load' else column.meaning}{words}")
    return lines
