"""Columns that are nearly known, and grouping columns that hide elsewhere: reported, never guessed."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from functools import cache
from typing import TYPE_CHECKING

from lowtail.glossary import BREAK_LOG
from lowtail.logs.cells import as_text, is_missing, key, word_map
from lowtail.logs.findings import Finding
from lowtail.logs.sheets.header import Header, aliases

if TYPE_CHECKING:
    import pandas as pd

    from lowtail.logs.sheets.grid import Grid

__all__ = ["letters_apart", "levels_in_sheets", "near_columns", "pools_unlike", "sheets_pool"]

_TOGETHER = {
    "method": "slow pull and shock may stand in one group",
    "orientation": "specimens loaded in different ways may stand in one group",
    "item": "different items may stand in one group",
}
_HIDING = 0.8  # share of a column's cells that are levels of another from which on it is asked about


def pools_unlike(findings: pd.DataFrame, by: Collection[str]) -> str:
    """Sentence where a warning on a grouping column says that a group may not be what its name says; else ""."""
    doubts = findings[(findings["level"] == "warning") & findings["column"].isin(list(by))]
    if not len(doubts):
        return ""
    names = ", ".join(dict.fromkeys(doubts["column"]))
    return (
        f"Groups in doubt ({names}): unlike tests may stand in one group, or one group in two. Settle the warnings "
        "above before anything is stated from this log."
    )


def letters_apart(one: str, other: str, most: int = 2) -> int:
    """Letters to change, add, take away or swap with their neighbour to turn one word into another, up to ``most + 1``.

    Examples
    --------
    >>> letters_apart("methd", "method"), letters_apart("orientaton", "orientation"), letters_apart("shokc", "shock")
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


def _near(word: str, known: str) -> bool:
    """Whether two words are a letter apart, or two where both are long and begin alike; digits must agree."""
    short = min(len(word), len(known))
    if short < 4 or re.findall("[0-9]+", word) != re.findall("[0-9]+", known):
        return False
    return letters_apart(word, known) <= (2 if short >= 6 and word[0] == known[0] else 1)


@cache
def _nearest(text: str) -> str:
    """The one canonical column that a header nearly names: a letter or two from its name or an alias; else ""."""
    word = key(re.sub(r"[\[(].*?[\])]", "", text).strip(" :*"))
    if len(word) < 5:
        return ""
    names = {name for alias, name in aliases().items() if _near(word, alias)}
    names |= {name for name in BREAK_LOG if len(name) > len(word) and name.startswith(word)}
    return names.pop() if len(names) == 1 else ""


def near_columns(grid: Grid, header: Header, declared: Collection[str]) -> Iterator[Finding]:
    """Headers a letter or two from a known one, and grouping columns that are missing while their levels stand here."""
    rows = grid.rows[header.last + 1 :]
    have = {n for n, f in header.fields.items() if any(map(as_text, _column(rows, f.index)))} | set(declared)
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
    load = header.fields.get("load")
    rows = [r for r in rows if load is None or not is_missing(r[load.index] if load.index < len(r) else None)]
    for name in ("method", "orientation"):
        if name not in have:
            yield from _levels_elsewhere(grid, header, rows, name)


def _column(rows: Sequence[Sequence[object]], index: int) -> list[object]:
    return [r[index] if index < len(r) else None for r in rows]


def _levels(name: str) -> dict[str, str]:
    """Words that are levels of a grouping column, by their key, with what each is read as."""
    return word_map("method" if name == "method" else "orientation_levels")


def _levels_elsewhere(grid: Grid, header: Header, rows: Sequence[Sequence[object]], name: str) -> Iterator[Finding]:
    """The column that holds the levels of a missing grouping column: several, or one in some of the rows."""
    known = _levels(name)
    texts = {
        f.text: f.index
        for n, f in header.fields.items()
        if n in BREAK_LOG and BREAK_LOG[n].kind == "text" and n not in ("item", "outcome")  # items stand apart already
    }
    for text, index in (header.extras | texts).items():
        raw = [as_text(v) for v in _column(rows, index)]
        cells = [key(re.sub(r"[\s#-]*[0-9]+\Z", "", v)) for v in raw]  # as in the names "shock 1", "shock 2"
        filled = [c for c in cells if c]
        levels = {known[c] for c in filled if c in known}
        some = len(levels) > 1 or (levels and len(filled) < len(cells))
        if some and sum(c in known for c in filled) >= _HIDING * len(filled):
            plain = all(key(v) in known for v in raw if v)
            what = f"Pass columns={{{name!r}: {text!r}}}, or add" if plain and len(filled) == len(cells) else "Add"
            message = (
                f"the log states no {name}, and this column holds {', '.join(map(repr, sorted(levels)))}: "
                f"{_TOGETHER[name]}. {what} the column {name!r}"
            )
            yield Finding(grid.cell(header.last, index, text), name, "warning", text, message)
            return


def levels_in_sheets(titles: Sequence[str], name: str) -> list[str]:
    """Titles of sheets that hold a level of a grouping column, as in ``Slow pull 2024`` and ``Drops``.

    Examples
    --------
    >>> levels_in_sheets(["Slow pull 2024", "Drops", "Notes"], "method")
    ['Slow pull 2024', 'Drops']
    """
    words = "|".join(re.escape(w) for w in _levels(name) if w != "fall")  # a season as well
    return [t for t in titles if re.search(rf"(?:\A|\s)(?:{words})s?(?:\s|\Z)", key(t))]


def sheets_pool(grids: Sequence[tuple[Grid, Header]], declared: Collection[str]) -> Iterator[Finding]:
    """Sheets read together whose titles say what no column says."""
    titles = [grid.sheet for grid, _ in grids]
    for name in ("method", "orientation"):
        if name in declared or any(name in header.fields for _, header in grids):
            continue
        if said := levels_in_sheets(titles, name):
            message = (
                f"no sheet has a column {name!r}, while titles of sheets say it ({', '.join(map(repr, said))}): "
                f"{_TOGETHER[name]}. Add the column to every sheet, or group by sheet instead: "
                f"by=('item', {'method' if name == 'orientation' else 'orientation'!r}, 'sheet')"
            )
            yield Finding(titles[0], name, "warning", ", ".join(titles), message)
