"""The rows of a force-time file, block by block, so that memory does not grow with the text."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.parallel import run
from lowtail.errors import BadCell, TableError
from lowtail.logs.findings import Finding
from lowtail.logs.traces.columns import Roles
from lowtail.logs.traces.layout import CLOCK, Layout, number_pattern, split_cells, text_lines

__all__ = ["Block", "read_rows"]

BLOCK_BYTES = 4 * 2**20
MAX_LINE = 2**20
MAX_WHOLE = 64 * 2**20
_FOOTER = 50  # lines without numbers that may stand below the data
_SHOWN = 20  # bad cells kept a block
_OVERLOAD = re.compile(r"\W*(?:ov(?:e?r)?[ -]?(?:load|flow|range)?|ol|ovl|sat\w*|[+-]?inf\w*|#+)\W*", re.IGNORECASE)


class Bad(NamedTuple):
    """A row that holds no sample: its line, the cell that failed, why, and whether its other cells are data."""

    line: int
    column: str
    got: str
    why: str
    data: bool


@dataclass(slots=True)
class Block:
    """Rows of one block: one array a column wanted; NaN rows are bad and described in ``bad`` by line in the block."""

    values: NDArray[np.float64]
    lines: int
    blank: int = 0
    bad: list[Bad] = field(default_factory=list)
    n_bad: int = 0
    tail_bad: int = 0
    line_of: NDArray[np.int64] | None = None


def _cuts(path: Path, layout: Layout) -> tuple[list[tuple[int, int]], int]:
    """Byte ranges that end at line ends, starting at the first row of data, and the line number of the first range."""
    size = path.stat().st_size
    with path.open("rb") as handle:
        head = handle.read(2**16)
        if layout.encoding == "utf-16" or (b"\n" not in head and b"\r" in head):
            if size > MAX_WHOLE:
                raise TableError(f"Trace {path.name!r}: files in UTF-16 or with old line ends may have at most 64 MB.")
            return [(0, size)], 1
        handle.seek(0)
        for _ in range(layout.data_line - 1):
            handle.readline(MAX_LINE)
        start, ranges = handle.tell(), []
        while start < size:
            handle.seek(min(start + BLOCK_BYTES, size))
            rest = handle.readline(MAX_LINE)
            if len(rest) == MAX_LINE and not rest.endswith(b"\n"):
                raise TableError(
                    f"Trace {path.name!r} has a line of more than 1 MB. It is no table with a row a sample."
                )
            ranges.append((start, handle.tell()))
            start = handle.tell()
    return ranges, layout.data_line


def read_block(path: str, start: int, stop: int, layout: Layout, wanted: tuple[int, ...], clock: bool) -> Block:
    """Read one byte range: fast where every cell is a plain number, else line by line to find the bad ones."""
    with Path(path).open("rb") as handle:
        handle.seek(start)
        raw = handle.read(stop - start)
    text = _decode(Path(path).name, raw.replace(b"\x00", b"?") if layout.encoding != "utf-16" else raw, layout.encoding)
    rows = text_lines(text)
    if start == 0 and layout.data_line > 1 and (layout.encoding == "utf-16" or b"\n" not in raw):
        rows = rows[layout.data_line - 1 :]
    text = "\n".join(rows)
    fast = None if clock or "\r" in text else _fast(text, layout, wanted)
    return fast if fast is not None else _slow(text, layout, wanted, clock)


def _decode(name: str, raw: bytes, encoding: str) -> str:
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError as exc:
        if encoding == "utf-16":
            raise TableError(f"Trace {name!r} is no valid UTF-16 text ({exc.reason} at byte {exc.start}).") from None
        return raw.decode("latin-1")  # digits and marks are the same bytes; only words elsewhere may differ


def _fast(text: str, layout: Layout, wanted: tuple[int, ...]) -> Block | None:
    import pandas as pd

    lines = text.count("\n") + (not text.endswith("\n"))
    order = sorted(wanted)
    if not _even_rows(text, layout):
        return None
    try:
        frame = pd.read_csv(
            io.StringIO(text),
            sep=r"\s+" if layout.delimiter == " " else layout.delimiter,
            decimal=layout.decimal,
            header=None,
            usecols=order,
            dtype=np.float64,
            na_filter=False,
            index_col=False,
            **_exact(pd.__version__),
        )
    except (ValueError, pd.errors.ParserError, pd.errors.EmptyDataError, OverflowError):
        return None
    values = frame.to_numpy(dtype=np.float64)[:, [order.index(w) for w in wanted]]
    if len(frame) > lines or not np.isfinite(values).all():
        return None
    return Block(values=values, lines=lines, blank=lines - len(frame))


def _exact(version: str) -> dict[str, Any]:
    """Ask for the nearest double to every number; from pandas 3.1 on it is what is always given."""
    major, minor = (int(part) for part in version.split(".")[:2])
    return {} if (major, minor) >= (3, 1) else {"float_precision": "round_trip"}


def _even_rows(text: str, layout: Layout) -> bool:
    """Whether every row has the table's number of cells; a row that is cut or split must not be read by position."""
    mark = layout.delimiter
    if mark == " ":
        return {len(line.split()) for line in text.split("\n")} <= {0, layout.width}
    counts = {line.count(mark) for line in text.split("\n") if line.strip()}
    return '"' not in text and (counts == {layout.width - 1} or (counts == {layout.width} and f"{mark}\n" in text))


