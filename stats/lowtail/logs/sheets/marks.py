"""What a workbook says beside its cell values: error values, formulas without results, hidden rows, strikes, comments.

Error values and missing results are found in the file's own XML; the rest needs openpyxl ([excel] extra).
"""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from lowtail.logs.cells import Broken, as_text
from lowtail.logs.findings import Finding
from lowtail.logs.sheets.guard import column_number

if TYPE_CHECKING:
    from lowtail.logs.sheets.grid import Grid

__all__ = ["audit_styles", "mark_broken_cells"]

_CELL = re.compile(rb"<c\b([^>]*?)(?:/>|>(.*?)</c>)", re.DOTALL)
_FORMAT_UNIT = re.compile(r'"\s*(lbf?s?|kN|N|daN|kgf?|kip|klbf|tf?)\s*"')
_MANY = 400_000


def mark_broken_cells(grid: Grid, data: bytes) -> None:
    """Put a text that no parser takes for a value where an XLSX cell holds an error or a formula without a result."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        book = archive.read("xl/workbook.xml")
        grid.from_1904 = bool(re.search(rb'<(?:\w+:)?workbookPr[^>]*date1904="(?:1|true)"', book))
        path = _sheet_path(archive, book, grid.sheet)
        if path is None:
            return
        xml = archive.read(path)
    if b't="e"' not in xml and b"<f" not in xml:
        return
    for row, column, text in _broken(xml):
        if row < len(grid.rows):
            line = grid.rows[row]
            line.extend([""] * (column + 1 - len(line)))
            if line[column] in ("", None):
                line[column] = Broken(text)


def _sheet_path(archive: zipfile.ZipFile, book: bytes, title: str) -> str | None:
    from xml.etree import ElementTree

    names = {}
    for element in ElementTree.fromstring(book).iter():
        if element.tag.endswith("}sheet"):
            ident = next((v for k, v in element.attrib.items() if k.endswith("}id")), "")
            names[element.attrib.get("name", "")] = ident
    try:
        links = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    except KeyError:
        return None
    for link in links:
        if link.attrib.get("Id") == names.get(title):
            target = link.attrib.get("Target", "").lstrip("/")
            path = target if target.startswith("xl/") else f"xl/{target}"
            return path if path in archive.namelist() else None
    return None


def _broken(xml: bytes) -> Iterator[tuple[int, int, str]]:
    for attributes, inside in _CELL.findall(xml):
        error = b't="e"' in attributes
        formula = b"<f" in inside
        if not error and not formula:
            continue
        place = re.search(rb'\br="([A-Z]{1,3})([0-9]+)"', attributes)
        if place is None:
            continue
        row, column = int(place[2]) - 1, column_number(place[1].decode()) - 1
        value = re.search(rb"<v[^>]*>(.*?)</v>", inside, re.DOTALL)
        if error:
            shown = value[1].decode("utf-8", "replace") if value else "error"
            yield row, column, f"the cell holds the error {shown}"
        elif value is None or (not value[1] and b't="str"' not in attributes):
            yield row, column, "the cell holds a formula without a stored result"


def audit_styles(grid: Grid, data: bytes, first_row: int, columns: dict[int, str]) -> list[Finding]:
    """Findings on hidden rows and columns, struck-through cells, comments and number formats of the rows of a table."""
    try:
        import openpyxl
    except ImportError:
        text = "hidden rows, struck-through cells and comments were not looked at; lowtail[excel] brings what it takes"
        return [Finding(grid.sheet, "", "info", "", text)]
    if len(grid.rows) * max((len(r) for r in grid.rows), default=0) > _MANY:
        text = "hidden rows, struck-through cells and comments were not looked at: the sheet is large"
        return [Finding(grid.sheet, "", "info", "", text)]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            sheet = openpyxl.load_workbook(io.BytesIO(data))[grid.sheet]
        except Exception as exc:  # the values are read already; the audit is an extra look
            text = f"hidden rows, struck-through cells and comments could not be looked at ({type(exc).__name__})"
            return [Finding(grid.sheet, "", "warning", "", text)]
    return [*_hidden(grid, sheet, first_row, columns), *_cell_marks(grid, sheet, first_row, columns)]


def _hidden(grid: Grid, sheet: Any, first_row: int, columns: dict[int, str]) -> Iterator[Finding]:
    for number, dimension in sorted(sheet.row_dimensions.items()):
        if dimension.hidden and first_row < number <= len(grid.rows) and any(as_text(v) for v in grid.rows[number - 1]):
            message = "the row is hidden and was read as any other; exclude it with a reason if it is not to count"
            yield Finding(grid.cell(number - 1), "", "warning", as_text(grid.rows[number - 1][0]), message)
    for letters, dimension in sorted(sheet.column_dimensions.items()):
        index = column_number(letters) - 1
        if dimension.hidden and index in columns:
            message = "the column is hidden in the workbook and was read as any other"
            yield Finding(f"{grid.sheet}!{letters}", columns[index], "warning", columns[index], message)


def _cell_marks(grid: Grid, sheet: Any, first_row: int, columns: dict[int, str]) -> Iterator[Finding]:
    for row in sheet.iter_rows():
        for cell in row:
            comment = getattr(cell, "comment", None)
            if comment is not None:
                text = " ".join(str(comment.text).split())
                name = columns.get(cell.column - 1, "")
                yield Finding(f"{grid.sheet}!{cell.coordinate}", name, "info", text, "comment in the workbook")
            if cell.row <= first_row or cell.value is None:
                continue
            name = columns.get(cell.column - 1, "")
            if name and cell.font is not None and cell.font.strike:
                message = "struck through and read as any other; exclude the row with a reason if it is not to count"
                yield Finding(f"{grid.sheet}!{cell.coordinate}", name, "warning", as_text(cell.value), message)
            if name == "load" and (unit := _FORMAT_UNIT.search(cell.number_format or "")):
                message = f"the cell's number format shows the unit {unit[1]!r}; the unit stated by the log was used"
                yield Finding(f"{grid.sheet}!{cell.coordinate}", name, "warning", as_text(cell.value), message)
