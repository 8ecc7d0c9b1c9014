"""Columns that are nearly known, and grouping columns that hide elsewhere: reported, never guessed."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import TYPE_CHECKING, Any

from lowtail.glossary import BREAK_LOG
from lowtail.records.cells import as_text, key, word_map
from lowtail.records.findings import Finding
from lowtail.records.header import Header, aliases

if TYPE_CHECKING:
    from lowtail.records.sheets import Grid

__all__ = ["GROUPING", "letters_apart", "near_columns", "pools_unlike"]

GROUPING = ("item", "orientation", "method")
_TOGETHER = {
    "method": "slow pull and shock may stand in one group",
    "orientation": "specimens loaded in different ways may stand in one group",
    "item": "different items may stand in one group",
}


def pools_unlike(findings: Any) -> bool:
    """Whether a finding says that unlike tests may stand in one group, or one group in two."""
    doubts = findings[(findings["level"] == "warning") & findings["column"].isin(GROUPING)]
    return bool(len(doubts))


def letters_apart(one: str, other: str, most: int = 2) -> int:
    """Letters to change, add, take away or swap with their neighbour to turn one word into another, up to ``most + 1``.

    Examples
    --------
    >>> letters_apart("methd", "method"), letters_apart("orientaton", "orientation"), letters_apart("shok", "shock")
    (1, 1, 1)
    >>> letters_apart("colour", "method")
    3
    """
    if abs(len(one) - len(other)) > most:
        return most + 1
    before: list[int] = []
    last = list(range(len(other) + 1))
    for i, a in enumerate(one, start=1):
        row = [i]
        for j, b in enumerate(other, start=1):
            cost = min(last[j] + 1, row[j - 1] + 1, last[j - 1] + (a != b))
            if i > 1 and j > 1 and a == other[j - 2] and one[i - 2] == b:
                cost = min(cost, before[j - 2] + 1)
            row.append(cost)
        before, last = last, row
    return min(last[-1], most + 1)


@cache
def _nearest(text: str) -> str:
    """The one canonical column that a header nearly names: a letter or two from its name or an alias; else ""."""
    word = key(text)
    if len(word) < 5:
        return ""
    close = {
        name
        for alias, name in aliases().items()
        if len(alias) >= 5 and letters_apart(word, alias) <= (1 if len(alias) < 6 else 2)
    }
    return close.pop() if len(close) == 1 else ""


def near_columns(grid: Grid, header: Header, declared: set[str]) -> Iterator[Finding]:
    """Headers a letter or two from a known one, and grouping columns that are missing while their levels stand here."""
    have = set(header.fields) | declared
    for text, index in header.extras.items():
        name = _nearest(text)
        if name and name not in have:
            what = f"; without it {_TOGETHER[name]}" if name in _TOGETHER else ""
            message = (
                f"nearly names the column {name!r} and is not read as it{what}. Correct the header, or pass "
                f"columns={{{name!r}: {text!r}}}"
            )
            yield Finding(grid.cell(header.last, index, text), name, "warning", text, message)
            have.add(name)
    for name in ("method", "orientation"):
        if name not in have:
            yield from _levels_elsewhere(grid, header, name)


def _levels_elsewhere(grid: Grid, header: Header, name: str) -> Iterator[Finding]:
    """The column that holds the levels of a missing grouping column, where there is one."""
    known = word_map("method" if name == "method" else "orientation_levels")
    texts = {
        f.text: f.index
        for n, f in header.fields.items()
        if n in BREAK_LOG and BREAK_LOG[n].kind == "text" and n != "outcome"
    }
    for text, index in (header.extras | texts).items():
        cells = [key(as_text(r[index])) for r in grid.rows[header.last + 1 :] if index < len(r) and as_text(r[index])]
        levels = {known[c] for c in cells if c in known}
        if len(levels) > 1 and sum(c in known for c in cells) >= 0.8 * len(cells):
            message = (
                f"the log has no column {name!r}, and this one holds {', '.join(repr(v) for v in sorted(levels))}: "
                f"{_TOGETHER[name]}. Pass columns={{{name!r}: {text!r}}}"
            )
            yield Finding(grid.cell(header.last, index, text), name, "warning", text, message)
            return