def _clock(cell: str) -> float:
    match = CLOCK.fullmatch(cell)
    if match is None:
        raise ValueError(cell)
    hours, minutes, seconds = int(match[1] or 0), int(match[2]), float(match[3].replace(",", "."))
    if match[4]:
        if not 1 <= hours <= 12:
            raise ValueError(cell)
        hours = hours % 12 + (12 if match[4].casefold() == "pm" else 0)
    if hours > 23 or minutes > 59 or seconds >= 60:
        raise ValueError(cell)
    return 3600.0 * hours + 60.0 * minutes + seconds


def _slow(text: str, layout: Layout, wanted: tuple[int, ...], clock: bool) -> Block:
    number = number_pattern(layout.decimal)
    rows: list[list[float]] = []
    line_of: list[int] = []
    block = Block(values=np.empty((0, len(wanted))), lines=0)
    lines = text.split("\n")
    if lines and lines[-1] == "":
        lines.pop()
    for at, line in enumerate(lines):
        if not line.strip():
            block.blank += 1
            continue
        row, bad = _row(at, line, layout, wanted, clock, number)
        if bad is None:
            block.tail_bad = 0
            rows.append(row)
            line_of.append(at)
            continue
        block.n_bad += 1
        block.tail_bad += 1
        if len(block.bad) >= _FOOTER + _SHOWN:  # keep the first ones for the message and the last ones for a footer
            del block.bad[_SHOWN]
        block.bad.append(bad)
    block.lines = len(lines)
    block.values = np.array(rows, dtype=np.float64).reshape(-1, len(wanted))
    block.line_of = np.array(line_of, dtype=np.int64)
    return block


def _row(
    at: int, line: str, layout: Layout, wanted: tuple[int, ...], clock: bool, number: re.Pattern[str]
) -> tuple[list[float], Bad | None]:
    """Values of one row, or what is wrong with it."""
    cells = split_cells(line, layout.delimiter)
    row: list[float] = []
    good = 0
    bad: Bad | None = None
    for place, column in enumerate(wanted):
        cell = cells[column] if column < len(cells) else ""
        try:
            if clock and place == len(wanted) - 1:
                row.append(_clock(cell))
            elif number.fullmatch(cell) and np.isfinite(value := float(cell.replace(",", "."))):
                row.append(value)
            else:
                raise ValueError(cell)
            good += place > 0 or len(wanted) == 1
        except ValueError:
            name = layout.names[column] or f"column {column + 1}"
            bad = bad or Bad(at, name, cell, _why(cell, cells, layout), False)
    if bad is None and len(cells) > layout.width:
        bad = Bad(at, "", line[:80], _why("", cells, layout), True)
    if bad is not None:
        wordless = bad.got != "" and not re.search(r"[^\W\d_]", re.sub(r"(?i)nan|null|none|n/?a", "", line))
        data = bad.data or wordless or bool(_OVERLOAD.fullmatch(bad.got)) or (good > 0 and len(cells) >= layout.width)
        bad = bad._replace(data=data)
    return row, bad


