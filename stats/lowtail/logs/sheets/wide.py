"""Tables that hold loads side by side, and loads written as stresses: a sentence that says what to do."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from lowtail.logs.cells import as_text
from lowtail.logs.units import is_stress

__all__ = ["is_number", "stress_advice", "wide_advice"]

_LOAD = re.compile(r"[<>≥≤~= ]*[-+]?[0-9][0-9.,' \u00a0\u202f]*[A-Za-z]{0,4}")
_UNITS = (re.compile(r"[\[(]\s*([^\[\]()]+?)\s*[\])]\s*\Z"), re.compile(r"[\s_,:]([^\s_,:\[\]()]+)\s*\Z"))


def wide_advice(rows: Sequence[Sequence[Any]], columns: Sequence[int] | None = None) -> str:
    """What to do about a table with its loads side by side: "" where it does not look like one.

    Parameters
    ----------
    rows : sequence of rows
        Header first.
    columns : sequence of int, optional
        The columns to look at. Default: all, and most of them must then hold numbers.
    """
    full = [r for r in rows if sum(bool(as_text(v)) for v in r) >= 2]
    if len(full) < 2:
        return ""
    head, body = full[0], full[1:]
    named = [i for i, v in enumerate(head) if as_text(v)]
    looked_at = named if columns is None else [i for i in columns if i in named]
    loads = [i for i in looked_at if _all_loads([r[i] for r in body if i < len(r)])]
    if len(loads) < 2 or (columns is None and len(loads) < 0.6 * len(named)):
        return ""
    heads = [as_text(head[i]) for i in loads]
    shown = ", ".join(map(repr, heads[:4])) + (" ..." if len(heads) > 4 else "")
    goal = (
        "turn the table to one row a specimen, with the group's name in the column item, its load in the column "
        "'load [kN]' and what happened in the column outcome."
    )
    if len({re.sub(r"[0-9]+", "", h).casefold() for h in heads}) == 1:
        return f"It looks like a row a group, its specimens side by side ({shown}): {goal}"
    return f"It looks like a column a group ({shown}): {goal}"


def stress_advice(texts: Sequence[str]) -> str:
    """What to do where a header that is not known names a stress: "" where none does."""
    for text in texts:
        if any(is_stress(found[1]) for unit in _UNITS if (found := unit.search(text))):
            return (
                f"{text!r} holds a stress, and a stress needs the loaded area: pass columns={{'load': {text!r}}} and "
                "give `area_mm2`, in mm2."
            )
    return ""


def _all_loads(cells: Sequence[Any]) -> bool:
    """Whether the cells that are filled look like loads, one at least."""
    filled = [v for v in cells if as_text(v)]
    return bool(filled) and all(map(is_number, filled))


def is_number(value: Any) -> bool:
    """Whether a cell is a number, or a text that looks like one with at most a short unit behind it.

    Examples
    --------
    >>> is_number(22.4), is_number("22,4 kN"), is_number("2024-05-03"), is_number("run 3")
    (True, True, False, False)
    """
    if isinstance(value, str):
        return bool(_LOAD.fullmatch(value.strip()))
    return isinstance(value, (int, float)) and not isinstance(value, bool)
