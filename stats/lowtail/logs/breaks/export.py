"""Write a break log so that it reads back identical and no spreadsheet runs a cell; write an empty log to fill in."""

from __future__ import annotations

import csv
import io
import math
import os
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lowtail._shared.caution import CAUTION
from lowtail.errors import InputError, MissingExtraError
from lowtail.glossary import BREAK_LOG
from lowtail.logs.breaks.schema import check_table

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["safe_text", "template_text", "write_csv", "write_template", "write_xlsx"]

_DERIVED = ("load_kN", "upper_kN", "uncertainty_kN", "broke", "used", "set_aside", "slipped", "cell")
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
    _put(path, text.getvalue().encode("utf-8"))


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
    _put(path, _workbook("Breaks", [names, *_cells(table, names)]))


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
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


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
    if place.exists():
        raise InputError(f"{place} exists already and may hold data. Choose another name.")
    if place.suffix.lower() == ".xlsx":
        about = {"About the columns": [[line] for line in _explanations()]}
        _put(place, _workbook("Breaks", [_template_header()], about))
    elif place.suffix.lower() == ".csv":
        _put(place, template_text().encode("utf-8"))
    else:
        raise InputError(f"A template ends in .csv or .xlsx, got {place.name!r}.")


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


def _put(path: str | os.PathLike[str], data: bytes) -> None:
    """Write beside the target and move into place, so that a file is whole or untouched."""
    place = Path(path)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{place.name}.", dir=place.parent)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
            os.chmod(name, 0o666 & ~_umask())
            os.replace(name, place)
        except OSError:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as exc:
        raise InputError(f"{place} cannot be written: {exc.strerror}. Choose another place.") from None


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