def _why(cell: str, cells: Sequence[str], layout: Layout) -> str:
    if len(cells) > layout.width:
        return f"the row has {len(cells)} cells, the table {layout.width}. Correct the row."
    if cell == "":
        return "the cell is empty, a number is required. Fill it, or omit the row and say so."
    other = "." if layout.decimal == "," else ","
    if re.search(r"\d" + re.escape(other) + r"\d", cell):
        known = f"this file uses the decimal {'comma' if layout.decimal == ',' else 'point'}"
        return f"{cell[:40]!r} has a '{other}', while {known}. Correct it, or pass decimal={other!r}."
    if _OVERLOAD.fullmatch(cell):
        return f"{cell[:40]!r} means that the cell was beyond its range there: the true peak is not in this file."
    return f"{cell[:40]!r} is not a plain number. Correct it, or omit the row and say so."


def read_rows(
    path: Path, layout: Layout, roles: Roles, *, n_jobs: int = 1, progress: bool | None = None
) -> tuple[list[NDArray[np.float64]], list[Finding], NDArray[np.int64] | None]:
    """Read the wanted columns of the whole file.

    Returns
    -------
    tuple
        Arrays for force, peak-hold (where there is one) and time (where there is one), the findings, and the line
        number of each row where they do not simply follow one another.

    Raises
    ------
    TableError
        With every bad cell (the first twenty are listed).
    """
    wanted = tuple(c for c in (roles.force, roles.peak, roles.time) if c is not None)
    ranges, line = _cuts(path, layout)
    jobs = [(str(path), a, b, layout, wanted, roles.clock) for a, b in ranges]
    blocks = run(read_block, jobs, n_jobs=n_jobs, progress=progress, label=path.name)
    if layout.encoding == "utf-16" or line != layout.data_line:
        line = layout.data_line
    findings = _judge(path.name, blocks, line)
    starts = line + np.cumsum([0, *(b.lines for b in blocks)])[:-1]
    numbers = None
    if any(b.blank or b.n_bad for b in blocks):
        parts = [
            s + (b.line_of if b.line_of is not None else np.arange(len(b.values)))
            for s, b in zip(starts, blocks, strict=True)
        ]
        numbers = np.concatenate(parts)
    arrays = []
    for column in range(len(wanted)):
        arrays.append(np.concatenate([b.values[:, column] for b in blocks]))
    return arrays, findings, numbers


def _judge(name: str, blocks: list[Block], first_line: int) -> list[Finding]:
    """Bad cells stop the reading; lines without numbers at the very end are a footer and are listed."""
    starts = first_line + np.cumsum([0, *(b.lines for b in blocks)])[:-1]
    n_bad, tail = sum(b.n_bad for b in blocks), 0
    for block in reversed(blocks):
        tail += block.tail_bad
        if len(block.values):
            break
    bad = [b._replace(line=int(s) + b.line) for s, block in zip(starts, blocks, strict=True) for b in block.bad]
    findings = []
    cut = [b for b in bad if b.got == ""]
    if 0 < n_bad <= _FOOTER and n_bad == tail and not any(b.data for b in bad) and cut in ([], bad[-1:]):
        for b in bad:
            what = "The last row is cut off" if b.got == "" else "Below the data"
            findings.append(Finding(f"line {b.line}", b.column, "warning", b.got[:120], f"{what}: left aside."))
    elif n_bad:
        cells = [BadCell(f"line {b.line}", b.column, b.got, b.why) for b in bad[:_SHOWN]]
        more = f" ({n_bad - len(cells)} more not listed)" if n_bad > len(cells) else ""
        raise TableError(f"Trace {name!r}: {n_bad} row(s) cannot be read{more}.", cells)
    blank = sum(b.blank for b in blocks)
    if blank:
        findings.append(
            Finding("file", "", "info", f"{blank} blank lines", "Blank lines hold no sample and were passed over.")
        )
    return findings
