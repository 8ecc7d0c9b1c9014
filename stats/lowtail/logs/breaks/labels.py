"""Labels that are nearly the same: reported with the exact fix, never merged."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from difflib import SequenceMatcher
from itertools import combinations
from typing import TYPE_CHECKING

from lowtail.logs.cells import key, word_map
from lowtail.logs.findings import Finding
from lowtail.logs.sheets.near_columns import letters_apart

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["near_labels", "nearly_equal"]

_COLUMNS = ("item", "orientation", "method", "batch", "condition", "assembly")
_MANY = 150
_RARE = 3  # a label that another outnumbers so many times may be that one with a letter changed
_ROMAN = re.compile("[ivxlcdm]+")


def nearly_equal(one: str, other: str, rare: bool = False) -> bool:
    """Whether two labels look like two spellings of one.

    Numbers must agree, and so must words of one or two letters and Roman numerals: "cord 6 mm" and "cord 8 mm",
    "batch A" and "batch B", "type VII" and "type VIII" differ for a reason.

    Parameters
    ----------
    one, other : str
        The labels, without case.
    rare : bool
        Whether one of them stands in far fewer rows: then a changed letter is enough, as in "shick" beside "shock".

    Examples
    --------
    >>> nearly_equal("major axis", "major-axis"), nearly_equal("major axis", "maj. axis")
    (True, True)
    >>> nearly_equal("shok", "shock"), nearly_equal("major axis", "minor axis"), nearly_equal("cord 6 mm", "cord 8 mm")
    (True, False, False)
    >>> nearly_equal("shick", "shock"), nearly_equal("shick", "shock", rare=True)
    (False, True)
    """
    if re.findall(r"[0-9]+", one) != re.findall(r"[0-9]+", other):
        return False
    if re.sub(r"[\W_]+", "", one) == re.sub(r"[\W_]+", "", other):
        return True
    a, b = (re.findall(r"[^\W_]+\.?", text) for text in (one, other))
    among = len(a) == len(b) and any(x == y for x, y in zip(a, b, strict=True))
    return len(a) == len(b) and all(_same_word(x, y, rare, among) for x, y in zip(a, b, strict=True))


def _same_word(one: str, other: str, rare: bool, among: bool) -> bool:
    """Whether two words look like one; ``among`` says that another word of the label is the same in both."""
    x, y = one.rstrip("."), other.rstrip(".")
    if x == y:
        return True
    if re.search("[0-9]", x + y) or (_ROMAN.fullmatch(x) and _ROMAN.fullmatch(y)):
        return False
    short, long = sorted((x, y), key=len)
    marked = one.endswith(".") or other.endswith(".") or len(long) == len(short) + 1
    if len(short) >= 3 and long.startswith(short) and marked:
        return True  # an abbreviation with its dot, or a plural
    if letters_apart(x, y, 1) == 1:
        changed = len(x) == len(y) and sorted(x) != sorted(y)
        if not changed and (len(short) >= 4 or (among and len(short) == 3 and x[0] == y[0])):
            return True  # a letter left out, doubled or swapped: "shok", "shokc" beside "shock"
        if changed and rare and len(short) >= 5:
            return True
    return len(short) >= 5 and x[0] == y[0] and SequenceMatcher(None, x, y).ratio() >= 0.85


def near_labels(table: pd.DataFrame, declared: Mapping[str, Mapping[str, str]] | None = None) -> Iterator[Finding]:
    """Pairs of labels of one column that look like two spellings of one; one declared to be itself is left alone."""
    for name in _COLUMNS:
        counts = table.loc[table[name] != "", name].value_counts()
        first = table.drop_duplicates(name).set_index(name)["cell"]
        own = {
            new.casefold() for old, new in (declared or {}).get(name, {}).items() if old.casefold() == new.casefold()
        }
        seen: set[str] = set()
        if len(counts) > _MANY:
            message = f"{len(counts)} different labels, too many to be held against each other for near spellings"
            yield Finding("file", name, "info", "", message)
        for often, seldom in combinations(counts.index, 2) if len(counts) <= _MANY else ():
            rare = counts[often] >= _RARE * counts[seldom]
            if seldom.casefold() not in own and nearly_equal(often.casefold(), seldom.casefold(), rare):
                seen.add(seldom)
                message = (
                    f"nearly the same as {often!r} ({_rows(counts[often])}) and kept apart: one group may stand in "
                    f"two. If they are one, pass labels={{{name!r}: {{{seldom!r}: {often!r}}}}} or correct the cells; "
                    f"if they are two, pass labels={{{name!r}: {{{seldom!r}: {seldom!r}}}}}"
                )
                yield Finding(str(first[seldom]), name, "warning", f"{seldom} ({_rows(counts[seldom])})", message)
        if name == "method":
            for label in counts.index:
                if label.casefold() not in own and label not in seen and (word := _near_method(label)):
                    message = (
                        f"no word for a way of loading that is known here, and nearly {word!r}, which is read as "
                        f"{word_map('method')[word]!r}. If it is that, pass labels={{'method': {{{label!r}: "
                        f"{word_map('method')[word]!r}}}}}; if not, pass labels={{'method': {{{label!r}: {label!r}}}}}"
                    )
                    yield Finding(str(first[label]), name, "warning", f"{label} ({_rows(counts[label])})", message)


def _rows(count: int) -> str:
    return f"{count} row{'s' if count != 1 else ''}"


def _near_method(label: str) -> str:
    """The known word for a way of loading that a label is a letter from (two where it is long); "" where none is."""
    word = key(label)
    known = word_map("method")
    if word in known or len(word) < 4 or re.search("[0-9]", word):
        return ""
    near = (k for k in known if len(k) >= 5 and letters_apart(word, k) <= (2 if len(k) >= 8 and len(word) >= 8 else 1))
    return next(near, "")
