"""Labels that are nearly the same: reported with the exact fix, never merged."""

from __future__ import annotations

import re
from collections.abc import Iterator
from difflib import SequenceMatcher
from itertools import combinations
from typing import TYPE_CHECKING

from lowtail.records.findings import Finding
from lowtail.records.near_columns import letters_apart

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["near_labels", "nearly_equal"]

_COLUMNS = ("item", "orientation", "method", "batch", "condition")
_MANY = 150


def nearly_equal(one: str, other: str) -> bool:
    """Whether two labels look like two spellings of one.

    Numbers must agree, and so must words of one or two letters: "cord 6 mm" and "cord 8 mm", "batch A" and "batch B"
    differ for a reason.

    Examples
    --------
    >>> nearly_equal("major axis", "major-axis"), nearly_equal("major axis", "maj. axis")
    (True, True)
    >>> nearly_equal("shok", "shock"), nearly_equal("major axis", "minor axis"), nearly_equal("cord 6 mm", "cord 8 mm")
    (True, False, False)
    """
    if re.findall(r"[0-9]+", one) != re.findall(r"[0-9]+", other):
        return False
    if re.sub(r"[\W_]+", "", one) == re.sub(r"[\W_]+", "", other):
        return True
    a, b = (re.findall(r"[^\W_]+\.?", text) for text in (one, other))
    return len(a) == len(b) and all(_same_word(x, y) for x, y in zip(a, b, strict=True))


def _same_word(one: str, other: str) -> bool:
    x, y = one.rstrip("."), other.rstrip(".")
    if x == y:
        return True
    short, long = sorted((x, y), key=len)
    marked = one.endswith(".") or other.endswith(".") or len(long) == len(short) + 1
    if len(short) >= 3 and long.startswith(short) and marked:
        return True  # an abbreviation with its dot, or a plural
    if len(short) >= 4 and len(x) != len(y) and letters_apart(x, y, 1) == 1:
        return True  # a letter left out or doubled: "shok" beside "shock"
    return len(short) >= 5 and x[0] == y[0] and SequenceMatcher(None, x, y).ratio() >= 0.85


def near_labels(table: pd.DataFrame) -> Iterator[Finding]:
    """Pairs of labels of one column that look like two spellings of one."""
    for name in _COLUMNS:
        counts = table.loc[table[name] != "", name].value_counts()
        if not 2 <= len(counts) <= _MANY:
            continue
        first = table.drop_duplicates(name).set_index(name)["cell"]
        for often, seldom in combinations(counts.index, 2):
            if nearly_equal(often.casefold(), seldom.casefold()):
                message = (
                    f"nearly the same as {often!r} ({counts[often]} rows) and kept apart: one group may stand in two. "
                    f"If they are one, pass "
                    f"labels={{{name!r}: {{{seldom!r}: {often!r}}}}} or correct the cells"
                )
                yield Finding(str(first[seldom]), name, "warning", f"{seldom} ({counts[seldom]} rows)", message)
