"""Characters that no one sees: a byte-order mark inside a file, and others without width. Taken off, on record."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from lowtail.logs.findings import Finding

if TYPE_CHECKING:
    from lowtail.logs.sheets.grid import Grid

__all__ = ["INVISIBLE", "take_off_invisible"]

# soft hyphen, zero-width space, direction marks, word joiner, byte-order mark; joiners within words change their look
INVISIBLE = re.compile("[\u00ad\u200b\u200e\u200f\u202a-\u202e\u2060\u2066-\u2069\ufeff]")
_MARK = "\ufeff"


def take_off_invisible(grid: Grid) -> None:
    """Take characters without width out of every cell; a warning names the first cell and says how many had one.

    Two labels that differ in such a character look alike and would stand in two groups.
    """
    marked: list[tuple[int, int]] = []
    others: list[tuple[int, int]] = []
    for r, row in enumerate(grid.rows):
        for c, value in enumerate(row):
            if type(value) is str and INVISIBLE.search(value):
                (marked if _MARK in value else others).append((r, c))
                row[c] = INVISIBLE.sub("", value)
    for places, what in (
        (marked, "a byte-order mark stands inside the table, as where two files were joined"),
        (others, "characters without width stand in the text"),
    ):
        if places:
            cell = grid.cell(*places[0])
            many = f"{len(places)} cells, the first here" if len(places) > 1 else "1 cell"
            message = f"{what} ({many}); taken off. Look at the rows around it"
            grid.findings.append(Finding(cell, "", "warning", "", message))
