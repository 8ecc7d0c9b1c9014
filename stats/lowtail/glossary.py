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


BREAK_LOG: dict[str, Column] = {
    "specimen": Column("name of one specimen; a specimen is tested to destruction once", required=True),
    "item": Column("what was tested: product, construction, size", required=True),
    "orientation": Column("how it was loaded: major axis, minor axis, gate open, straight, basket ..."),
    "method": Column("how the load came on: 'slow pull', 'shock' or other text"),
    "load": Column("load at break, or the highest load held, as recorded in the log's unit", "unit", "number", True),
    "unit": Column("force unit of `load`", allowed=("kN", "N", "daN", "MN", "lbf", "klbf", "kgf", "tf", "ozf")),
    "outcome": Column(
        "what ended the test; everything but 'broke' means that the specimen held at least `load`",
        required=True,
        allowed=("broke", "held", "other part broke", "slipped", "stopped", "invalid"),
    ),
    "failed_part": Column("which part of the rig or assembly broke or let go"),
    "failure_site": Column("where on the specimen it broke: gate, basket, stitching, knot ..."),
    "batch": Column("purchase or production batch"),
    "condition": Column("new, used, wet, frozen, after exposure ..."),
    "age_years": Column("age when tested", "years", "number"),
    "rated_kN": Column("strength rating marked on the item or stated by its maker", "kN", "number"),
    "rate": Column("loading rate, in the unit named in `rate_unit`", "rate_unit", "number"),
    "rate_unit": Column("unit of `rate`, as the log states it: kN/s, mm/min ..."),
    "drop_mass_kg": Column("falling mass of a drop test", "kg", "number"),
    "drop_height_m": Column("fall height of a drop test", "m", "number"),
    "sample_rate_hz": Column("samples taken each second by the load recorder", "Hz", "number"),
    "date": Column("day of the test, best as YYYY-MM-DD", kind="date"),
    "instrument": Column("bench, rig, load cell"),
    "note": Column("free text"),
    "excluded": Column("true where the row is to take no part, for the reason given", kind="flag"),
    "exclusion_reason": Column("why the row takes no part; required where `excluded` is true"),
}

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
    "digits": Column("digits in which other libraries agree with the fit", kind="number"),
    "largest_difference": Column("largest relative difference of another library's fit", kind="number"),
    "agrees": Column("true where other libraries agree with the fit to 0.001", kind="flag"),
}


def meaning(column: str) -> str:
    """One line on a column, with its unit; empty where the glossary does not know it."""
    entry = RESULTS.get(column) or BREAK_LOG.get(column)
    if entry is None:
        return ""
    return f"{entry.meaning} [{entry.unit}]" if entry.unit else entry.meaning
