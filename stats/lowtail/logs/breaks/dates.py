"""The date column: kept as text, ISO where the file leaves no doubt, with a finding where a day is in doubt."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from lowtail.logs.cells import as_text

if TYPE_CHECKING:
    from lowtail.logs.breaks.work import Work

__all__ = ["date_texts", "serial_date"]

_FIRST, _LAST = 20_000, 80_000  # serials of 1954 and 2119


def serial_date(number: float, from_1904: bool = False) -> str:
    """ISO date of a spreadsheet's day number.

    Examples
    --------
    >>> serial_date(45415), serial_date(43953, from_1904=True)
    ('2024-05-03', '2024-05-03')
    """
    start = datetime(1904, 1, 1) if from_1904 else datetime(1899, 12, 30)
    return (start + timedelta(days=int(number))).date().isoformat()


def _either_way(text: str) -> bool:
    """Whether day and month of a date such as 03/04/2024 could change places."""
    parts = re.fullmatch(r"([0-9]{1,2})[/.\-]([0-9]{1,2})[/.\-][0-9]{2,4}", text)
    return parts is not None and int(parts[1]) <= 12 and int(parts[2]) <= 12 and int(parts[1]) != int(parts[2])


def date_texts(work: Work, name: str, cells: list[Any]) -> list[str]:
    """Dates as text; numbers of days become ISO dates in a workbook, on record."""
    texts, serials, doubtful = [], [], []
    for i, cell in enumerate(cells):
        text = as_text(cell)
        if isinstance(cell, (int, float)) and not isinstance(cell, bool) and _FIRST <= cell <= _LAST:
            serials.append(i)
            text = serial_date(cell, work.grid.from_1904)
        elif (isinstance(cell, str) and re.fullmatch(r"[2-7][0-9]{4}", text)) or (
            isinstance(cell, str) and _either_way(text)
        ):
            doubtful.append(i)
        texts.append(text)
    if serials:
        message = f"{len(serials)} numbers of days read as dates"
        work.note(serials[0], name, "info", cells[serials[0]], message)
    if doubtful:
        message = f"{len(doubtful)} dates can be read two ways; kept as text. Write YYYY-MM-DD"
        work.note(doubtful[0], name, "info", cells[doubtful[0]], message)
    return texts
