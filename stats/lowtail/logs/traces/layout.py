"""Where the numbers stand in a force-time file: encoding, delimiter, decimal mark, header, preamble."""

from __future__ import annotations

import codecs
import csv
import os
import re
import stat
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from lowtail._shared.choices import MARKS
from lowtail.errors import InputError, TableError

__all__ = ["CLOCK", "Layout", "find_layout", "number_pattern", "open_check", "split_cells", "text_lines"]

HEAD_BYTES = 256 * 1024
_DELIMITERS = {";": "semicolon", "\t": "tab", ",": "comma", "|": "bar", " ": "blanks"}
_RUN = 5  # lines in a row that must look like data
CLOCK = re.compile(
    r"(?:\d{1,4}[-./]\d{1,2}[-./]\d{1,4}[T ]\s*)?(?:(\d{1,2}):)?(\d{1,2}):(\d{2}(?:[.,]\d+)?)\s*([AaPp][Mm])?Z?"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a force-time file is laid out. Line numbers count from 1; ``header_line`` 0 means none."""

    encoding: str
    delimiter: str
    decimal: str
    data_line: int
    header_line: int
    width: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    preamble: tuple[str, ...]
    first_rows: tuple[tuple[str, ...], ...]
    decided: bool = True

    @property
    def says(self) -> str:
        """The layout in words."""
        mark = "comma" if self.decimal == "," else "point"
        return f"delimiter {_DELIMITERS[self.delimiter]}, decimal {mark}, {self.encoding}"

    def split(self, line: str) -> list[str]:
        """Cells of one line, trimmed, quotes taken off."""
        return split_cells(line, self.delimiter)


def open_check(path: str | os.PathLike[str]) -> Path:
    """Refuse what is not an ordinary readable file.

    Raises
    ------
    InputError
        If the path is missing, a folder, a pipe or device, empty, or may not be read.
    """
    file = Path(path)
    try:
        mode = os.stat(file).st_mode
    except (OSError, ValueError) as exc:
        reason = getattr(exc, "strerror", None) or str(exc)
        raise InputError(f"Trace {file.name!r} cannot be opened: {reason}. Give the path of a text file.") from exc
    if not stat.S_ISREG(mode):
        kind = "a folder" if stat.S_ISDIR(mode) else "not an ordinary file"
        raise InputError(f"Trace {file.name!r} is {kind}. Give the path of a text file (CSV, TSV, TXT).")
    if os.stat(file).st_size == 0:
        raise TableError(f"Trace {file.name!r} is empty.")
    if not os.access(file, os.R_OK):
        raise InputError(f"Trace {file.name!r} may not be read. Change its permissions.")
    return file


def _decode(raw: bytes, name: str) -> tuple[str, str]:
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return raw[: len(raw) // 2 * 2].decode("utf-16", errors="replace"), "utf-16"
    if b"\x00" in raw or raw.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"\x1f\x8b")):
        raise TableError(
            f"Trace {name!r} is not a text file (workbook, archive or instrument format). Export it as CSV."
        )
    for encoding in ("utf-8-sig", "cp1252", "latin-1"):
        try:
            return codecs.getincrementaldecoder(encoding)().decode(raw, final=False), encoding
        except UnicodeDecodeError:
            continue
    raise TableError(f"Trace {name!r} cannot be decoded as text.")  # pragma: no cover - latin-1 decodes everything


def text_lines(text: str) -> list[str]:
    """Lines of a text, by one rule for head and body: line feeds, or carriage returns where there is no line feed."""
    text = text.lstrip("\ufeff")
    return re.sub("\r+\n", "\n", text).split("\n") if "\n" in text else text.split("\r")


def number_pattern(decimal: str) -> re.Pattern[str]:
    """Pattern of a plain number with this decimal mark: no thousands separators, no unit."""
    d = re.escape(decimal)
    return re.compile(rf"[+-]?(?:\d+(?:{d}\d*)?|{d}\d+)(?:[eE][+-]?\d+)?")


def split_cells(line: str, delimiter: str) -> list[str]:
    """Cells of one line, trimmed, with quotes taken off; a trailing delimiter adds no cell."""
    if delimiter == " ":
        return line.split()
    parts = line.split(delimiter)
    if '"' in line:
        with suppress(csv.Error):  # a huge cell: the plain cells are refused further on
            parts = next(csv.reader([line], delimiter=delimiter))
    cells = [cell.strip() for cell in parts]
    if len(cells) > 1 and cells[-1] == "":
        cells.pop()
    return cells


def _header_cells(line: str, delimiter: str, width: int) -> list[str] | None:
    text = line.lstrip("#%/ ") if delimiter != "\t" else line.lstrip("#%/")
    options = [split_cells(text, delimiter)]
    if delimiter == " ":
        options += [re.split(r"\s{2,}|\t", text.strip()), re.split(r"\s+(?![\[(])", text.strip())]
    return next((cells for cells in options if len(cells) == width), None)


def _data_start(lines: list[str], delimiter: str, decimal: str) -> tuple[int, int, int] | None:
    """Return (first data line, cells a line, numeric cells) for this delimiter and decimal, or None."""
    number = number_pattern(decimal)

    @cache
    def kind(i: int) -> tuple[int, tuple[int, ...]] | None:
        if not re.search(r"\d", lines[i]):
            return None
        cells = split_cells(lines[i], delimiter)
        numeric = [j for j, c in enumerate(cells) if number.fullmatch(c)]
        if not numeric:
            return None
        return len(cells), tuple(sorted({*numeric, *(j for j, c in enumerate(cells) if CLOCK.fullmatch(c))}))

    filled = [i for i, line in enumerate(lines) if line.strip()]
    for place, i in enumerate(filled):
        run = filled[place : place + _RUN]
        first = kind(i)
        if first is not None and all(kind(j) == first for j in run) and (len(run) == _RUN or len(filled) - place >= 2):
            return i, first[0], len(first[1])
    return None


def _candidates(lines: list[str], decimal: str | None) -> list[tuple[int, int, int, str, str]]:
    found = []
    middle = [line.strip() for line in lines[len(lines) // 2 :] if line.strip()][:60] or lines
    lone = any(number_pattern(mark).fullmatch(line.strip('"')) for mark in ".," for line in middle)
    for delimiter in _DELIMITERS:
        if not any(delimiter in line for line in middle) and not (delimiter == ";" and lone):
            continue  # where it is nowhere among the data it is no delimiter
        for mark in (".", ",") if decimal is None else (decimal,):
            if mark == delimiter and not any('"' in line for line in lines):
                continue
            start = _data_start(lines, delimiter, mark)
            if start is not None and (start[1] > 1 or delimiter == ";"):  # one column needs no delimiter
                found.append((*start, delimiter, mark))
    return found


def find_layout(path: Path, decimal: str | None = None) -> Layout:
    """Find encoding, delimiter, decimal mark, header and preamble in the first 256 KB of a file.

    Parameters
    ----------
    path : Path
        An ordinary file.
    decimal : {".", ","}, optional
        The decimal mark, where the file alone does not decide.

    Returns
    -------
    Layout
        The layout, with the header's names and units as written.

    Raises
    ------
    TableError
        If no rows of numbers are found, or the file can be read in more than one way.
    """
    if decimal not in (None, *MARKS):
        raise InputError(f"`decimal` must be '.' or ',' (or None), got {decimal!r}.")
    with path.open("rb") as handle:
        raw = handle.read(HEAD_BYTES)
    text, encoding = _decode(raw, path.name)
    lines = text_lines(text)
    if lines[-1] == "" or len(raw) == HEAD_BYTES:
        lines = lines[:-1]
    if not lines:
        raise TableError(f"Trace {path.name!r} has no line end in its first {HEAD_BYTES // 1024} KB. Export it as CSV.")
    lines = lines[:2000]
    found = _candidates(lines, decimal)
    if not found:
        raise TableError(
            f"Trace {path.name!r} holds no run of rows with numbers (looked for semicolon, tab, comma, bar and blanks "
            "as delimiters, point and comma as decimal mark). Give a plain table: one row a sample."
        )
    return _choose(path.name, lines, found, encoding)


def _choose(name: str, lines: list[str], found: list[tuple[int, int, int, str, str]], encoding: str) -> Layout:
    scored: list[tuple[tuple[int, int, int, int], Layout]] = []
    for run, width, numeric, delimiter, mark in found:
        start, header_line, names, units = _header(lines, run, delimiter, mark, width)
        rows = tuple(tuple(split_cells(line, delimiter)) for line in lines[start : start + 300] if line.strip())
        layout = Layout(
            encoding=encoding,
            delimiter=delimiter,
            decimal=mark,
            data_line=start + 1,
            header_line=header_line,
            width=width,
            names=names,
            units=units,
            preamble=tuple(line.strip() for line in lines[: max(header_line - 1, 0) if header_line else start]),
            first_rows=rows[:200],
        )
        scored.append(((int(numeric == width), int(header_line > 0), numeric, -start), layout))
    clear = any(layout.delimiter != " " and layout.width > 1 and (score[0] or score[1]) for score, layout in scored)
    if clear:  # another delimiter explains every cell, or fits a header: blanks stand inside cells
        scored = [(score, layout) for score, layout in scored if layout.delimiter != " "]
    best = max(score for score, _ in scored)
    top = [layout for score, layout in scored if (score == best if best[1] else score[0] == best[0])]
    if len({layout.delimiter for layout in top}) > 1:
        words = " or ".join(layout.says for layout in top)
        raise TableError(f"Trace {name!r} can be read in more than one way: {words}. Say decimal='.' or decimal=','.")
    chosen = top[0]
    _refuse_mixed_commas(name, lines, chosen)
    if len(top) > 1:
        chosen = _settle_decimal(name, top)
    return chosen


def _refuse_mixed_commas(name: str, lines: list[str], layout: Layout) -> None:
    """A comma as delimiter and as decimal mark in one file doubles the cells of the header."""
    if layout.header_line or layout.delimiter != "," or layout.data_line < 2:
        return
    above = [line for line in lines[: layout.data_line - 1] if line.strip()]
    cells = split_cells(above[-1], ",") if above else []
    if len(cells) > 1 and len(cells) * 2 >= layout.width > len(cells) and any(re.search("[A-Za-z]", c) for c in cells):
        raise TableError(
            f"Trace {name!r}: line {layout.data_line} has {layout.width} cells, the header above it {len(cells)}. The "
            "comma seems to be both delimiter and decimal mark. Export with ';' between the cells."
        )


def _settle_decimal(name: str, top: list[Layout]) -> Layout:
    """Both marks fit: only whole numbers in the rows seen, or commas that may mean thousands."""
    cells = [cell for row in top[0].first_rows for cell in row]
    if any("," in cell or "." in cell for cell in cells):  # cannot fit both patterns
        raise TableError(f"Trace {name!r}: the decimal mark is not clear. Say decimal='.' or decimal=','.")
    chosen = next(layout for layout in top if layout.decimal == ".")
    return Layout(**{f: getattr(chosen, f) for f in Layout.__slots__ if f != "decided"}, decided=False)


def _header(
    lines: list[str], run: int, delimiter: str, decimal: str, width: int
) -> tuple[int, int, tuple[str, ...], tuple[str, ...]]:
    """First row of data, header line, names and units; everything below the header is data, good or bad.

    The header is the nearest line above the run of good rows that has its number of cells and holds letters but no
    number; a row of units may stand below the names. Without header the data begin at the first line that leads up to
    the run with a number in its first cell.
    """
    number = number_pattern(decimal)

    def is_number(cell: str) -> bool:
        return bool(number.fullmatch(cell) or CLOCK.fullmatch(cell))

    empty = ("",) * width
    for i in range(run - 1, -1, -1):
        cells = _header_cells(lines[i], delimiter, width)
        if cells and not any(map(is_number, cells)) and any(re.search(r"[^\W\d_]", c) for c in cells):
            break
    else:
        start = run
        for i in range(run - 1, -1, -1):
            cells = split_cells(lines[i], delimiter)
            if lines[i].strip() and not (cells and is_number(cells[0])):
                break
            start = i if lines[i].strip() else start
        return start, 0, empty, empty
    start = i + 1
    while width > 1 and start < run and not re.search(r"\d", lines[start]):
        start += 1  # blank lines and rules between header and data
    first = [_name_and_unit(c) for c in cells]
    above = next((j for j in range(i - 1, -1, -1) if lines[j].strip()), -1)
    upper = _header_cells(lines[above], delimiter, width) if above >= 0 and _units_row(cells) else None
    if upper is None:
        return start, i + 1, tuple(n for n, _ in first), tuple(u for _, u in first)
    second = [_name_and_unit(c) for c in upper]
    units = tuple(u or n or own for (n, u), (_, own) in zip(first, second, strict=True))
    return start, above + 1, tuple(n for n, _ in second), units


_UNIT_WORD = (
    r"(?:kN|N|daN|MN|k?lbf|kip|kips|kgf|kp|tf|ozf|kg|lbs?|t|s|sec|ms|us|µs|μs|min|h|Hz|mm|cm|m|in|V|mV|mV/V|°C|C|%|-)"
)


def _units_row(cells: list[str]) -> bool:
    filled = [c.strip("[]() ") for c in cells if c.strip("[]() ")]
    return bool(filled) and all(re.fullmatch(_UNIT_WORD, c, re.IGNORECASE) for c in filled)


def _name_and_unit(cell: str) -> tuple[str, str]:
    """Split 'Load [kN]', 'Load (kN)', 'Load, kN', 'Load/kN', 'load_kN', 'Load kN' into name and unit as written."""
    match = re.fullmatch(r"(.*?)[\s_]*[\[(]([^\])]*)[\])]\s*", cell)
    if match:
        return match[1].strip(), match[2].strip()
    match = re.fullmatch(rf"(.+?)\s*(?:[,/_]|\s|\bin\b)\s*({_UNIT_WORD})\s*", cell, re.IGNORECASE)
    if match and match[2] != "-":
        return match[1].strip(" ,/_"), match[2]
    return cell.strip(), ""
