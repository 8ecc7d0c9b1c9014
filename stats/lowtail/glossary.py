"""Every column that goes in or comes out: what it means and in which unit.

`BREAK_LOG` are the columns of a break log (the door); `RESULTS` are the fields of records and tables (the answers).
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BREAK_LOG", "RESULTS", "Column", "meaning"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its meaning, unit, kind and, for inputs, whether it is required and which words it allows."""

    meaning: str
    unit: str = ""
    kind: str = "text"
    required: bool = False
    allowed: tuple[str, ...] = ()


BREAK_LOG: dict[str, Column] = {}

RESULTS: dict[str, Column] = {
    "group": Column("grouping values joined by commas"),
    "family": Column("strength law: weibull, normal or lognormal"),
    "n": Column("specimens used", kind="number"),
    "n_broken": Column("specimens that broke", kind="number"),
    "fraction_below": Column("fraction of the population weaker than the strength stated", kind="number"),
    "confidence": Column("one-sided confidence of the bound", kind="number"),
    "estimate": Column("best single value of the low strength, without margin", "kN", "number"),
    "low": Column("lower confidence bound of the low strength", "kN", "number"),
    "notes": Column("what the reader must know beside the number"),
}


def meaning(column: str) -> str:
    """One line on a column, with its unit; empty where the glossary does not know it."""
    entry = RESULTS.get(column) or BREAK_LOG.get(column)
    if entry is None:
        return ""
    return f"{entry.meaning} [{entry.unit}]" if entry.unit else entry.meaning
